"""The agreement's text as a form with marks, so that a tablet without a network can fill it in; `fill` is how, word for word.

The form is made by `wording.agreement_sections` itself, with marks in the place of facts, so the two cannot say different things.
Paragraphs stand once in a list; a section names its own by their place there. A paragraph that is one mark of a choice,
`{{family}}`, is the paragraph that the choice gives; in it, and everywhere else, marks are replaced by facts as they are.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from rentals.agreements import wording
from rentals.agreements.models import Agreement
from rentals.agreements.quotes import Quote
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import Instrument
from rentals.runtime.templatetags.office import money
from rentals.staff.models import Office

MARK = re.compile(r"\{\{(\w+)\}\}")
CHOICES = ("family", "student_line", "unit", "condition", "receipt", "due")
"""Paragraphs that depend on the family, the student, the instrument or the goods taken along."""


class UnknownMarkError(KeyError):
    """A text has a mark that no fact answers."""


@dataclass
class FormOfText:
    """A form while it is made: its paragraphs, each once, and what the choices give."""

    choices: dict[str, dict[str, str]]
    paragraphs: list[str] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)

    def add(self, quote: Quote, office: Office | None, received_at: str) -> list[list[int]]:
        """Add the text of a quote without goods; return its sections: each a list of places, the heading's first."""
        sections = wording.agreement_sections(quote, _marked(office, received_at))
        return [[self._place(words) for words in _lines(n, section)] for n, section in enumerate(sections)]

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {"version": wording.TEXT_VERSION, "paragraphs": self.paragraphs, "choices": self.choices}

    def _place(self, words: str) -> int:
        if words not in self.places:
            self.places[words] = len(self.paragraphs)
            self.paragraphs.append(words)
        return self.places[words]


def begin(received_at: str, starts_on: date) -> FormOfText:
    """Begin the form of a night's texts: where instruments are received, and the day agreements begin."""
    home = Household(street="{{street}}", city="{{city}}", state="{{state}}", postal_code="{{postal_code}}")
    who = "{{guardian}}"
    family = wording.family_at_home(home, who, "{{reached}}")
    receipts = {
        ("assigned" if assigned else "none"): wording.receipt_in_words(received_at, starts_on, assigned=assigned)
        for assigned in (True, False)
    }
    return FormOfText(
        {
            "family": {"new": family, "known": wording.family_by_number(who, "{{number}}")},
            "student_line": {
                "alone": wording.student_in_words("{{student}}", None),
                "in_programme": wording.student_in_words("{{student}}", "{{programme}}"),
            },
            "unit": {
                "serial": wording.unit_in_words("{{model}}", "{{tag}}", "{{serial}}"),
                "tag": wording.unit_in_words("{{model}}", "{{tag}}", ""),
                "none": wording.unit_in_words("{{model}}", "", ""),
            },
            "condition": {grade or "used": wording.condition_in_words(grade) for grade in (*Instrument.Grade.values, "")},
            "receipt": receipts,
            "due": {"due": wording.due_in_words("{{due_today}}", "{{lines}}")},
        }
    )


def facts_of(quote: Quote, parties: wording.Parties) -> tuple[dict[str, str], dict[str, str]]:
    """Return (facts, which of each choice) of a sign-up, as the tablet puts them together itself.

    `lines` are the lines due at signing in a row, `due_today` their sum, both written as the office writes amounts.
    """
    home, guardian, instrument = parties.household, parties.guardian, parties.instrument
    facts = {
        "guardian": str(guardian),
        "street": wording.street_in_words(home),
        "city": home.city,
        "state": home.state,
        "postal_code": home.postal_code,
        "reached": wording.reached_at(guardian),
        "number": home.number,
        "student": str(parties.student),
        "programme": str(parties.programme or ""),
        "model": wording.model_in_words(quote.item),
        "tag": instrument.asset_tag,
        "serial": instrument.serial_number,
        "due_today": money(quote.due_today),
        "lines": wording.lines_in_words(quote.due_today_lines) or "nothing",
    }
    tagged = bool(instrument.asset_tag)
    chosen = {
        "family": "known" if parties.by_number else "new",
        "student_line": "in_programme" if parties.programme else "alone",
        "unit": ("serial" if instrument.serial_number else "tag") if tagged else "none",
        "condition": instrument.grade if tagged or instrument.grade == Instrument.Grade.NEW else "used",
        "receipt": "assigned" if tagged else "none",
        "due": "due",
    }
    return facts, chosen


def fill(
    texts: Mapping[str, Any], sections: Sequence[Sequence[int]], facts: Mapping[str, str], chosen: Mapping[str, str]
) -> tuple[wording.Section, ...]:
    """Return the text of the form with facts in it. Raises UnknownMarkError."""

    def one(place: int) -> str:
        words = texts["paragraphs"][place]
        whole = MARK.fullmatch(words)
        if whole and whole[1] in texts["choices"]:
            words = texts["choices"][whole[1]][chosen[whole[1]]]
        return MARK.sub(lambda mark: _fact(facts, mark[1]), words)

    return tuple(wording.Section(one(places[0]), tuple(one(place) for place in places[1:])) for places in sections)


def _fact(facts: Mapping[str, str], name: str) -> str:
    if name not in facts:
        raise UnknownMarkError(name)
    return facts[name]


def _marked(office: Office | None, received_at: str) -> wording.Parties:
    """Return parties that fill nothing in: their paragraphs give way to choices."""
    return wording.Parties(
        office=office,
        household=Household(),
        guardian=Guardian(),
        student=Student(),
        programme=None,
        instrument=Instrument(grade=Instrument.Grade.GOOD),
        received_at=received_at or Agreement.ReceivedAt.SCHOOL,
    )


def _lines(place: int, section: wording.Section) -> list[str]:
    """Return a section's heading and paragraphs, with the mark of a choice where one stands."""
    lines = [section.heading, *section.paragraphs]
    marks = {0: {2: "family", 3: "student_line"}, 1: {1: "unit", 2: "condition", 3: "receipt"}, 2: {1: "due"}}.get(place, {})
    return [f"{{{{{marks[n]}}}}}" if n in marks else words for n, words in enumerate(lines)]
