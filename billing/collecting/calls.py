"""Notes of calls: writing one, and when to call again. Whom to call today says `call_list`."""

import datetime
from dataclasses import dataclass
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from billing.models import CallNote
from rentals.families.models import Household
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
    today = timezone.localdate(now)
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
