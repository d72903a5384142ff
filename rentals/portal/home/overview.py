"""The overview before a form is sent: what was answered on each page, in the family's language, and where to change it."""

from dataclasses import dataclass

from django.urls import reverse

from rentals.families.forms import GRADES
from rentals.portal.models import HomeForm, NightDoor
from rentals.portal.words import say
from rentals.runtime.templatetags.office import phone


@dataclass(frozen=True)
class Row:
    """The answers of one page: what they are about, line by line, and the address of the page."""

    what: str
    lines: list[str]
    url: str


def list_rows(form: HomeForm, door: NightDoor, pages: tuple[str, ...]) -> list[Row]:
    """Return a row for each page, in order."""
    return [
        Row(
            say(_WHAT[page]),
            [line for line in _lines(form, page) if line],
            reverse("home_page", args=[door.code, form.place, page]),
        )
        for page in pages
    ]


def _lines(form: HomeForm, page: str) -> list[str]:
    family = form.family
    grades = {int(value): label for value, label in GRADES if value}
    wishes = {"yes": "Yes, with protection", "no": "No, without protection", "ask": "I want to hear more first"}
    lines: dict[str, list[str]] = {
        "who": [f"{family.given_name} {family.family_name}"],
        "reach": [phone(family.phone), family.email],
        "street": [" ".join(part for part in (family.street, family.unit) if part)],
        "town": [f"{family.city}, {family.state} {family.postal_code}"],
        "student": [f"{form.given_name} {form.family_name}", say(grades[form.grade]) if form.grade is not None else ""],
        "program": [say(form.programme.get_kind_display())] if form.programme else [],
        "instrument": [say(form.kind.name if form.kind else "I am not sure yet")],
        "size": [form.size or say("I do not know")],
        "protection": [say(wishes[form.protection])] if form.protection else [],
    }
    return lines[page]


_WHAT = {
    "who": "Parent or guardian",
    "reach": "How we reach you",
    "street": "Street",
    "town": "Town",
    "student": "Student",
    "program": "Program",
    "instrument": "Instrument",
    "size": "Size",
    "protection": "Protection",
}
