"""The golden test of the monthly run: on every agreement of a varied set, SQL bills what the rules of agreements say.

Every anchor day of the month, introductory periods, bridges to a fixed due day, due days and protection changed on the way,
tax rates that change, households exempt for a time, holds of every sort. Common practice, no source; the rounding is that of
the Streamlined Sales and Use Tax Agreement, section 324 (see test_rounding).
"""

import datetime
import random
from decimal import Decimal

import pytest

from billing import charges, preview, runs, verify
from billing.models import BillingRun, Charge, ChargeLine
from rentals.agreements import life, periods
from rentals.agreements import queries as terms
from rentals.agreements.models import AgreementHold, TaxExemption, TaxRate
from rentals.runtime.money import ZERO
from tests.billing.factories import NOON, AgreementFactory, TaxAreaFactory

D = Decimal
JANUARY, THROUGH = datetime.date(2026, 1, 1), datetime.date(2026, 9, 20)


def plain(start, rent, protection):
    return periods.first_segments(starts_on=start, rent=rent, protection=protection)


def intro(start, rent, protection):
    return periods.first_segments(starts_on=start, rent=rent, protection=protection, intro_months=3, intro_rent=rent + D("11.11"))


def fixed_day(start, rent, protection):
    return periods.first_segments(starts_on=start, rent=rent, protection=protection, due_day=15)


def intro_then_fixed_day(start, rent, protection):
    return periods.first_segments(starts_on=start, rent=rent, protection=protection, intro_months=2, due_day=1)


def free_intro(start, rent, protection):
    return periods.first_segments(starts_on=start, rent=rent, protection=ZERO, intro_months=1, intro_rent=ZERO)


def moved_day(start, rent, protection):
    return periods.moved_due_day(plain(start, rent, protection), 4, 28)


def dropped_protection(start, rent, protection):
    return periods.with_protection(plain(start, rent, protection), 3, ZERO)


def all_at_once(start, rent, protection):
    return periods.moved_due_day(periods.with_protection(intro(start, rent, ZERO), 2, protection), 3, 1)


SHAPES = [plain, intro, fixed_day, intro_then_fixed_day, free_intro, moved_day, dropped_protection, all_at_once]


def is_held(agreement, day):
    holds = AgreementHold.objects.filter(agreement=agreement, from_on__lte=day)
    return any(h.until_on is None or (h.is_forgiven and day < h.until_on) for h in holds)


def by_the_rules(agreement):
    """What the rules of agreements bill, period by period, in the shape of `by_the_run`."""
    segments = life.list_segments(agreement)
    for n in periods.periods_begun(segments, THROUGH):
        bill = periods.period_at(segments, n)
        if is_held(agreement, bill.begins_on) or not bill.rent + bill.protection:
            continue
        rates = terms.get_household_tax_rates(agreement.household_id, agreement.tax_area_id, bill.begins_on)
        lines = charges.with_tax(ChargeLine.Kind.RENT, f"Rent{bill.note}", bill.rent, rates.get("rent", ZERO))
        if bill.protection:
            kind = ChargeLine.Kind.PROTECTION
            lines += charges.with_tax(kind, f"Protection{bill.note}", bill.protection, rates.get("protection", ZERO))
        told = tuple((line.kind.value, line.description, line.amount, line.tax_rate) for line in lines)
        yield agreement.pk, n, bill.begins_on, bill.until_on, bill.begins_on, told


def by_the_run():
    rows = Charge.objects.filter(kind="rent").prefetch_related("lines").order_by("agreement_id", "period")
    for row in rows:
        lines = sorted(row.lines.all(), key=lambda line: line.position)
        told = tuple((line.kind, line.description, line.amount, line.tax_rate) for line in lines)
        yield row.agreement_id, row.period, row.period_begins_on, row.period_ends_on, row.due_on, told


