"""The letters whose words the manager may change. The rooms that write them put them here."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rentals.documents.wording.texts import Texts, missing_slots, put_into

OFFICE_SLOTS = {"office": "the office's name", "phone": "the office's telephone", "email": "the office's e-mail address"}
"""Places that every letter has."""
NEVER_IN_SUBJECTS = ("student",)
"""Places that no heading has: it is also the mail's subject, which others read too."""
PARTS = ("heading", "opening", "closing", "mail")
MAIL = ("heading", "mail")
"""The parts of what is attached to a mail whose words may be changed, but must itself stay as it is, as what was signed."""
PAPER = ("heading", "opening", "closing")
"""The parts of what is handed over or printed, and never mailed."""


class NothingToShowError(Exception):
    """A letter cannot be shown with this family's data; the text says why."""


class PlaceMissingError(Exception):
    """Words of a letter lack what the family must be told; `part` of the letter, `slots` the places."""

    def __init__(self, part: str, slots: list[str]) -> None:
        self.part, self.slots = part, slots
        named = ", ".join("{" + slot + "}" for slot in slots)
        where = "The mail" if part == "mail" else "The letter, before or after the figures,"
        super().__init__(f"{where} must say {named}: the family has to be told that. Put it back where it fits.")


@dataclass(frozen=True)
class Wording:
    """A letter: its code, what it is called, the kind of document it becomes, and its places with what each says.

    `standard` gives the words it has until somebody changes them and `values` what its places are filled with, of the page, both
    in the language that is active. `find` gives the page to show it with: for a household's number ("" for any), in a language,
    on a day; or raises NothingToShowError.

    `must` are the places that the letter and the mail cannot do without, `mail_must` those that the mail alone must have, as in
    the letter they stand among the figures or by themselves. `parts` are what may be changed, `put` is how the page takes it.
    """

    code: str
    title: str
    kind: str
    slots: dict[str, str]
    standard: Callable[[], Texts]
    values: Callable[[Any], dict[str, str]]
    find: Callable[[str, str, datetime.date], Any]
    must: tuple[str, ...] = ()
    mail_must: tuple[str, ...] = ()
    parts: tuple[str, ...] = PARTS
    caution: str = ""
    put: Callable[[Any, Texts], Any] = put_into

    @property
    def has_paper(self) -> bool:
        """Tell whether the words of its paper may be changed, not those of its mail alone."""
        return "opening" in self.parts

    @property
    def has_mail(self) -> bool:
        """Tell whether it is mailed."""
        return "mail" in self.parts

    @property
    def goes_as(self) -> str:
        """Say in words as what a family gets these words."""
        if self.has_mail:
            return "Mail or letter" if self.has_paper else "Mail"
        return "Paper"

    def put_words(self, page: Any, texts: Texts) -> Any:
        """Return the page with its words, filled already; as it is where only the mail's words may be changed."""
        return self.put(page, texts) if self.has_paper else page

    def say_needed(self, slot: str) -> str:
        """Say in words whether and where a place must stay."""
        if slot in self.must:
            return "Must stay."
        return ("Must stay in the mail." if self.has_paper else "Must stay.") if slot in self.mail_must else ""

    def list_missing(self, texts: Texts) -> list[PlaceMissingError]:
        """List what these words lack that the family must be told."""
        needed = {"closing": (texts.opening + texts.closing, self.must), "mail": (texts.mail, self.must + self.mail_must)}
        found = {part: missing_slots(*what) for part, what in needed.items() if part in self.parts}
        return [PlaceMissingError(part, slots) for part, slots in found.items() if slots]


WORDINGS: dict[str, Wording] = {}


def register(wording: Wording) -> None:
    """Let the manager change the words of a letter."""
    WORDINGS[wording.code] = wording
