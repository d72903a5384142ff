"""A run: prepared, approved by another person where it is large, let out exactly once, settled by the bank.

What was let out is recorded as paid at once; whether the bank took it is known later, and until then the run says so.
That the bank refused a whole file stands in `refusing`.
"""

import datetime
from collections import defaultdict
from decimal import Decimal

from django.db import transaction
from django.db.models import Max, QuerySet
from django.utils import timezone

from billing import deposits, payments
from billing.autopay import filing, rules, selecting
from billing.autopay.authorising import SetupMissingError
from billing.autopay.pauses import why_paused
from billing.autopay.selecting import Candidate
from billing.models import (
    AutopayCover,
    AutopayEntry,
    AutopayNotice,
    AutopayRun,
    AutopaySetup,
    BankMatch,
    Deposit,
    OpenItem,
)
from rentals.families.models import Household
from rentals.runtime.locks import lock_one, lock_rows
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import take_number
from rentals.staff.policy import require

State, EntryState = AutopayRun.State, AutopayEntry.State
ENDED, OWED_LESS = "Autopay ended", "Paid meanwhile"


class NothingToDebitError(Exception):
    """Nobody's debit is due."""

    def __init__(self, effective_on: datetime.date) -> None:
        super().__init__(f"Nothing is to be debited on {written_day(effective_on)}. The list says why, family by family.")
        self.effective_on = effective_on


class TooFarAheadError(Exception):
    """A run for a day that no bank keeps a file for."""

    def __init__(self, effective_on: datetime.date) -> None:
        super().__init__(
            f"{written_day(effective_on)} is more than {rules.FURTHEST_DAYS} days ahead. Check the day: a run is prepared "
            "shortly before its file leaves."
        )
        self.effective_on = effective_on


class RunUnderWayError(Exception):
    """Another run is prepared and has not left."""

    def __init__(self, run: AutopayRun) -> None:
        super().__init__(f"Run {run.number} of {written(run.total)} is prepared already. Let it out or cancel it first.")
        self.run = run


class OwnRunError(Exception):
    """Nobody approves a run that he prepared himself."""

    def __init__(self, run: AutopayRun) -> None:
        super().__init__(f"You prepared run {run.number} yourself: another person has to approve it.")
        self.run = run


class RunMovedOnError(Exception):
    """The run is in a state in which this cannot be done."""

    def __init__(self, run: AutopayRun, what: str) -> None:
        super().__init__(f"Run {run.number} cannot be {what}: {run.get_state_display().lower()}.")
        self.run = run


class TooLateError(Exception):
    """The effective day is too near for the file to reach it."""

    def __init__(self, run: AutopayRun) -> None:
        super().__init__(
            f"Run {run.number} was made for {written_day(run.effective_on)}, which can no longer be reached. "
            "Cancel it and prepare another; what families were told still holds."
        )
        self.run = run


@transaction.atomic
def prepare_run(*, wanted_on: datetime.date, acting_user: User, now: datetime.datetime, today: datetime.date) -> AutopayRun:
    """Select what is due and put it into a run, for the first banking day at or after the wanted one that a file can reach.

    Outermost. Raises SetupMissingError, RunUnderWayError, TooFarAheadError, NothingToDebitError.
    """
    setup = _lock_setup()
    under_way = AutopayRun.objects.filter(state__in=[State.WAITING, State.READY]).first()
    if under_way is not None:
        raise RunUnderWayError(under_way)
    effective_on = rules.effective_on(sent_on=today, wanted_on=wanted_on)
    if effective_on > today + rules.FURTHEST_DAYS * rules.DAY:
        raise TooFarAheadError(effective_on)
    keys = {each.authorisation.household_id for each in selecting.list_candidates(effective_on=effective_on, today=today)}
    lock_rows(Household.objects.filter(pk__in=keys), strength="no_key")
    chosen = [each for each in selecting.list_candidates(effective_on=effective_on, today=today) if each.is_selected]
    chosen = [each for each in chosen if each.authorisation.household_id in keys]
    if not chosen:
        raise NothingToDebitError(effective_on)
    total = sum((each.amount for each in chosen), ZERO)
    needs_approval = total > setup.approval_limit
    run = AutopayRun.objects.create(
        number=f"AP-{take_number('autopay'):05}",
        effective_on=effective_on,
        state=State.WAITING if needs_approval else State.READY,
        total=total,
        entry_count=len(chosen),
        needs_approval=needs_approval,
        prepared_at=now,
        prepared_by=acting_user,
    )
    _write_entries(run, chosen)
    return run


