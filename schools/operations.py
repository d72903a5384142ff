"""Every write about schools, their programmes and what these ask a student to bring."""

from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction

from rentals.inventory.models import InstrumentKind, Product
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from schools.models import District, Programme, RequiredItem, School

SCHOOL_FIELDS = ("name", "district", "street", "city", "state", "postal_code", "delivery_weekday", "is_active")
PROGRAMME_FIELDS = ("kind", "starting_grade", "expected_beginners")


class SchoolNameTakenError(Exception):
    """Another school has this name already."""


class ProgrammeExistsError(Exception):
    """The school has a programme of this kind already."""


class RequiredItemChangedError(Exception):
    """Somebody else changed the line of the list since it was shown."""


@dataclass(frozen=True)
class RequiredFacts:
    """What a line asks for: a product of ours or words, how many (1 to 20), who sells it, and what else would do."""

    product: Product | None
    quantity: int
    words: str = ""
    sold_by: str = RequiredItem.SoldBy.US
    choice: int | None = None
    note: str = ""


@transaction.atomic
def add_school(*, fields: dict[str, Any], acting_user: User) -> School:
    """Write a school down, from the fields of SCHOOL_FIELDS. Raises SchoolNameTakenError."""
    return _save_school(School(), fields)


@transaction.atomic
def change_school(*, school_id: int, fields: dict[str, Any], acting_user: User) -> School:
    """Change a school's fields. Raises SchoolNameTakenError."""
    return _save_school(lock_one(School.objects.filter(pk=school_id)), fields)


@transaction.atomic
def add_programme(*, school: School, fields: dict[str, Any], acting_user: User) -> Programme:
    """Give a school a band or an orchestra, from the fields of PROGRAMME_FIELDS. Raises ProgrammeExistsError."""
    return _save_programme(Programme(school=school), fields)


@transaction.atomic
def change_programme(*, programme_id: int, fields: dict[str, Any], acting_user: User) -> Programme:
    """Change when a programme begins and how many it expects. Raises ProgrammeExistsError."""
    return _save_programme(lock_one(Programme.objects.filter(pk=programme_id)), fields)


@transaction.atomic
def put_on_required_list(
    *, programme: Programme, kind: InstrumentKind, facts: RequiredFacts, version: int | None = None, acting_user: User
) -> RequiredItem:
    """Ask students of one kind of instrument to bring something; a product that is on the list already takes the new facts.

    With `version`, the line must still be the one its sender saw. Raises RequiredItemChangedError.
    """
    same = {"product": facts.product} if facts.product else {"product": None, "words": facts.words}
    item = RequiredItem.objects.select_for_update().filter(programme=programme, kind=kind, **same).first()
    if item is None:
        item = RequiredItem(programme=programme, kind=kind, version=0, **same)
    elif version is not None and item.version != version:
        message = f"Somebody changed the line “{item.what}” meanwhile: look at it again."
        raise RequiredItemChangedError(message)
    item.quantity, item.sold_by, item.choice, item.note = facts.quantity, facts.sold_by, facts.choice, facts.note
    item.version += 1
    item.save()
    return item


@transaction.atomic
def copy_required_list(*, source: Programme, target: Programme, acting_user: User) -> int:
    """Add what another programme asks for to a programme's list; what stands there already stays. Returns how many were added."""
    there = set(target.required_items.values_list("kind_id", "product_id", "words"))
    copied = [item for item in source.required_items.order_by("pk") if (item.kind_id, item.product_id, item.words) not in there]
    for item in copied:
        item.pk, item.programme, item.version = None, target, 1
        item._state.adding = True
        item.save()
    return len(copied)


@transaction.atomic
def take_off_required_list(*, item_id: int, acting_user: User) -> None:
    """Take a line off a required list; taken off already is fine too."""
    RequiredItem.objects.filter(pk=item_id).delete()


def ensure_district(name: str) -> District | None:
    """Return the district of this name in whatever case, written down if it is new; none for no name."""
    if not name.strip():
        return None
    known = District.objects.filter(name__iexact=name.strip()).first()
    return known or District.objects.get_or_create(name=name.strip())[0]


def _save_school(school: School, fields: dict[str, Any]) -> School:
    _set(school, {**fields, "district": ensure_district(fields["district"])} if "district" in fields else fields, SCHOOL_FIELDS)
    try:
        with transaction.atomic():
            school.save()
    except IntegrityError as error:
        message = f"There is a school named {school.name} already."
        raise SchoolNameTakenError(message) from error
    return school


def _save_programme(programme: Programme, fields: dict[str, Any]) -> Programme:
    _set(programme, fields, PROGRAMME_FIELDS)
    try:
        with transaction.atomic():
            programme.save()
    except IntegrityError as error:
        message = f"{programme.school} has its {programme.get_kind_display().lower()} already."
        raise ProgrammeExistsError(message) from error
    return programme


def _set(row: School | Programme, fields: dict[str, Any], allowed: tuple[str, ...]) -> None:
    unknown = sorted(set(fields) - set(allowed))
    if unknown:
        message = f"not to be changed here: {', '.join(unknown)}"
        raise ValueError(message)
    for name, value in fields.items():
        setattr(row, name, value)
