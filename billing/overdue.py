"""Reminding families of what is overdue: which step is due for whom, and taking it, once.

The steps stand in a table that the manager sets (`billing.collecting.steps`); an episode goes on by the table it began with.
Step by step, never two at once: a family that is found late gets the friendly letter first. Laws on collecting debts differ
by state (and the federal Fair Debt Collection Practices Act binds those who collect for others): the office's counsel approves
wording and rhythm before they are used.
"""

import datetime
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from django.db import transaction
from django.db.models import Max, Q, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone, translation
from django.utils.translation import gettext

from billing import aging, overdue_words
from billing.accounts import title_of
from billing.autopay import queries as autopay
from billing.collecting import arrangements, rules, steps
from billing.collecting import queries as collecting
from billing.models import ChargeLine, OverdueNotice, OverdueStep
from rentals.agreements.models import Agreement, AgreementHold
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import OverdueItem, OverduePage
from rentals.documents.words import in_language
from rentals.families.letters import Letter, Receiver, receiver_of, worded_letter, write_to_household
from rentals.families.models import Guardian, Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.staff.models import User


@dataclass(frozen=True)
class StepDue:
    """The next step for one household: who would get it, how, and about how much."""

    household: Household
    since: datetime.date
    days_late: int
    amount: Decimal
    step: OverdueStep
    receiver: Receiver

    @property
    def is_mailed(self) -> bool:
        """Whether it goes by mail: a letter on paper never does, a mail does where an address is known."""
        return self.step.kind == OverdueStep.Kind.MAIL and bool(self.receiver.email)


@dataclass(frozen=True)
class Taken:
    """How far one episode is: its table of steps, the last one's position, and when it was taken."""

    version_id: int
    step: int
    last_at: datetime.datetime

    @property
    def last_on(self) -> datetime.date:
        """The day of the last step."""
        return timezone.localdate(self.last_at)


@dataclass(frozen=True)
class ForTheManager:
    """A household that had every step and still owes; `is_recall` where the last proposes it, `rented` what may be recalled."""

    household: Household
    since: datetime.date
    days_late: int
    amount: Decimal
    last_notice_at: datetime.datetime
    is_recall: bool
    rented: tuple[Agreement, ...]


def list_steps_due(*, today: datetime.date) -> list[StepDue]:
    """List the steps that are due today, the longest overdue first; in a handful of queries however many there are."""
    rows = aging.list_overdue(today)
    progress = list_progress([(row.household_id, row.since) for row in rows])
    paused = list_left_in_peace(progress, today=today)
    wanted = []
    for row in rows:
        step = progress[row.household_id].next_step(today)
        if step is not None and row.household_id not in paused:
            wanted.append((row, step))
    households = Household.objects.in_bulk([row.household_id for row, _ in wanted])
    guardians: dict[int, list[Guardian]] = {}
    for guardian in Guardian.objects.filter(household__in=households):
        guardians.setdefault(guardian.household_id, []).append(guardian)
    due = []
    for row, step in wanted:
        household = households[row.household_id]
        receiver = receiver_of(household, guardians.get(household.pk, ()))
        due.append(StepDue(household, row.since, (today - row.since).days, row.amount, step, receiver))
    return due


def list_for_the_manager(*, today: datetime.date) -> list[ForTheManager]:
    """List the households that had the last step and still owe from the same day, once their time to answer has passed.

    Where the last step proposes a recall, it is before the manager at once.
    """
    rows = aging.list_overdue(today)
    progress = list_progress([(row.household_id, row.since) for row in rows])
    paused = list_left_in_peace(progress, today=today)
    ended = [row for row in rows if progress[row.household_id].is_over(today) and row.household_id not in paused]
    households = Household.objects.in_bulk([row.household_id for row in ended])
    rented: dict[int, list[Agreement]] = {}
    recalled = AgreementHold.objects.filter(until_on=None, kind=AgreementHold.Kind.RECALL).values("agreement")
    running = Agreement.objects.filter(household__in=households, ended_on=None).exclude(pk__in=recalled)
    for agreement in running.order_by("pk"):
        rented.setdefault(agreement.household_id, []).append(agreement)
    found = []
    for row in ended:
        at = progress[row.household_id]
        if at.taken is not None:
            is_recall = at.steps[-1].kind == OverdueStep.Kind.RECALL
            may_be_recalled = tuple(rented.get(row.household_id, ()))
            days, household = (today - row.since).days, households[row.household_id]
            found.append(ForTheManager(household, row.since, days, row.amount, at.taken.last_at, is_recall, may_be_recalled))
    return found


def list_left_in_peace(household_ids: Collection[int], *, today: datetime.date) -> set[int]:
    """Return those of these households that no step is taken for: a promise or a plan runs, or a debit they were told of."""
    return {*collecting.list_paused(household_ids, today=today), *autopay.list_about_to_be_debited(household_ids, today=today)}


def take_overdue_steps(*, today: datetime.date, now: datetime.datetime, acting_user: User) -> int:
    """Take every step that is due: the notice, its letter and its mail, in one transaction per household. Return how many.

    Outermost. May be stopped, repeated, or run twice at once: a step is taken once per household and episode, and a family
    that has paid in the meantime gets nothing, nor one whose promise or plan runs, or whose account is about to be debited.
    An episode is named by its oldest unpaid due date.
    """
    arrangements.settle_arrangements(acting_user=acting_user, now=now, today=today)
    taken = 0
    for due in list_steps_due(today=today):
        taken += take_step(due=due, today=today, now=now, acting_user=acting_user)
    return taken


