"""Which families a run debits, how much and for which charges; and why the others are left out. Reads only."""

import datetime
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from billing.autopay import retries, rules
from billing.autopay.pauses import why_paused
from billing.models import AutopayAuthorisation, AutopayCover, AutopayEntry, AutopayNotice, OpenItem
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day

Covers = tuple[tuple[int, Decimal], ...]


@dataclass(frozen=True)
class Candidate:
    """A debit that could be made. With `why_not` it is left out; `covers` are charges with what is debited for each."""

    authorisation: AutopayAuthorisation
    notice: AutopayNotice | None
    again: AutopayEntry | None
    covers: Covers
    why_not: str = ""

    @property
    def amount(self) -> Decimal:
        """What is debited."""
        return sum((amount for _, amount in self.covers), ZERO)

    @property
    def retry(self) -> int:
        """0, or which presentation again it is."""
        return self.again.retry + 1 if self.again else 0

    @property
    def is_selected(self) -> bool:
        """Whether the run takes it."""
        return not self.why_not


def list_candidates(*, effective_on: datetime.date, today: datetime.date) -> list[Candidate]:
    """List everything told or waiting to be presented again, selected or not, by household; in a few queries however many.

    Never more than what is owed and not under way, and at most what the family was told: charges whole, the oldest first.
    """
    notices = AutopayNotice.objects.filter(closed_at=None).select_related("authorisation__household").order_by("household_id")
    return judge(list(notices), retries.list_waiting(), effective_on=effective_on, today=today)


def judge(
    notices: list[AutopayNotice], waiting: list[AutopayEntry], *, effective_on: datetime.date, today: datetime.date
) -> list[Candidate]:
    """Judge what was told and what waits to be presented again."""
    households = {notice.household_id for notice in notices} | {entry.household_id for entry in waiting}
    owed = _owed(households)
    paused = why_paused(households, today)
    found = [_again(entry, owed, paused, effective_on) for entry in waiting]
    taken = {charge for each in found if each.is_selected for charge, _ in each.covers}
    found += [_told(notice, owed, taken, paused, effective_on) for notice in notices]
    return sorted(found, key=lambda each: (each.authorisation.household_id, -each.retry))


Owed = dict[int, list[tuple[int, datetime.date, Decimal]]]


def _owed(household_ids: Collection[int]) -> Owed:
    """What is open of each household's charges, in no prepared run and not left to the family, oldest first."""
    under_way = AutopayCover.objects.filter(is_open=True).values("charge_id")
    items = OpenItem.objects.filter(household_id__in=household_ids).exclude(charge_id__in=under_way)
    items = items.exclude(charge_id__in=retries.list_left_to_families(household_ids)).order_by("due_on", "charge_id")
    owed: Owed = defaultdict(list)
    for item in items:
        owed[item.household_id].append((item.charge_id, item.due_on, item.open))
    return owed


def _again(entry: AutopayEntry, owed: Owed, paused: dict[int, str], effective_on: datetime.date) -> Candidate:
    covers = tuple((cover.charge_id, cover.amount) for cover in entry.covers.all())
    still = {charge: amount for charge, _, amount in owed[entry.household_id]}
    if entry.household_id in paused:
        why_not = paused[entry.household_id]
    elif not retries.is_in_time(entry, effective_on):
        why_not = "180 days are over"
    elif any(still.get(charge, ZERO) < amount for charge, amount in covers):
        why_not = "Paid or put into a run meanwhile"
    else:
        why_not = ""
    return Candidate(entry.authorisation, None, entry, covers, why_not)


def _told(notice: AutopayNotice, owed: Owed, taken: set[int], paused: dict[int, str], effective_on: datetime.date) -> Candidate:
    if notice.debit_on > effective_on:
        return Candidate(notice.authorisation, notice, None, (), f"Told for {written_day(notice.debit_on)}")
    if effective_on > rules.latest_debit(notice.debit_on):
        return Candidate(notice.authorisation, notice, None, (), f"Told for {written_day(notice.debit_on)}, too long before")
    if notice.household_id in paused:
        return Candidate(notice.authorisation, notice, None, (), paused[notice.household_id])
    open_charges = [
        (charge, amount)
        for charge, due_on, amount in owed[notice.household_id]
        if due_on <= notice.debit_on and charge not in taken
    ]
    covers, left = [], notice.amount
    for charge, amount in open_charges:
        if amount <= left:
            covers.append((charge, amount))
            left -= amount
    if covers:
        return Candidate(notice.authorisation, notice, None, tuple(covers))
    return Candidate(notice.authorisation, notice, None, (), "More is due than was told" if open_charges else "Paid meanwhile")
