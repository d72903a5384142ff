"""Rent by the instrument that earned it: to the cent what the ledger has, and to the cent what the rule says."""

import datetime
import random
from decimal import Decimal

import pytest

from billing import charges, credits, payments
from billing.earning import queries, rent, rules, spans
from billing.models import ChargeLine
from tests.billing.earning.conftest import NOW, TODAY, ZONE, at, bill, instrument
from tests.billing.earning.conftest import rent as put_on
from tests.billing.factories import AgreementFactory

D = Decimal
SEASON = spans.season(2025)
ALL = spans.list_spans(datetime.date(2026, 1, 1), TODAY)[-1]
pytestmark = pytest.mark.django_db


def earned(unit, span=SEASON):
    return rent.sum_by_instrument(span).get(unit.pk, rent.Earned())


class TestWhoEarns:
    def test_the_rented_one_earns_rent_and_protection_before_tax(self):
        unit = instrument("F-001")
        bill(put_on(unit, at(1, 31)), 3)
        assert earned(unit) == rent.Earned(rent=D("60.00"), protection=D("15.00"))

    def test_a_loaner_earns_nothing(self):
        unit, loaner = instrument("F-001"), instrument("F-002")
        agreement = put_on(unit, at(1, 31))
        put_on(loaner, at(2, 10), at(2, 20), role="loaner", agreement=agreement)
        bill(agreement, 2)
        assert (earned(unit).rent, earned(loaner)) == (D("40.00"), rent.Earned())

    def test_an_exchange_in_the_middle_of_a_chain_splits_by_days(self):
        # Feb 28 to Mar 31 has 31 days: 10 with the first, 21 with the second, though all of it was billed on the first agreement.
        first, second, third = (instrument(f"F-00{n}") for n in (1, 2, 3))
        old = put_on(first, at(1, 31), at(3, 10))
        new = put_on(second, at(3, 10), at(5, 31), follows=old)
        put_on(third, at(5, 31), follows=new)
        bill(old, 2)
        assert (earned(first).rent, earned(second).rent, earned(third).rent) == (D("26.45"), D("13.55"), D("0.00"))
        assert earned(first).protection + earned(second).protection == D("10.00")

    def test_an_exchange_by_the_office_s_own_flow_splits_the_month_that_was_paid_ahead(self):
        from tests.counter.leaving import rental, shop, unit_of
        from tests.counter.test_exchanging import do, flute, swap

        agreement, other = rental(months=2, plan_version=shop()), flute()
        do(agreement, swap(other))
        # Feb 28 to Mar 30 of 30.00: exchanged on Mar 10.
        first, second = earned(unit_of(agreement)), earned(other)
        assert (first.rent, second.rent) == (D("39.68"), D("20.32"))
        assert first.paid + second.paid == D("60.00")

    def test_rent_of_an_agreement_without_an_instrument_is_told_apart(self):
        bill(AgreementFactory(), 1)
        assert rent.sum_by_instrument(SEASON) == {None: rent.Earned(rent=D("20.00"), protection=D("5.00"))}


class TestWhatCounts:
    def test_what_is_voided_is_gone_on_the_day_it_was_voided(self, clerk):
        unit = instrument("F-001")
        charge = bill(put_on(unit, at(1, 31)), 1)[0]
        charges.void_charge(charge=charge, reason="Twice", acting_user=clerk, now=at(7, 2))
        july = spans.season(2026)
        assert (earned(unit).rent, earned(unit, july).rent) == (D("20.00"), D("-20.00"))

    def test_a_payment_is_rent_paid_and_a_credit_note_is_let_go(self, clerk):
        unit = instrument("F-001")
        agreement = put_on(unit, at(1, 31))
        bill(agreement, 2)
        payments.record_payment(
            household=agreement.household, method="cash", amount=D("26.65"), received_on=TODAY, acting_user=clerk, now=NOW
        )
        credits.write_credit_note(
            household=agreement.household, agreement=agreement, kind="adjustment", amount=D("12.00"), reason="Late delivery",
            on=TODAY, acting_user=clerk, now=NOW,
        )  # fmt: skip
        found = earned(unit)
        assert (found.rent, found.paid, found.credited, found.net) == (D("40.00"), D("20.00"), D("12.00"), D("28.00"))

    def test_a_returned_payment_is_rent_paid_no_more(self, clerk):
        unit = instrument("F-001")
        agreement = put_on(unit, at(1, 31))
        bill(agreement, 1)
        paid = payments.record_payment(
            household=agreement.household, method="cheque", cheque_number="7", amount=D("26.65"), received_on=TODAY,
            acting_user=clerk, now=NOW,
        )  # fmt: skip
        payments.return_payment(payment=paid, reason="Insufficient funds", returned_on=TODAY, acting_user=clerk, now=NOW)
        assert (earned(unit).rent, earned(unit).paid) == (D("20.00"), D("0"))


