"""Notes of calls: writing one, and the list of whom to call today."""

import datetime
from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from billing import aging
from billing.collecting import queries
from billing.models import CallNote, OverdueNotice, OverdueStep
from rentals.families.models import Guardian, Household
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

Outcome = CallNote.Outcome
AGAIN_AFTER_DAYS = {Outcome.NO_ANSWER: 1, Outcome.MESSAGE: 3}
"""When to call again where nobody was reached and no day was written. Common practice, no source."""


class CallSaysTooLittleError(Exception):
    """Somebody was reached, but not who, or what was said."""

    def __init__(self) -> None:
        super().__init__("Write whom you reached and what was said.")


class NextCallPassedError(Exception):
    """The next call lies before this one."""

    def __init__(self) -> None:
        super().__init__("The next call cannot be before tomorrow. Write a later day, or leave it empty.")


@dataclass(frozen=True)
class Call:
    """What is written down of a call."""

    outcome: str
    spoke_with: str = ""
    said: str = ""
    next_call_on: datetime.date | None = None


@transaction.atomic
def note_call(
    *, household: Household, call: Call, acting_user: User, now: datetime.datetime, request_key: UUID | None = None
) -> CallNote:
    """Write down a call. Outermost. Raises CallSaysTooLittleError, NextCallPassedError, RequestKeyReusedError."""
    if request_key is not None:
        request = {"household": household.pk, "outcome": call.outcome, "said": call.said}
        answer = claim_request(key=request_key, purpose="call", request=request, acting_user=acting_user)
        if answer is not None:
            return CallNote.objects.get(pk=answer["call"])
    spoke_with, said = call.spoke_with.strip(), call.said.strip()
    if call.outcome == Outcome.REACHED and not (spoke_with and said):
        raise CallSaysTooLittleError
    today = timezone.localtime(now).date()
    if call.next_call_on is not None and call.next_call_on <= today:
        raise NextCallPassedError
    note = CallNote.objects.create(
        household=household,
        outcome=call.outcome,
        spoke_with=spoke_with,
        said=said,
        next_call_on=call.next_call_on or _call_again_on(call.outcome, today),
        called_at=now,
        called_by=acting_user,
    )
    if request_key is not None:
        keep_answer(key=request_key, answer={"call": note.pk})
    return note


def _call_again_on(outcome: str, today: datetime.date) -> datetime.date | None:
    """Return the next weekday after the usual time where nobody was reached, None otherwise."""
    days = AGAIN_AFTER_DAYS.get(Outcome(outcome))
    if days is None:
        return None
    day = today + datetime.timedelta(days=days)
    return day + datetime.timedelta(days=7 - day.weekday()) if day.weekday() > 4 else day


@dataclass(frozen=True)
class ToCall:
    """A family on the call list: what it owes, whom to ask for at which number, the day it is due, and the last note."""

    household: Household
    guardian: Guardian | None
    since: datetime.date
    days_late: int
    amount: Decimal
    call_on: datetime.date
    last: CallNote | None


def list_calls(*, today: datetime.date) -> list[ToCall]:
    """List whom to call by today, the earliest first: where a step says so and nobody called since, or a next call was written.

    Who has paid, or promised and not broken it, is not called.
    """
    rows = {row.household_id: row for row in aging.list_overdue(today)}
    days = _days_to_call(rows, list_last_notes(rows))
    paused = queries.list_paused(days, today=today)
    wanted = {pk: on for pk, on in days.items() if on <= today and pk not in paused}
    last = list_last_notes(wanted)
    households = Household.objects.in_bulk(list(wanted))
    first: dict[int, Guardian] = {}
    for guardian in Guardian.objects.filter(household__in=households).order_by("-is_primary", "pk"):
        first.setdefault(guardian.household_id, guardian)
    found = [
        ToCall(households[pk], first.get(pk), rows[pk].since, (today - rows[pk].since).days, rows[pk].amount, on, last.get(pk))
        for pk, on in wanted.items()
    ]
    return sorted(found, key=lambda each: (each.call_on, each.since, each.household.pk))


def list_last_notes(household_ids: Collection[int]) -> dict[int, CallNote]:
    """Return the last note of these households."""
    notes = CallNote.objects.filter(household__in=household_ids).select_related("called_by")
    return {each.household_id: each for each in notes.order_by("household", "-called_at", "-pk").distinct("household")}


def _days_to_call(rows: dict[int, aging.Overdue], last: dict[int, CallNote]) -> dict[int, datetime.date]:
    """Return the day on which each of these is to be called, by household; who is not to be called is left out."""
    days = {}
    notices = OverdueNotice.objects.filter(household__in=rows, rule__kind=OverdueStep.Kind.CALL).order_by("made_at")
    for household_id, since, made_at in notices.values_list("household_id", "episode_on", "made_at"):
        note = last.get(household_id)
        if rows[household_id].since == since and (note is None or note.called_at < made_at):
            days[household_id] = timezone.localtime(made_at).date()
    for household_id, note in last.items():
        if note.next_call_on is not None:
            days.setdefault(household_id, note.next_call_on)
    return days