@pytest.fixture
def agreements(db):
    """Each shape on each day of January; every fifth exempt, every seventh held, one way after the other."""
    chance, made = random.Random(20260925), []
    areas = []
    for n in range(4):
        area = TaxAreaFactory(code=f"area-{n}", rates={"rent": str(D(chance.randrange(30_000, 110_000)) / 1_000_000)})
        for applies_to in ("rent", "protection"):
            rate = D(chance.choice([0, 62_500, 72_530, 102_500])) / 1_000_000
            TaxRate.objects.create(area=area, applies_to=applies_to, rate=rate, effective_from=datetime.date(2026, 4, 15))
        areas.append(area)
    for day in range(31):
        for shape in SHAPES:
            start = JANUARY + datetime.timedelta(days=day)
            rent, protection = D(chance.randrange(500, 9_000)) / 100, D(chance.randrange(1, 1_500)) / 100
            terms = shape(start, rent, protection)
            made.append(AgreementFactory(tax_area=chance.choice(areas), starts_on=start, terms=terms))
    for place, agreement in enumerate(made[::5]):
        from_on = JANUARY + datetime.timedelta(days=chance.randrange(200))
        TaxExemption.objects.create(
            household=agreement.household, area=[None, agreement.tax_area, areas[0]][place % 3], certificate_number="E-1",
            from_on=from_on, expires_on=from_on + datetime.timedelta(days=90), recorded_at=NOON, recorded_by=agreement.signed_by,
        )  # fmt: skip
    for place, agreement in enumerate(made[::7]):
        # From one of its due days until another, so that the edges are met as well as the days between.
        from_on, until_on = (periods.period_begins_on(agreement.starts_on, n) for n in (2 + place % 3, 5))
        ended = place % 4 >= 2
        AgreementHold.objects.create(
            agreement=agreement, kind="recall" if place % 4 == 1 else "hold", from_on=from_on, reason="Test", made_at=NOON,
            made_by=agreement.signed_by, until_on=until_on if ended else None,
            is_forgiven=place % 4 == 3, lifted_at=NOON if ended else None, lifted_by=agreement.signed_by if ended else None,
        )  # fmt: skip
    return made


def run_through(day, bookkeeper, chunk=runs.CHUNK):
    run = BillingRun.objects.create(through_on=day, asked_at=NOON, asked_by=bookkeeper)
    return runs.continue_run(run.pk, now=NOON, chunk=chunk)


class TestEveryAgreement:
    def test_is_billed_by_the_rules_whether_at_once_or_month_by_month(self, agreements, bookkeeper):
        expected = sorted(row for agreement in agreements for row in by_the_rules(agreement))
        looked = preview.get_preview(THROUGH)
        billed = [run_through(datetime.date(2026, month, 20), bookkeeper, chunk=41) for month in (2, 3, 5, 6)]
        rest = preview.get_preview(THROUGH)
        billed.append(run_through(THROUGH, bookkeeper, chunk=97))
        assert sorted(by_the_run()) == expected
        assert looked.charges == sum(run.billed for run in billed) == len(expected) > 1_500
        assert looked.total == sum(run.billed_amount for run in billed)
        assert (rest.charges, rest.total, rest.agreements) == (
            billed[-1].billed,
            billed[-1].billed_amount,
            billed[-1].agreements_billed,
        )
        assert (rest.up_to_date, rest.not_started, rest.on_hold, rest.recalled) == (
            billed[-1].up_to_date, billed[-1].not_started, billed[-1].on_hold, billed[-1].recalled,
        )  # fmt: skip
        assert billed[-1].done == billed[-1].total == len(agreements)
        assert [breaches for _, breaches in verify.run_checks() if breaches] == []

    def test_has_nothing_left_to_bill_afterwards(self, agreements, bookkeeper):
        run_through(THROUGH, bookkeeper)
        again, looked = run_through(THROUGH, bookkeeper), preview.get_preview(THROUGH)
        assert (again.billed, looked.charges, looked.oddest) == (0, 0, ())
        assert again.up_to_date + again.on_hold + again.recalled == again.total == len(agreements)
        assert again.on_hold > 0
        assert again.recalled > 0
