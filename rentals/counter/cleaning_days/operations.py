"""A school's cleaning day: planned, scanned in, cleaned, scanned back, closed. Each function is one transaction."""

import datetime
import uuid

from django.db import IntegrityError, transaction

from rentals.counter.bench.refusals import REFUSALS
from rentals.counter.bench.verdicts import Verdict
from rentals.counter.cleaning_days import scans
from rentals.counter.cleaning_days.workload import list_due
from rentals.inventory.models import Location
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools.models import CleaningDay, CleaningVisit, School


class DayPlannedError(Exception):
    """The school has a cleaning day on that day already."""

    def __init__(self, day: CleaningDay) -> None:
        self.day = day
        super().__init__(f"{day.school} has a cleaning day on that day already: open that one, or choose another day.")


class DayOverError(Exception):
    """A day that is over takes no more scans."""

    def __init__(self, day: CleaningDay) -> None:
        self.day = day
        super().__init__(f"The cleaning day of {day.school} is over: open it again first.")


@transaction.atomic
def plan_day(
    *,
    school: School,
    on: datetime.date,
    due_until: datetime.date,
    location: Location,
    acting_user: User,
    now: datetime.datetime,
) -> CleaningDay:
    """Plan a school's cleaning day, with what is due there on or before `due_until` expected. Raises DayPlannedError."""
    try:
        with transaction.atomic():
            day = CleaningDay.objects.create(
                school=school, on=on, due_until=due_until, location=location, made_at=now, made_by=acting_user
            )
    except IntegrityError as error:
        earlier = CleaningDay.objects.filter(school=school, on=on).select_related("school").first()
        if earlier is None:
            raise
        raise DayPlannedError(earlier) from error
    _expect(day)
    return day


@transaction.atomic
def bring_up_to_date(*, day: CleaningDay, acting_user: User) -> int:
    """Expect what has become due since, leave out what is no longer; return how many are expected. Raises DayOverError."""
    current = lock_day(day)
    due = {unit.pk for unit in list_due(on=current.due_until, school=current.school_id)}
    CleaningVisit.objects.filter(day=current, came_at=None).exclude(instrument__in=due).delete()
    _expect(current)
    return CleaningVisit.objects.filter(day=current, is_expected=True).count()


def _expect(day: CleaningDay) -> None:
    there = set(CleaningVisit.objects.filter(day=day).values_list("instrument", flat=True))
    due = [unit.pk for unit in list_due(on=day.due_until, school=day.school_id) if unit.pk not in there]
    CleaningVisit.objects.bulk_create(CleaningVisit(day=day, instrument_id=each, is_expected=True) for each in due)


def lock_day(day: CleaningDay) -> CleaningDay:
    """Lock a day, so that two people scanning into it take turns; return it. Raises DayOverError."""
    current: CleaningDay = lock_one(CleaningDay.objects.select_related("school", "location").filter(pk=day.pk))
    if current.closed_at:
        raise DayOverError(current)
    return current


@transaction.atomic
def scan(
    *, day: CleaningDay, code: str, step: str, hand: str, key: uuid.UUID, acting_user: User, now: datetime.datetime
) -> Verdict:
    """Take one scan of a day and answer it: come in, cleaned or going back, as `step` says.

    `hand`: the tag of a doubtful instrument that a card may take in all the same. The same key again gives the same answer and
    does nothing new. What cannot be done is told in the verdict. Raises DayOverError, RequestKeyReusedError.
    """
    earlier = claim_request(
        key=key,
        purpose="cleaning day scan",
        request={"day": day.pk, "code": code, "step": step, "hand": hand},
        acting_user=acting_user,
    )
    if earlier is not None:
        return Verdict.of(earlier)
    current = lock_day(day)
    try:
        with transaction.atomic():
            verdict = scans.answer(day=current, code=code, step=step, hand=hand, acting_user=acting_user, now=now)
    except REFUSALS as error:
        verdict = Verdict("bad", str(error))
    keep_answer(key=key, answer=verdict.as_dict())
    return verdict


@transaction.atomic
def undo(*, visit: CleaningVisit, step: str, acting_user: User, now: datetime.datetime) -> Verdict:
    """Take back the last step of one instrument, if it still is its last: what was scanned by mistake. Raises DayOverError."""
    day = lock_day(visit.day)
    try:
        with transaction.atomic():
            return scans.take_back(day=day, visit=visit, step=step, acting_user=acting_user, now=now)
    except REFUSALS as error:
        return Verdict("bad", str(error))


@transaction.atomic
def close_day(*, day: CleaningDay, acting_user: User, now: datetime.datetime) -> CleaningDay:
    """Close a day: who did not come stays on its list as missed. Raises DayOverError."""
    current = lock_day(day)
    current.closed_at, current.closed_by = now, acting_user
    current.save(update_fields=["closed_at", "closed_by"])
    return current


@transaction.atomic
def open_again(*, day: CleaningDay, acting_user: User) -> CleaningDay:
    """Open a day again that was closed too early."""
    current: CleaningDay = lock_one(CleaningDay.objects.filter(pk=day.pk))
    current.closed_at, current.closed_by = None, None
    current.save(update_fields=["closed_at", "closed_by"])
    return current
