"""Who of the office spoke with whom of a school, about what, and what is to be done next by which day."""

from dataclasses import asdict, dataclass
from datetime import date, datetime
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet

from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools.models import Contact, School


class NoNextStepError(Exception):
    """The talk left nothing to be done."""


@dataclass(frozen=True)
class ContactFacts:
    """What is written down about a talk; `next_step` and its day `next_on` come together or not at all."""

    with_whom: str
    how: str
    on: date
    about: str
    next_step: str
    next_on: date | None


def list_contacts(school_id: int) -> QuerySet[Contact]:
    """List the talks with a school, the latest first, each with who wrote it down and who did the next step."""
    return Contact.objects.filter(school=school_id).select_related("made_by", "done_by").order_by("-on", "-pk")


def list_next_steps() -> QuerySet[Contact]:
    """List what is still to be done, the most urgent first, each with its school and who wrote it down."""
    steps = Contact.objects.filter(done_at=None, next_on__isnull=False)
    return steps.select_related("school", "made_by").order_by("next_on", "school__name", "pk")


def count_due(today: date) -> int:
    """Count what is to be done by a day."""
    return list_next_steps().filter(next_on__lte=today).count()


@transaction.atomic
def write_contact_down(*, school: School, facts: ContactFacts, request_key: UUID, acting_user: User, now: datetime) -> Contact:
    """Write a talk down, once for each key. Raises RequestKeyReusedError."""
    request = {"school": school.pk, **{name: str(value) for name, value in asdict(facts).items()}}
    answer = claim_request(key=request_key, purpose="write_contact_down", request=request, acting_user=acting_user)
    if answer is not None:
        return Contact.objects.get(pk=answer["contact"])
    made = Contact.objects.create(school=school, **asdict(facts), made_at=now, made_by=acting_user)
    keep_answer(key=request_key, answer={"contact": made.pk})
    return made


@transaction.atomic
def tick_off(*, contact_id: int, acting_user: User, now: datetime) -> Contact:
    """Tick a next step off; who ticked it first stays written. Raises NoNextStepError."""
    contact: Contact = lock_one(Contact.objects.filter(pk=contact_id))
    if not contact.next_step:
        message = f"The talk with {contact.with_whom} left nothing to be done."
        raise NoNextStepError(message)
    if contact.done_at is None:
        contact.done_at, contact.done_by = now, acting_user
        contact.save(update_fields=["done_at", "done_by"])
    return contact
