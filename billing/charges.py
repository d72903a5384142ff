"""Charges: a period of rent, goods, a fee, a loss; what is due when an agreement ends; and taking a charge back.

The money of a household is applied after each.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from billing import allocation, chart, ledger
from billing.models import BankMatch, BillingRun, CardRefund, Charge, ChargeLine, FleetSale, JournalEntry, Refund
from billing.taking.days import is_counted
from rentals.agreements import life, periods
from rentals.agreements import queries as terms
from rentals.agreements.models import Agreement, AgreementHold, TaxArea
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO, tax_on
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User

INCOME = {
    ChargeLine.Kind.RENT: chart.RENT,
    ChargeLine.Kind.PROTECTION: chart.PROTECTION,
    ChargeLine.Kind.GOODS: chart.GOODS,
    ChargeLine.Kind.FEE: chart.FEES,
    ChargeLine.Kind.INSTRUMENT: chart.FLEET_SOLD,
    ChargeLine.Kind.LOSS: chart.LOSSES_CHARGED,
}
TAX_TEXT = {
    ChargeLine.Kind.RENT: "Sales tax on rent",
    ChargeLine.Kind.PROTECTION: "Sales tax on protection",
    ChargeLine.Kind.GOODS: "Sales tax on goods",
    ChargeLine.Kind.INSTRUMENT: "Sales tax on the instrument",
}


class PeriodAlreadyBilledError(Exception):
    """A period of an agreement has its charge already."""

    def __init__(self, agreement: Agreement, period: int) -> None:
        super().__init__(f"Period {period + 1} of {agreement.number} is billed already.")
        self.agreement, self.period = agreement, period


class NothingToChargeError(Exception):
    """A charge would come to nothing."""

    def __init__(self) -> None:
        super().__init__("There is nothing to charge: every line is zero.")


class ChargeVoidedError(Exception):
    """The charge was taken back before."""

    def __init__(self, charge: Charge) -> None:
        super().__init__(f"This charge of {written_day(charge.due_on)} was voided already.")
        self.charge = charge


class RefundLeftError(Exception):
    """The money of a refund has left: a bank line shows it, or a deposit came to so much less."""

    def __init__(self, charge: Charge) -> None:
        super().__init__(
            f"This refund of {written_day(charge.due_on)} is matched with a bank line, made a deposit smaller or went back to a "
            "card, so it cannot be voided. Undo the match first, or take what the family brings back as a payment."
        )
        self.charge = charge


class SaleNotUndoneError(Exception):
    """The charge is the sale of an instrument, which is undone as a whole: the instrument comes back with it."""

    def __init__(self, charge: Charge) -> None:
        super().__init__("This is the sale of an instrument. Undo the sale on the instrument's page: that voids this charge too.")
        self.charge = charge


class RefundCountedError(Exception):
    """Cash paid back was counted down with its day, so the count would no longer be of what happened."""

    def __init__(self, refund: Refund) -> None:
        taking = refund.taking
        assert taking is not None, "only cash that went through somebody's takings is counted"
        super().__init__(
            f"This cash was paid back out of the takings of {taking.person.name} on {written_day(taking.day)}, which are counted "
            "down. If the family brings the money back, take it as a payment. If it was never paid out, let a manager open that "
            "day again; then void this, and the day is counted anew."
        )
        self.refund = refund


@dataclass(frozen=True)
class Goods:
    """Goods sold on one line: `amount` is the line's price before tax, in the office's currency."""

    description: str
    amount: Decimal


@dataclass(frozen=True)
class Settled:
    """What ending an agreement did to its rent: charges made, and charges taken back."""

    billed: tuple[Charge, ...]
    voided: tuple[Charge, ...]


@dataclass(frozen=True)
class Line:
    """One line of a charge to be; a line of tax has the rate it was worked out by."""

    kind: ChargeLine.Kind
    description: str
    amount: Decimal
    tax_rate: Decimal | None = None
    account: str = ""


def with_tax(kind: ChargeLine.Kind, description: str, amount: Decimal, rate: Decimal) -> list[Line]:
    """Return a line and, where there is a rate, the line of its tax after it (half up to the cent, line by line)."""
    line = Line(kind, description, amount)
    return [line, Line(kind, TAX_TEXT[kind], tax_on(amount, rate), rate)] if rate > 0 else [line]


@transaction.atomic
def charge_period(
    *,
    agreement: Agreement,
    period: int,
    acting_user: User,
    now: datetime.datetime,
    run: BillingRun | None = None,
    until_on: datetime.date | None = None,
) -> Charge:
    """Bill one period of an agreement by its terms: rent and its tax, protection and its tax, due on the period's first day.

    Period 0 is the first. A period that begins in a closed month is posted on the first open day. `until_on` (exclusive) bills
    only its share to that day: a month in which the instrument came back.
    Outermost, or inside a sign-up. Raises PeriodAlreadyBilledError; the database allows one charge a period.
    """
    lock_one(Household.objects.filter(pk=agreement.household_id))
    if Charge.objects.filter(agreement=agreement, period=period, kind=Charge.Kind.RENT, void_entry=None).exists():
        raise PeriodAlreadyBilledError(agreement, period)
    billed = periods.period_at(life.list_segments(agreement), period)
    if until_on is not None and until_on < billed.until_on:
        billed = billed.cut(until_on)
    rates = terms.get_household_tax_rates(agreement.household_id, agreement.tax_area, billed.begins_on)
    rent, protection = ChargeLine.Kind.RENT, ChargeLine.Kind.PROTECTION
    lines = with_tax(rent, f"Rent{billed.note}", billed.rent, rates.get(rent.value, ZERO))
    if billed.protection > 0:
        lines += with_tax(protection, f"Protection{billed.note}", billed.protection, rates.get(protection.value, ZERO))
    charge = Charge(
        household_id=agreement.household_id,
        agreement=agreement,
        kind=Charge.Kind.RENT,
        period=period,
        period_begins_on=billed.begins_on,
        period_ends_on=billed.until_on,
        due_on=billed.begins_on,
        run=run,
    )
    return write_charge(charge, lines, memo=f"Rent {agreement.number}, period {period + 1}", acting_user=acting_user, now=now)


@transaction.atomic
def charge_goods(
    *,
    household: Household,
    on: datetime.date,
    goods: Sequence[Goods],
    tax_area: TaxArea,
    acting_user: User,
    now: datetime.datetime,
    agreement: Agreement | None = None,
) -> Charge:
    """Bill goods sold to a household, each line with its own tax, due on the day. Raises NothingToChargeError."""
    lock_one(Household.objects.filter(pk=household.pk))
    rate = terms.get_household_tax_rates(household.pk, tax_area, on).get(ChargeLine.Kind.GOODS.value, ZERO)
    lines = [line for item in goods for line in with_tax(ChargeLine.Kind.GOODS, item.description, item.amount, rate)]
    charge = Charge(household=household, agreement=agreement, kind=Charge.Kind.SALE, due_on=on)
    return write_charge(charge, lines, memo=f"Goods {household.number}", acting_user=acting_user, now=now)


@transaction.atomic
def charge_fee(
    *,
    household: Household,
    on: datetime.date,
    description: str,
    amount: Decimal,
    acting_user: User,
    now: datetime.datetime,
    agreement: Agreement | None = None,
    late_for: Charge | None = None,
) -> Charge:
    """Bill a fee to a household, untaxed, due on the day; `late_for` names the overdue charge it is for.

    Raises NothingToChargeError.
    """
    lock_one(Household.objects.filter(pk=household.pk))
    charge = Charge(household=household, agreement=agreement, kind=Charge.Kind.FEE, due_on=on, late_for=late_for)
    line = Line(ChargeLine.Kind.FEE, description, amount)
    return write_charge(charge, [line], memo=f"Fee {household.number}: {description}", acting_user=acting_user, now=now)


@transaction.atomic
def charge_loss(
    *,
    agreement: Agreement,
    on: datetime.date,
    description: str,
    amount: Decimal,
    acting_user: User,
    now: datetime.datetime,
) -> Charge:
    """Bill what a family answers for when an instrument is lost, stolen or destroyed, due on the day. Untaxed: whether such a
    payment is taxed is the shop's tax adviser's to say. Raises NothingToChargeError.
    """
    lock_one(Household.objects.filter(pk=agreement.household_id))
    charge = Charge(household_id=agreement.household_id, agreement=agreement, kind=Charge.Kind.LOSS, due_on=on)
    line = Line(ChargeLine.Kind.LOSS, description, amount)
    return write_charge(charge, [line], memo=f"Loss {agreement.number}: {description}", acting_user=acting_user, now=now)


def list_unbilled(
    agreement: Agreement, *, through: datetime.date, ended_on: datetime.date | None = None
) -> list[periods.PeriodToBill]:
    """List the periods of an agreement begun by a day (inclusive) that cost something, were never billed, and no hold keeps back.

    None that begins on or after `ended_on`, but always the first. The same periods a billing run would bill.
    """
    segments = life.list_segments(agreement)
    billed = set(Charge.objects.filter(agreement=agreement, kind=Charge.Kind.RENT).values_list("period", flat=True))
    begun = [periods.period_at(segments, n) for n in periods.periods_begun(segments, through, ended_on) if n not in billed]
    holds = list(AgreementHold.objects.filter(agreement=agreement))
    return [each for each in begun if each.total > 0 and not any(_holds_back(hold, each.begins_on) for hold in holds)]


def _holds_back(hold: AgreementHold, day: datetime.date) -> bool:
    return day >= hold.from_on and (hold.until_on is None or (hold.is_forgiven and day < hold.until_on))


def bill_begun(*, agreement: Agreement, through: datetime.date, acting_user: User, now: datetime.datetime) -> list[Charge]:
    """Bill what an agreement has begun by a day (inclusive) and was not billed for: before it goes on as another.

    Inside an operation that has locked the household.
    """
    due = list_unbilled(agreement, through=through)
    return [charge_period(agreement=agreement, period=each.number, acting_user=acting_user, now=now) for each in due]


def settle_rent(
    *, agreement: Agreement, ended_on: datetime.date, acting_user: User, now: datetime.datetime, by_days: bool = False
) -> Settled:
    """Bring the rent of an agreement that ends on a day to what is owed, and return what changed.

    A period that begins on that day or later is owed no more: where it was billed, that is taken back. What had begun and was
    not billed is billed now. `by_days` bills the period in which it ends only to that day, at least one day of it.
    What was paid too much pays what else is owed, else it stays on account. Inside an operation that has locked the household.
    """
    segments, today = life.list_segments(agreement), timezone.localdate(now)
    running = Charge.objects.filter(agreement=agreement, kind=Charge.Kind.RENT, void_entry=None)
    owed = periods.periods_begun(segments, max(ended_on, today), ended_on)
    voided = list(running.filter(period__gte=len(owed)))
    cut = None
    if by_days and owed:
        last = periods.period_at(segments, owed[-1])
        cut = last.number if ended_on < last.until_on else None
        voided += running.filter(period=cut, period_ends_on__gt=ended_on)
    for charge in voided:
        void_charge(charge=charge, reason=f"ended on {written_day(ended_on)}", acting_user=acting_user, now=now)
    due = {each.number for each in list_unbilled(agreement, through=max(ended_on, today), ended_on=ended_on)}
    if cut is not None and any(charge.period == cut for charge in voided):
        due.add(cut)
    billed = [
        charge_period(agreement=agreement, period=n, acting_user=acting_user, now=now, until_on=ended_on if n == cut else None)
        for n in sorted(due)
    ]
    return Settled(tuple(billed), tuple(voided))


@transaction.atomic
def void_charge(*, charge: Charge, reason: str, acting_user: User, now: datetime.datetime) -> Charge:
    """Take a charge back: its entry is reversed today, what was paid on it is released and applied to what else is owed.

    The charge stays on the account, marked void with the reason. Outermost. Raises ChargeVoidedError, SaleNotUndoneError,
    RefundLeftError, RefundCountedError, MonthClosedError.
    """
    lock_one(Household.objects.filter(pk=charge.household_id))
    charge = lock_one(Charge.objects.filter(pk=charge.pk))
    if charge.void_entry_id is not None:
        raise ChargeVoidedError(charge)
    if charge.kind == Charge.Kind.REFUND:
        _check_refund(charge)
    if charge.kind == Charge.Kind.PURCHASE and FleetSale.objects.filter(charge=charge, undone_at=None).exists():
        raise SaleNotUndoneError(charge)
    allocation.release_of_charge(charge_id=charge.pk, now=now)
    entry_on = max(timezone.localdate(now), charge.entry.entry_on)
    charge.void_entry = ledger.reverse_entry(
        entry=charge.entry, entry_on=entry_on, reason=reason, acting_user=acting_user, now=now
    )
    charge.save(update_fields=["void_entry"])
    allocation.apply_credit(household_ids=[charge.household_id], now=now)
    return charge


def _check_refund(charge: Charge) -> None:
    """Refuse to void a refund whose money has left, or was counted down with its day; the day stays open meanwhile."""
    if _has_left(charge):
        raise RefundLeftError(charge)
    refund = Refund.objects.filter(charge=charge, taking__isnull=False).select_related("taking__person").first()
    if refund is not None and is_counted(refund.taking_id):
        raise RefundCountedError(refund)


def _has_left(refund: Charge) -> bool:
    to_a_card = CardRefund.objects.filter(refund__charge=refund).exclude(state=CardRefund.State.FAILED)
    deposited = Refund.objects.filter(charge=refund, deposit__isnull=False)
    return to_a_card.exists() or deposited.exists() or BankMatch.objects.filter(entry=refund.entry_id, undone_at=None).exists()


def write_charge(
    charge: Charge,
    lines: Sequence[Line],
    *,
    memo: str,
    acting_user: User,
    now: datetime.datetime,
    against: Sequence[ledger.Line] | None = None,
) -> Charge:
    """Post, save, and apply what the household has on account; the household is locked by the caller.

    `against` are the postings besides what the family owes, where they are not simply the lines' income and tax.
    Raises NothingToChargeError.
    """
    if not any(line.amount for line in lines):
        raise NothingToChargeError
    charge.pk = ledger.next_id(Charge)
    charge.entry = ledger.post_entry(
        entry_on=ledger.open_day(charge.due_on),
        kind=JournalEntry.Kind.CHARGE,
        memo=memo,
        source=f"charge/{charge.pk}",
        postings=_postings(lines, charge.household_id, against),
        acting_user=acting_user,
        now=now,
    )
    charge.save(force_insert=True)
    ChargeLine.objects.bulk_create(
        [
            ChargeLine(
                charge=charge,
                position=position,
                kind=line.kind,
                is_tax=line.tax_rate is not None,
                tax_rate=line.tax_rate,
                description=line.description[:160],
                amount=line.amount,
            )
            for position, line in enumerate(lines, 1)
        ]
    )
    allocation.apply_credit(household_ids=[charge.household_id], now=now)
    return charge


def _postings(lines: Sequence[Line], household_id: int, against: Sequence[ledger.Line] | None) -> list[ledger.Line]:
    """Owed by the family against income and tax, one posting an account."""
    owed = ledger.Line(chart.RECEIVABLES, sum((line.amount for line in lines), ZERO), household_id)
    if against is not None:
        return [owed, *against]
    totals: dict[str, Decimal] = {}
    for line in lines:
        account = INCOME[line.kind] if line.tax_rate is None else chart.SALES_TAX
        totals[account] = totals.get(account, ZERO) + line.amount
    return [owed, *(ledger.Line(account, -total) for account, total in sorted(totals.items(), reverse=True))]
