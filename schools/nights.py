"""Sign-up nights planned, changed, opened and called off, and which there are. Packing stands in `nights_packing`."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Count, Prefetch, Q, QuerySet

from rentals.inventory.models import Location
from rentals.runtime.locks import lock_one
from rentals.staff.models import Role, User
from rentals.staff.operations import claim_request, keep_answer
from schools.models import Night, NightProgramme, NightStaff, NightUnit, Programme, School

WORKS_AT_NIGHTS = (Role.SPECIALIST, Role.MANAGER)
"""Whose roles may sign families up."""


class NightPlannedError(Exception):
    """The school has a night on that day already."""

    def __init__(self, night: Night) -> None:
        self.night = night
        super().__init__(f"{night.school} has a sign-up night on that day already: open that one, or choose another day.")


class NightChangedError(Exception):
    """Somebody changed the night since it was seen."""

    def __init__(self, night: Night) -> None:
        self.night = night
        super().__init__(
            "Somebody changed this night while you were writing. What it says now stands on this page: look, then save again."
        )


class NightOverError(Exception):
    """A night that is closed or called off takes no change."""

    def __init__(self, night: Night) -> None:
        self.night = night
        super().__init__(
            f"The night at {night.school} is {night.get_state_display().lower()}: nothing about it changes any more."
        )


class NightNotForProgrammeError(Exception):
    """A night asks programmes of its school or of the school's district only."""

    def __init__(self, programme: Programme) -> None:
        self.programme = programme
        super().__init__(f"{programme} belongs to another district: plan a night of its own for it.")


class NightHasInstrumentsError(Exception):
    """A night that has instruments along, or gave some out, is not called off."""

    def __init__(self, night: Night, along: int, given: int) -> None:
        self.night, self.along, self.given = night, along, given
        super().__init__(
            f"{given} instrument{'' if given == 1 else 's'} went to families at this night: close it instead of calling it off."
            if given
            else f"{along} instrument{' is' if along == 1 else 's are'} in the van for it: unload first, then call it off."
        )


@dataclass(frozen=True)
class NightFacts:
    """What is written down about a night. `lead` is one of `staff`, or None; times are the shop's local time."""

    on: datetime.date
    begins_at: datetime.time
    ends_at: datetime.time
    room: str
    expected_families: int
    location: Location
    programmes: Sequence[Programme]
    staff: Sequence[User]
    lead: User | None
    notes: str = ""

    def as_request(self) -> dict[str, object]:
        """Give it as plain data, to tell a form sent again from another one."""
        return {
            **{name: getattr(self, name) for name in ("on", "begins_at", "ends_at", "room", "expected_families", "notes")},
            "location": self.location.pk,
            "programmes": sorted(each.pk for each in self.programmes),
            "staff": sorted(each.pk for each in self.staff),
            "lead": self.lead.pk if self.lead else None,
        }


ROW = ("on", "begins_at", "ends_at", "room", "expected_families", "location", "notes")


@transaction.atomic
def plan_night(*, school: School, facts: NightFacts, request_key: UUID, acting_user: User, now: datetime.datetime) -> Night:
    """Plan a night at a school and return it; the same request sent again gives the night made before.

    Raises NightPlannedError, NightNotForProgrammeError, RequestKeyReusedError.
    """
    request = {"school": school.pk, **facts.as_request()}
    answer = claim_request(key=request_key, purpose="plan_night", request=request, acting_user=acting_user)
    if answer is not None:
        return Night.objects.get(pk=answer["night"])
    night = Night(school=school, made_at=now, made_by=acting_user)
    _save(night, facts)
    keep_answer(key=request_key, answer={"night": night.pk})
    return night


@transaction.atomic
def change_night(*, night: Night, version: int, facts: NightFacts, acting_user: User) -> Night:
    """Change what is written about a night as it was when it had `version`; its school never changes.

    Raises NightOverError, NightChangedError, NightPlannedError, NightNotForProgrammeError.
    """
    current = lock_night(night)
    if current.version != version:
        raise NightChangedError(current)
    current.version += 1
    _save(current, facts)
    return current


def lock_night(night: Night, *, strength: str = "update") -> Night:
    """Lock a night that is not over and return it with school and location. Raises NightOverError, RowsBusyError."""
    current: Night = lock_one(Night.objects.select_related("school", "location").filter(pk=night.pk), strength=strength)
    if current.is_over:
        raise NightOverError(current)
    return current


