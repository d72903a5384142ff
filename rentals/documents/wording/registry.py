"""The letters whose words the manager may change. The rooms that write them put them here."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rentals.documents.wording.texts import Texts

OFFICE_SLOTS = {"office": "the office's name", "phone": "the office's telephone", "email": "the office's e-mail address"}
"""Places that every letter has."""


class NothingToShowError(Exception):
    """A letter cannot be shown with this family's data; the text says why."""


@dataclass(frozen=True)
class Wording:
    """A letter: its code, what it is called, the kind of document it becomes, and its places with what each says.

    `standard` gives the words it has until somebody changes them, in the language that is active; `show` the page of it for a
    household's number, filled with these words in a language, on a day, or raises NothingToShowError.
    """

    code: str
    title: str
    kind: str
    slots: dict[str, str]
    standard: Callable[[], Texts]
    show: Callable[[str, Texts, str, datetime.date], Any]
    caution: str = ""


WORDINGS: dict[str, Wording] = {}


def register(wording: Wording) -> None:
    """Let the manager change the words of a letter."""
    WORDINGS[wording.code] = wording
