"""Promises to pay and payment plans: making one, ending one, and writing down how those ended whose day has passed."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.db.models import Sum
from django.db.models.functions import Coalesce

from billing.collecting import parts, queries, steps
from billing.models import Arrangement, Instalment, OpenItem
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


class NothingPastDueError(Exception):
    """The family owes nothing that is due."""

    def __init__(self, household: Household) -> None:
        super().__init__(f"The {household.name} family owes nothing that is due today, so there is nothing to promise.")


class PastDueChangedError(Exception):
    """What is past due is not what was shown."""

    def __init__(self, shown: Decimal, owed: Decimal) -> None:
        super().__init__(f"Meanwhile {written(owed)} is past due, not {written(shown)}. Look again, then decide.")
        self.shown, self.owed = shown, owed


class MoreThanPastDueError(Exception):
    """More is promised than is past due."""

    def __init__(self, amount: Decimal, owed: Decimal) -> None:
        super().__init__(f"{written(amount)} is more than the {written(owed)} that is past due. Promise at most that.")
        self.amount, self.owed = amount, owed


class ArrangementRunsError(Exception):
    """There is one already."""

    def __init__(self, arrangement: Arrangement, last_on: datetime.date) -> None:
        kind = arrangement.get_kind_display().lower()
        super().__init__(
            f"A {kind} of {written(arrangement.amount)} until {written_day(last_on)} runs already. "
            "Withdraw it first, with the reason."
        )
        self.arrangement = arrangement


class ArrangementEndedError(Exception):
    """It has ended meanwhile."""

    def __init__(self, arrangement: Arrangement) -> None:
        super().__init__(f"This {arrangement.get_kind_display().lower()} has ended: {arrangement.get_ending_display().lower()}.")
        self.arrangement = arrangement


class DayDoesNotFitError(Exception):
    """The first day has passed, or lies too far ahead."""

    def __init__(self, day: datetime.date, latest: datetime.date) -> None:
        super().__init__(f"{written_day(day)} cannot be promised: write a day from today through {written_day(latest)}.")


FURTHEST_DAYS = 120
"""No first day lies further ahead: by then it is no promise. Common practice, no source."""


@dataclass(frozen=True)
class Promised:
    """What the family said: who, how much on which days (all parts together), and what was `shown` as past due."""

    kind: str
    promised_by: str
    parts: tuple[tuple[datetime.date, Decimal], ...]
    shown: Decimal
    note: str = ""

    @property
    def amount(self) -> Decimal:
        """All parts together."""
        return sum((amount for _, amount in self.parts), ZERO)


def sum_past_due(household_id: int, *, today: datetime.date) -> Decimal:
    """Return what is due by today, today included, and unpaid."""
    items = OpenItem.objects.filter(household=household_id, due_on__lte=today)
    owed: Decimal = items.aggregate(owed=Coalesce(Sum("open"), ZERO))["owed"]
    return owed


@transaction.atomic
def arrange(
    *,
    household: Household,
    promised: Promised,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
    request_key: UUID | None = None,
) -> Arrangement:
    """Write down a promise or a plan; an earlier one whose day has passed is ended first. Return the arrangement.

    A plan is for all that is past due. Outermost. Raises NothingPastDueError, PastDueChangedError, MoreThanPastDueError,
    ArrangementRunsError, DayDoesNotFitError, RequestKeyReusedError.
    """
    if request_key is not None:
        request = {"household": household.pk, "kind": promised.kind, "parts": [f"{on} {amount}" for on, amount in promised.parts]}
        answer = claim_request(key=request_key, purpose="arrangement", request=request, acting_user=acting_user)
        if answer is not None:
            return Arrangement.objects.get(pk=answer["arrangement"])
    locked = lock_one(Household.objects.filter(pk=household.pk))
    _make_room(locked, acting_user=acting_user, now=now, today=today)
    owed = sum_past_due(locked.pk, today=today)
    _check(locked, promised, owed, today)
    arrangement = Arrangement.objects.create(
        household=locked,
        kind=promised.kind,
        amount=promised.amount,
        owed=owed,
        promised_by=promised.promised_by,
        note=promised.note,
        grace_days=steps.get_version().grace_days,
        made_on=today,
        made_at=now,
        made_by=acting_user,
    )
    Instalment.objects.bulk_create(
        Instalment(arrangement=arrangement, position=n, due_on=on, amount=amount)
        for n, (on, amount) in enumerate(promised.parts, start=1)
    )
    if request_key is not None:
        keep_answer(key=request_key, answer={"arrangement": arrangement.pk})
    return arrangement


def plan_parts(owed: Decimal, *, count: int, first_on: datetime.date, every: str) -> tuple[tuple[datetime.date, Decimal], ...]:
    """Part a debt into installments with their days; they add up to it to the cent."""
    return tuple(zip(parts.list_days(first_on, count, every), parts.split_evenly(owed, count), strict=True))


def check_first_day(first_on: datetime.date, *, today: datetime.date) -> None:
    """Raise DayDoesNotFitError unless the first day of a promise or plan lies between today and `FURTHEST_DAYS` ahead."""
    latest = today + datetime.timedelta(days=FURTHEST_DAYS)
    if not today <= first_on <= latest:
        raise DayDoesNotFitError(first_on, latest)


@transaction.atomic
def withdraw(
    *, arrangement: Arrangement, why: str, acting_user: User, now: datetime.datetime, today: datetime.date
) -> Arrangement:
    """End an arrangement that runs, with the reason: the steps go on. Outermost. Raises ArrangementEndedError."""
    lock_one(Household.objects.filter(pk=arrangement.household_id))
    locked: Arrangement = lock_one(Arrangement.objects.filter(pk=arrangement.pk))
    if locked.ended_at is not None:
        raise ArrangementEndedError(locked)
    _end(locked, Arrangement.Ending.WITHDRAWN, why=why, acting_user=acting_user, now=now, today=today)
    return locked


def settle_arrangements(*, acting_user: User, now: datetime.datetime, today: datetime.date) -> int:
    """Write down how those ended whose day has passed, or whose plan is paid; return how many. May be repeated.

    Outermost: a transaction for each household.
    """
    opened = list(Arrangement.objects.filter(ended_at=None).order_by("pk"))
    over = [each.arrangement for each in queries.list_standings(opened, today=today) if not each.runs] if opened else []
    return sum(_settle(each, acting_user=acting_user, now=now, today=today) for each in over)


@transaction.atomic
def _settle(arrangement: Arrangement, *, acting_user: User, now: datetime.datetime, today: datetime.date) -> bool:
    lock_one(Household.objects.filter(pk=arrangement.household_id))
    locked: Arrangement = lock_one(Arrangement.objects.filter(pk=arrangement.pk))
    if locked.ended_at is not None:
        return False
    standing = queries.list_standings([locked], today=today)[0]
    if standing.runs:
        return False
    _end(locked, standing.ending, acting_user=acting_user, now=now, today=today)
    return True


def _make_room(household: Household, *, acting_user: User, now: datetime.datetime, today: datetime.date) -> None:
    """End the open arrangement when its day has passed. Raises ArrangementRunsError."""
    for standing in queries.list_standings(list(household.arrangements.filter(ended_at=None)), today=today):
        if standing.runs:
            raise ArrangementRunsError(standing.arrangement, standing.parts[-1].part.due_on)
        _end(standing.arrangement, standing.ending, acting_user=acting_user, now=now, today=today)


def _check(household: Household, promised: Promised, owed: Decimal, today: datetime.date) -> None:
    if owed <= 0:
        raise NothingPastDueError(household)
    if promised.shown != owed:
        raise PastDueChangedError(promised.shown, owed)
    if promised.amount > owed:
        raise MoreThanPastDueError(promised.amount, owed)
    check_first_day(promised.parts[0][0], today=today)


def _end(
    arrangement: Arrangement,
    ending: str,
    *,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
    why: str = "",
) -> None:
    arrangement.ended_on, arrangement.ended_at, arrangement.ended_by = today, now, acting_user
    arrangement.ending, arrangement.why = ending, why
    arrangement.save(update_fields=["ended_on", "ended_at", "ended_by", "ending", "why"])
