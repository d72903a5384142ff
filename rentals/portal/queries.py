"""Reads about doors and forms from home. Others ask `list_home_forms` and `find_home_form`."""

import datetime
import uuid
from typing import Any

from django.db.models import QuerySet

from rentals.inventory.models import InstrumentKind
from rentals.portal import rules
from rentals.portal.models import HomeFamily, HomeForm, NightDoor
from schools.models import Night, Programme


def get_door(code: str) -> NightDoor | None:
    """Return the door of a code, with its night and school; None for a code that names none."""
    return NightDoor.objects.filter(code=code).select_related("night__school", "night__location").first()


def is_open(door: NightDoor, *, today: datetime.date) -> bool:
    """Tell whether families may still fill in and change: until the night is over."""
    return door.closed_at is None and not door.night.is_over and door.night.on >= today


def list_programmes(night: Night) -> list[Programme]:
    """List the programmes whose families are asked, by kind."""
    return list(night.programmes.select_related("school").order_by("school__name", "kind"))


def list_kinds() -> list[InstrumentKind]:
    """List the kinds of instrument that are rented at all."""
    return list(InstrumentKind.objects.filter(items__is_active=True).distinct().order_by("order", "name"))


def list_forms(browser: uuid.UUID, door: NightDoor) -> list[HomeForm]:
    """List what one browser filled in for a night, the first child first; one query."""
    forms = HomeForm.objects.filter(family__browser=browser, family__door=door)
    return list(forms.select_related("family", "kind", "programme__school").order_by("place"))


def list_waiting(night: Night) -> QuerySet[HomeForm]:
    """List a night's finished forms, used ones too, by family name and child; with family, kind and programme."""
    forms = HomeForm.objects.filter(family__door__night=night, finished_at__isnull=False)
    return forms.select_related("family", "kind", "programme").order_by("family__family_name", "family__pk", "place")


def list_home_forms(night: Night) -> list[dict[str, Any]]:
    """List the finished forms of a night that no sign-up has used yet, as a tablet takes them along; one query.

    Each: code ("K7QX", the second child's "K7QX-2"), language ("en", "es"), household (name, street, unit, city, state,
    postal_code), guardian (given_name, family_name, phone in E.164 or "", email), student (given_name, family_name, grade or
    None, programme id), kind (a kind's code, "" for not sure), size ("" for not sure), protection ("yes", "no", "ask"),
    finished_at (ISO).
    """
    return [as_dict(form) for form in list_waiting(night).filter(used_at=None)]


def find_home_form(night: Night, text: str) -> list[HomeForm]:
    """Find a night's finished forms by a family's code (all of its children; "K7QX-2" that one) or by a part of a last name.

    Fewer than two letters find nothing.
    """
    forms = list_waiting(night)
    read = rules.read_code(text)
    if read:
        found = forms.filter(family__code=read[0])
        by_code = list(found if read[1] is None else found.filter(place=read[1]))
        if by_code:
            return by_code
    name = " ".join(text.split())
    return list(forms.filter(family__family_name__icontains=name)[:20]) if len(name) >= 2 else []


def as_dict(form: HomeForm) -> dict[str, Any]:
    """Return a form as `list_home_forms` gives it."""
    family = form.family
    household = {name: getattr(family, name) for name in ("street", "unit", "city", "state", "postal_code")}
    student = {"given_name": form.given_name, "family_name": form.family_name, "grade": form.grade}
    return {
        "code": form.code,
        "language": family.language,
        "household": {"name": family.family_name, **household},
        "guardian": {name: getattr(family, name) for name in ("given_name", "family_name", "phone", "email")},
        "student": {**student, "programme": form.programme_id},
        "kind": form.kind_id or "",
        "size": form.size,
        "protection": form.protection,
        "finished_at": form.finished_at.isoformat() if form.finished_at else "",
    }


def get_family(browser: uuid.UUID, door: NightDoor) -> HomeFamily | None:
    """Return the family of a browser at this door."""
    return HomeFamily.objects.filter(browser=browser, door=door).first()


def count_unfinished(night: Night) -> int:
    """Count the families that began a form and have not sent one."""
    return HomeFamily.objects.filter(door__night=night, code=None).count()