@transaction.atomic
def take_step(*, due: StepDue, today: datetime.date, now: datetime.datetime, acting_user: User) -> bool:
    """Take one step, unless it was taken or the account changed since the list was read; tell whether it was taken."""
    household = lock_one(Household.objects.filter(pk=due.household.pk))
    due = replace(due, household=household, receiver=receiver_of(household))
    with translation.override(household.language):
        items = list_open_items(household.pk, today)
    if not items or items[0].due_on != due.since or list_left_in_peace([household.pk], today=today):
        return False
    if list_progress([(household.pk, due.since)])[household.pk].next_step(today) != due.step:
        return False
    message = _write(household, due, items, today, acting_user=acting_user, now=now) if due.step.writes else None
    OverdueNotice.objects.create(
        household=household, episode_on=due.since, step=due.step.position, rule=due.step, message=message, made_at=now
    )
    return True


def _write(
    household: Household,
    due: StepDue,
    items: tuple[OverdueItem, ...],
    today: datetime.date,
    *,
    acting_user: User,
    now: datetime.datetime,
) -> OutboxMessage:
    page = OverduePage(
        step=due.step.wording or 1,
        addressee=due.receiver.addressee,
        dated_on=today,
        answer_by=rules.answered_by(due.step, today),
        items=items,
        total=total_of(items),
    )
    receiver = due.receiver if due.is_mailed else replace(due.receiver, email="")
    letter = _letter(household, due, page)
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)


def _letter(household: Household, due: StepDue, page: OverduePage) -> Letter:
    with translation.override(household.language):
        return worded_letter(
            code=overdue_words.code_of(page.step),
            household=household,
            key=f"overdue/{household.pk}/{due.since.isoformat()}/{due.step.position}",
            kind="overdue",
            about=f"household/{household.pk}",
            title=gettext("Notice of a past due amount"),
            page=page,
        )


def total_of(items: Iterable[OverdueItem]) -> Decimal:
    """Return what is unpaid in all."""
    return sum((item.open_amount for item in items), ZERO)


@dataclass(frozen=True)
class Progress:
    """Where an episode is: its oldest unpaid due date, its steps in order, and what was taken of them."""

    since: datetime.date
    steps: Sequence[OverdueStep]
    taken: Taken | None

    def next_step(self, today: datetime.date) -> OverdueStep | None:
        """Return the step that is due, None when none is: all taken, too early, or the family still has time to answer."""
        step, last_on = (self.taken.step, self.taken.last_on) if self.taken else (0, None)
        return rules.next_step(self.steps, since=self.since, taken=step, last_on=last_on, today=today)

    def is_over(self, today: datetime.date) -> bool:
        """Whether every step was taken, and the time to answer the last has passed."""
        if self.taken is None or self.taken.step < len(self.steps):
            return False
        last = self.steps[-1]
        return last.kind == OverdueStep.Kind.RECALL or rules.answered_by(last, self.taken.last_on) <= today

    def foresee(self) -> list[rules.Foreseen[OverdueStep]]:
        """Return the steps still to come, with their days."""
        step, last_on = (self.taken.step, self.taken.last_on) if self.taken else (0, None)
        return rules.foresee(self.steps, since=self.since, taken=step, last_on=last_on)


def list_progress(episodes: Sequence[tuple[int, datetime.date]]) -> dict[int, Progress]:
    """Return where these episodes are (one a household, by its oldest unpaid due date), by household."""
    taken = _steps_taken({household_id for household_id, _ in episodes})
    in_force = steps.get_version().pk
    tables = steps.list_steps({in_force, *(each.version_id for each in taken.values())})
    found = {}
    for household_id, since in episodes:
        at = taken.get((household_id, since))
        found[household_id] = Progress(since, tables[at.version_id if at else in_force], at)
    return found


def _steps_taken(household_ids: Collection[int]) -> dict[tuple[int, datetime.date], Taken]:
    """Return how far each episode of these households is, by household and episode."""
    notices = OverdueNotice.objects.filter(household__in=household_ids)
    rows = notices.values_list("household_id", "episode_on", "rule__version_id").order_by()
    return {(row[0], row[1]): Taken(*row[2:]) for row in rows.annotate(highest=Max("step"), last=Max("made_at"))}


def list_open_items(household_id: int, today: datetime.date) -> tuple[OverdueItem, ...]:
    """Return the unpaid charges due before today, oldest first, one item each, named as the statement names them."""
    in_force = Q(allocations__released_at=None)
    lines = (
        ChargeLine.objects.filter(charge__household_id=household_id, charge__void_entry=None, charge__due_on__lt=today)
        .annotate(paid=Coalesce(Sum("allocations__amount", filter=in_force), ZERO))
        .select_related("charge__agreement")
        .prefetch_related("charge__lines")
        .order_by("charge__due_on", "charge_id", "position")
    )
    items: dict[int, OverdueItem] = {}
    for line in lines:
        open_amount = line.amount - line.paid
        if open_amount:
            charge = line.charge
            before = items[charge.pk].open_amount if charge.pk in items else ZERO
            what = title_of(charge) if charge.agreement else in_language(line.description)
            items[charge.pk] = OverdueItem(charge.due_on, what, before + open_amount)
    return tuple(items.values())