def _lock_setup() -> AutopaySetup:
    try:
        setup: AutopaySetup = lock_one(AutopaySetup.objects.all())
    except AutopaySetup.DoesNotExist as missing:
        raise SetupMissingError from missing
    return setup


def _write_entries(run: AutopayRun, chosen: list[Candidate]) -> None:
    entries = AutopayEntry.objects.bulk_create(
        [
            AutopayEntry(
                run=run,
                authorisation=each.authorisation,
                household_id=each.authorisation.household_id,
                notice=each.notice,
                original=(each.again.original or each.again) if each.again else None,
                retry=each.retry,
                amount=each.amount,
                entry_class=filing.class_of(each.authorisation),
                routing_number=each.authorisation.routing_number,
                last_four=each.authorisation.last_four,
            )
            for each in chosen
        ]
    )
    charges = [charge for each in chosen for charge, _ in each.covers]
    before = AutopayCover.objects.filter(charge__in=charges).order_by().values_list("charge_id").annotate(Max("attempt"))
    attempts = dict(before)
    AutopayCover.objects.bulk_create(
        [
            AutopayCover(entry=entry, charge_id=charge, amount=amount, attempt=attempts.get(charge, -1) + 1)
            for entry, each in zip(entries, chosen, strict=True)
            for charge, amount in each.covers
        ]
    )


@transaction.atomic
def approve_run(*, run: AutopayRun, acting_user: User, now: datetime.datetime) -> AutopayRun:
    """Approve a run that another person prepared. Outermost. Raises PermissionDenied, OwnRunError, RunMovedOnError."""
    require(acting_user, "autopay.approve")
    run = lock_one(AutopayRun.objects.filter(pk=run.pk))
    if run.state != State.WAITING:
        raise RunMovedOnError(run, "approved")
    if run.prepared_by_id == acting_user.pk:
        raise OwnRunError(run)
    run.state, run.approved_at, run.approved_by = State.READY, now, acting_user
    run.save(update_fields=["state", "approved_at", "approved_by"])
    return run


@transaction.atomic
def cancel_run(*, run: AutopayRun, acting_user: User, now: datetime.datetime) -> AutopayRun:
    """Give up a run that has not left; what it selected is free again. Outermost. Raises RunMovedOnError."""
    run = lock_one(AutopayRun.objects.filter(pk=run.pk))
    if run.state not in {State.WAITING, State.READY}:
        raise RunMovedOnError(run, "cancelled")
    _drop(AutopayEntry.objects.filter(run=run), "Run cancelled")
    end_run(run, State.CANCELLED, "", acting_user, now)
    return run


def _drop(entries: QuerySet[AutopayEntry], why: str) -> None:
    AutopayCover.objects.filter(entry__in=entries, is_open=True).update(is_open=False)
    entries.update(state=EntryState.DROPPED, dropped_why=why)


def end_run(run: AutopayRun, state: str, note: str, acting_user: User, now: datetime.datetime) -> None:
    """Write down how a locked run ended, by whom and why."""
    run.state, run.ended_at, run.ended_by, run.end_note = state, now, acting_user, note[:200]
    run.save(update_fields=["state", "ended_at", "ended_by", "end_note"])