def open_if_planned(night: Night, now: datetime.datetime) -> None:
    """Open a locked night that is still planned: the first instrument in the van, or the first family, opens it too."""
    if night.state == Night.State.PLANNED:
        night.state, night.opened_at = Night.State.OPEN, now
        night.save(update_fields=["state", "opened_at"])


@transaction.atomic
def call_off_night(*, night: Night, version: int, acting_user: User, now: datetime.datetime) -> Night:
    """Call a night off; one called off already stays as it is. One that was opened may be called off while nothing is along.

    Raises NightOverError (it was closed), NightChangedError, NightHasInstrumentsError.
    """
    current: Night = lock_one(Night.objects.select_related("school", "location").filter(pk=night.pk))
    if current.state == Night.State.CALLED_OFF:
        return current
    if current.is_over:
        raise NightOverError(current)
    if current.version != version:
        raise NightChangedError(current)
    along = current.units.filter(ended_at=None).count()
    given = current.units.filter(outcome=NightUnit.Outcome.GIVEN).count()
    if along or given:
        raise NightHasInstrumentsError(current, along, given)
    current.state, current.opened_at = Night.State.CALLED_OFF, None
    current.ended_at, current.ended_by, current.version = now, acting_user, current.version + 1
    current.save(update_fields=["state", "opened_at", "ended_at", "ended_by", "version"])
    return current


def _save(night: Night, facts: NightFacts) -> None:
    offered = set(list_programmes_for(night.school).values_list("pk", flat=True))
    for programme in facts.programmes:
        if programme.pk not in offered:
            raise NightNotForProgrammeError(programme)
    for name in ROW:
        setattr(night, name, getattr(facts, name))
    try:
        with transaction.atomic():
            night.save()
    except IntegrityError as error:
        other = Night.objects.filter(school=night.school_id, on=night.on).exclude(state=Night.State.CALLED_OFF)
        earlier = other.exclude(pk=night.pk).select_related("school").first()
        if earlier is None:
            raise
        raise NightPlannedError(earlier) from error
    wanted = {each.pk for each in facts.programmes}
    NightProgramme.objects.filter(night=night).exclude(programme__in=wanted).delete()
    there = set(NightProgramme.objects.filter(night=night).values_list("programme", flat=True))
    NightProgramme.objects.bulk_create(NightProgramme(night=night, programme_id=pk) for pk in sorted(wanted - there))
    NightStaff.objects.filter(night=night).delete()
    lead = facts.lead.pk if facts.lead else None
    NightStaff.objects.bulk_create(NightStaff(night=night, user=each, is_lead=each.pk == lead) for each in facts.staff)


def list_programmes_for(school: School) -> QuerySet[Programme]:
    """Return the programmes whose families a night at a school may ask: its own, and those of schools of its district."""
    asked = Q(school=school)
    if school.district:
        asked |= Q(school__district=school.district, school__is_active=True)
    return Programme.objects.filter(asked).select_related("school").order_by("school__name", "kind")


def list_staff() -> QuerySet[User]:
    """Return the people who may work at a night, by name."""
    return User.objects.filter(role__in=WORKS_AT_NIGHTS, is_active=True).order_by("name", "pk")


def list_nights() -> QuerySet[Night]:
    """Return all nights with school, location, staff, and how many instruments are `along`, were `given` and are `missing`."""
    counted = Night.objects.select_related("school", "location").annotate(
        along=Count("units", filter=Q(units__ended_at=None)),
        given=Count("units", filter=Q(units__outcome=NightUnit.Outcome.GIVEN)),
        missing=Count("units", filter=Q(units__outcome=NightUnit.Outcome.MISSING)),
    )
    people = NightStaff.objects.select_related("user").order_by("-is_lead", "user__name")
    return counted.prefetch_related(Prefetch("staff", queryset=people)).order_by("-on", "school__name", "pk")


def list_nights_of(user: User) -> QuerySet[Night]:
    """Return the nights where `user` signs families up: those they are on the staff of; all of them for a manager."""
    rows = Night.objects.select_related("school")
    return rows if user.role == Role.MANAGER else rows.filter(pk__in=NightStaff.objects.filter(user=user).values("night"))


def list_along(night: Night) -> QuerySet[NightUnit]:
    """Return what is along at a night and free, each with its instrument, item and kind, by kind, size and tag."""
    along = NightUnit.objects.filter(night=night, ended_at=None).select_related("instrument__item__kind")
    return along.order_by("instrument__item__kind__order", "instrument__item__size", "instrument__asset_tag")