def charged_by_rule():
    """Work the same out in Python, charge by charge, by the one rule."""
    from billing.models import Charge
    from rentals.agreements.models import Agreement, AgreementUnit

    def on(moment):
        return moment.astimezone(ZONE).date()

    follows = {each.follows_id: each.pk for each in Agreement.objects.exclude(follows=None)}
    found = {}
    for charge in Charge.objects.filter(kind="rent", void_entry=None):
        chain = [charge.agreement_id]
        while chain[-1] in follows:
            chain.append(follows[chain[-1]])
        units = AgreementUnit.objects.filter(agreement__in=chain, role="rented").order_by("began_at", "pk")
        stays = [rules.Stay(u.instrument_id, on(u.began_at), u.ended_at and on(u.ended_at)) for u in units]
        amount = ChargeLine.objects.get(charge=charge, kind="rent", is_tax=False).amount
        for name, share in rules.share_rent(amount, charge.period_begins_on, charge.period_ends_on, stays).items():
            found[name] = found.get(name, D(0)) + share
    return found


class TestSqlAndRuleAgree:
    @pytest.mark.parametrize("seed", range(3))
    def test_on_chains_drawn_at_random(self, seed):
        chance = random.Random(seed)
        for number in range(12):
            moment, before, unit = at(1, 31, 23), None, None
            for link in range(chance.randrange(1, 5)):
                unit = instrument(f"R{seed}-{number:02}-{link}", item=unit and unit.item)
                stay = datetime.timedelta(days=chance.randrange(0, 40), hours=chance.randrange(0, 24))
                last = chance.random() < 0.3
                price = D(chance.randrange(900, 6000)) / 100
                agreement = put_on(unit, moment, None if last else moment + stay, follows=before, monthly_rent=price)
                if link == 0 or chance.random() < 0.3:
                    bill(agreement, chance.randrange(0, 5))
                if last:
                    break
                moment += stay + datetime.timedelta(days=chance.choice([0, 0, 0, 3]))
                before = agreement
        sql = {name: each.rent for name, each in rent.sum_by_instrument(ALL).items() if each.rent}
        assert sql == charged_by_rule()
        assert sum(sql.values()) > 500

    def test_one_instrument_alone_says_what_the_list_says(self):
        first, second = instrument("F-001"), instrument("F-002")
        old = put_on(first, at(1, 31), at(3, 10))
        bill(put_on(second, at(3, 10), follows=old), 1)
        bill(old, 2)
        for unit in (first, second):
            months = rent.list_months_of_instrument(unit.pk, SEASON)
            assert rent.add_up(each for _, each in months) == earned(unit)
            assert [month.day for month, _ in months] == [1] * len(months)


class TestTieOut:
    def test_rent_by_kind_sums_to_the_ledgers_to_the_cent(self, clerk):
        first, second = instrument("F-001"), instrument("C-002", kind="clarinet")
        old = put_on(first, at(1, 31), at(3, 10))
        put_on(second, at(3, 10), follows=old)
        made = bill(old, 4)
        bill(AgreementFactory(), 1)
        charges.void_charge(charge=made[3], reason="Twice", acting_user=clerk, now=NOW)
        fleet = queries.measure(SEASON, NOW)
        rows = queries.list_kinds(fleet, queries.read_catalogue())
        assert {row.key: row.figures.earned.rent for row in rows} == {"flute": D("26.45"), "clarinet": D("33.55")}
        ties = queries.tie_out(fleet)
        assert [(tie.instruments, tie.unnamed, tie.ledger, tie.rest) for tie in ties] == [
            (D("60.00"), D("20.00"), D("80.00"), D("0.00")),
            (D("15.00"), D("5.00"), D("20.00"), D("0.00")),
        ]

    def test_what_was_posted_by_hand_stands_as_a_rest(self, clerk):
        from billing import ledger

        ledger.post_entry(
            entry_on=TODAY, kind="adjustment", memo="By hand", source="hand/1", acting_user=clerk, now=NOW,
            postings=[ledger.Line("4000", D("-7.00")), ledger.Line("6900", D("7.00"))],
        )  # fmt: skip
        tie = queries.tie_out(queries.measure(SEASON, NOW))[0]
        assert (tie.instruments, tie.unnamed, tie.rest) == (D(0), D(0), D("7.00"))

    def test_a_day_on_the_border_is_in_one_season_only(self):
        unit = instrument("F-001")
        agreement = put_on(unit, at(1, 31))
        bill(agreement, 8)
        both = [rent.sum_by_instrument(spans.season(year)).get(unit.pk, rent.Earned()).rent for year in (2025, 2026)]
        assert both == [D("120.00"), D("40.00")]
        assert earned(unit, spans.Span("all", "", datetime.date(2026, 1, 1), datetime.date(2026, 12, 31))).rent == D("160.00")
