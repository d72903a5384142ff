"""Directors: who directs what, and on whose word they may see who in their programmes has which instrument."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Prefetch, QuerySet

from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.people import end_sessions
from schools.models import Director, DirectorProgramme, Programme, RosterConsent

WORDS_VERSION = "2026-11"
WORDS = (
    "The school agrees that the director named here may see, for the students of the programmes the director teaches: the"
    " student's name and school year, which instrument the student has, and when it is fetched or brought. No addresses,"
    " telephone numbers, guardians or money. The school has told families what it treats as directory information and keeps the"
    " names of those who said no; it may withdraw this at any time, and the director's sign-in ends the same moment."
)
CAUTION = (
    "A school may pass on directory information only after notice to families and a chance to say no, and anything more needs"
    " their consent (FERPA, 34 CFR 99.3 and 99.37). Data about children comes from parents or the school, never from a child"
    " online (COPPA, 16 CFR 312)."
)


class DirectorChangedError(Exception):
    """Somebody else changed the director since the form was opened."""


class ConsentInForceError(Exception):
    """A consent is in force already: withdraw it before another is written down."""


class NoConsentError(Exception):
    """Nothing is agreed, or what was agreed is withdrawn."""


@dataclass(frozen=True)
class DirectorFacts:
    """What is written down about a director; `since_on` and `until_on` are whole days, the last one included."""

    name: str
    email: str
    phone: str
    programmes: Sequence[Programme]
    since_on: date | None
    until_on: date | None


def list_directors(school_id: int) -> list[Director]:
    """List who directs a school's programmes, those who left last, each with programmes and consents (newest first)."""
    programmes = Programme.objects.select_related("school").order_by("school__name", "kind")
    consents = RosterConsent.objects.select_related("recorded_by", "withdrawn_by")
    directors = Director.objects.filter(programmes__school=school_id).distinct().order_by("name", "pk")
    directors = directors.prefetch_related(Prefetch("programmes", queryset=programmes), Prefetch("consents", queryset=consents))
    return sorted(directors, key=lambda director: director.until_on is not None)


def list_programmes_near(school_id: int) -> QuerySet[Programme]:
    """List the programmes a director of this school may have: all of schools that are served, the school's own included."""
    served = Programme.objects.filter(school__is_active=True) | Programme.objects.filter(school=school_id)
    return served.select_related("school").order_by("school__name", "kind")


def consent_in_force(director_id: int) -> RosterConsent | None:
    """Return what stands agreed for a director, if anything does."""
    return RosterConsent.objects.filter(director_id=director_id, withdrawn_at=None).first()


@transaction.atomic
def add_director(*, facts: DirectorFacts, today: date, acting_user: User) -> Director:
    """Write a director down."""
    return _save(Director(), facts, today)


@transaction.atomic
def change_director(*, director_id: int, facts: DirectorFacts, version: int, today: date, acting_user: User) -> Director:
    """Change a director; one whose last day is over can no longer sign in. Raises DirectorChangedError."""
    director = _lock(director_id)
    if director.version != version:
        message = f"Somebody changed {director.name} while you wrote. Look at what it says now, and write yours again."
        raise DirectorChangedError(message)
    director.version += 1
    return _save(director, facts, today)


@transaction.atomic
def record_consent(*, director_id: int, agreed_by: str, agreed_on: date, acting_user: User, now: datetime) -> RosterConsent:
    """Write down that a school agreed, in today's words. Raises ConsentInForceError."""
    director = _lock(director_id)
    if consent_in_force(director_id):
        message = f"{director.name} has the school's consent already. Withdraw it first if the words have changed."
        raise ConsentInForceError(message)
    return RosterConsent.objects.create(
        director=director,
        agreed_by=agreed_by,
        agreed_on=agreed_on,
        words=WORDS,
        words_version=WORDS_VERSION,
        recorded_at=now,
        recorded_by=acting_user,
    )


@transaction.atomic
def withdraw_consent(*, director_id: int, why: str, acting_user: User, now: datetime) -> RosterConsent:
    """Withdraw what was agreed and end the director's sign-in at once, with every session. Raises NoConsentError."""
    director = _lock(director_id)
    consent = consent_in_force(director_id)
    if consent is None:
        message = f"Nothing is agreed for {director.name} any more."
        raise NoConsentError(message)
    consent.withdrawn_at, consent.withdrawn_by, consent.withdrawn_why = now, acting_user, why
    consent.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_why"])
    _end_sign_in(director)
    return consent


def _save(director: Director, facts: DirectorFacts, today: date) -> Director:
    for name in ("name", "email", "phone", "since_on", "until_on"):
        setattr(director, name, getattr(facts, name))
    director.save()
    wanted = {programme.pk for programme in facts.programmes}
    there = set(DirectorProgramme.objects.filter(director=director).values_list("programme_id", flat=True))
    DirectorProgramme.objects.filter(director=director, programme_id__in=there - wanted).delete()
    DirectorProgramme.objects.bulk_create(DirectorProgramme(director=director, programme_id=pk) for pk in sorted(wanted - there))
    if director.until_on is not None and director.until_on < today:
        _end_sign_in(director)
    return director


def _end_sign_in(director: Director) -> None:
    if director.user is None:
        return
    director.user.is_active = False
    director.user.save(update_fields=["is_active"])
    end_sessions(director.user)


def _lock(director_id: int) -> Director:
    director: Director = lock_one(Director.objects.filter(pk=director_id))
    return director