@transaction.atomic
def let_out(*, run: AutopayRun, acting_user: User, now: datetime.datetime, today: datetime.date) -> AutopayRun:
    """Let a run leave: its debits become payments of the effective day, one deposit and one file, all or nothing, once.

    A run that has left is returned as it stands. Who paid, ended autopay or promised to pay since it was prepared is left out.
    Outermost. Raises RunMovedOnError, TooLateError, NothingToDebitError, MonthClosedError, SealBrokenError, KeyMissingError.
    """
    keys = list(AutopayEntry.objects.filter(run=run).values_list("household_id", flat=True))
    _, runs = lock_rows(Household.objects.filter(pk__in=keys), AutopayRun.objects.filter(pk=run.pk))
    run = runs[0]
    if run.state in {State.SENT, State.SETTLED, State.REFUSED}:
        return run
    if run.state != State.READY:
        raise RunMovedOnError(run, "let out")
    if run.effective_on < rules.banking_day_after(today, 1):
        raise TooLateError(run)
    _leave_out_what_changed(run, today)
    entries = _entries_to_go(run)
    if not entries:
        raise NothingToDebitError(run.effective_on)
    taken = payments.take_debits(
        debits=[(entry.household, entry.amount) for entry in entries],
        received_on=run.effective_on,
        acting_user=acting_user,
        now=now,
    )
    deposit = deposits.make_deposit(
        payments=taken, deposited_on=run.effective_on, kind=Deposit.Kind.DEBITS, acting_user=acting_user, now=now
    )
    for entry, payment in zip(entries, taken, strict=True):
        entry.state, entry.payment = EntryState.SENT, payment
    filing.make_file(run=run, entries=entries, setup=AutopaySetup.objects.get(), made_at=timezone.localtime(now))
    AutopayEntry.objects.bulk_update(entries, ["state", "payment", "trace", "routing_number", "last_four"], batch_size=500)
    AutopayCover.objects.filter(entry__run=run, is_open=True).update(is_open=False)
    AutopayNotice.objects.filter(entries__in=entries).update(closed_at=now)
    run.state, run.sent_at, run.sent_by, run.deposit = State.SENT, now, acting_user, deposit
    run.total, run.entry_count = deposit.amount, len(entries)
    run.save(update_fields=["state", "sent_at", "sent_by", "deposit", "total", "entry_count"])
    return run


def _leave_out_what_changed(run: AutopayRun, today: datetime.date) -> None:
    """Leave out entries whose authorisation ended, whose charges are less open than they were, or whose family has a promise."""
    entries = list(run.entries.filter(state=EntryState.OPEN).select_related("authorisation").prefetch_related("covers"))
    open_now = OpenItem.objects.filter(household_id__in=run.entries.values("household_id"))
    still: dict[int, Decimal] = dict(open_now.values_list("charge_id", "open"))
    paused = why_paused({entry.household_id for entry in entries}, today)
    left_out = defaultdict(list)
    for entry in entries:
        if not entry.authorisation.is_in_force:
            left_out[ENDED].append(entry.pk)
        elif any(still.get(cover.charge_id, ZERO) < cover.amount for cover in entry.covers.all()):
            left_out[OWED_LESS].append(entry.pk)
        elif entry.household_id in paused:
            left_out[paused[entry.household_id]].append(entry.pk)
    for why, keys in left_out.items():
        _drop(AutopayEntry.objects.filter(pk__in=keys), why)


def _entries_to_go(run: AutopayRun) -> list[AutopayEntry]:
    """The entries that leave, in the order of the file: by class, those presented again last."""
    entries = run.entries.filter(state=EntryState.OPEN).select_related("authorisation", "household")
    return sorted(entries, key=lambda entry: (entry.retry > 0, entry.entry_class, entry.pk))


@transaction.atomic
def settle_run(*, run: AutopayRun, acting_user: User, now: datetime.datetime) -> AutopayRun:
    """Note that the bank took the file. Outermost. Raises RunMovedOnError."""
    run = lock_one(AutopayRun.objects.filter(pk=run.pk))
    if run.state != State.SENT:
        raise RunMovedOnError(run, "settled")
    end_run(run, State.SETTLED, "", acting_user, now)
    return run


def settle_matched_runs(*, acting_user: User, now: datetime.datetime) -> int:
    """Settle the runs whose deposit was met by a line of the bank's; return how many. Outermost."""
    met = BankMatch.objects.filter(undone_at=None, deposit__isnull=False).values("deposit_id")
    runs = list(AutopayRun.objects.filter(state=State.SENT, deposit_id__in=met))
    for run in runs:
        settle_run(run=run, acting_user=acting_user, now=now)
    return len(runs)


def close_stale_notices(*, today: datetime.date, now: datetime.datetime) -> int:
    """Close the notices whose day is over by a week: nothing was left to debit, and the next ones may be told."""
    stale = AutopayNotice.objects.filter(closed_at=None, debit_on__lt=today - rules.TOLD_DAYS * rules.DAY)
    return stale.exclude(entries__state=EntryState.OPEN).update(closed_at=now)
