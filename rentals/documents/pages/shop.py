"""Pages of the shop's own work: cleanings, print batches, runs and sign-up nights."""

import datetime
from dataclasses import dataclass

from rentals.documents.pages.parts import Addressee


@dataclass(frozen=True)
class CleaningItem:
    """An instrument whose annual cleaning is due."""

    instrument: str
    asset_tag: str
    last_cleaned_on: datetime.date | None
    due_on: datetime.date


@dataclass(frozen=True)
class CleaningPage:
    """A reminder that the annual cleaning of one or more instruments is due; its words as in `OverduePage`."""

    addressee: Addressee
    dated_on: datetime.date
    items: tuple[CleaningItem, ...]
    heading: str = ""
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()


@dataclass(frozen=True)
class LetterRow:
    """A letter on the cover sheet of a print batch."""

    position: int
    to_name: str
    postal_code: str
    subject: str
    pages: int


@dataclass(frozen=True)
class BatchPage:
    """The cover sheet of a print batch: which letters follow, in which order."""

    made_at: datetime.datetime
    made_by: str
    letters: tuple[LetterRow, ...]
    sheets: int


@dataclass(frozen=True)
class ManifestLine:
    """One instrument at a stop: what happens with it, and the student's initials, never a name."""

    tag: str
    kind: str
    task: str
    initials: str
    what: str


@dataclass(frozen=True)
class ManifestStop:
    """One stop of a run in its order."""

    name: str
    address: str
    contact: str
    safe_place: str
    lines: tuple[ManifestLine, ...]


@dataclass(frozen=True)
class SlipLine:
    """One instrument on a delivery slip: the student's initials, never a name, and the kit that goes with it."""

    tag: str
    kind: str
    task: str
    initials: str
    kit: tuple[str, ...]


@dataclass(frozen=True)
class DeliverySlipPage:
    """What stays with whoever takes something at a stop: what was brought or fetched, where to sign, whom to call."""

    on: datetime.date
    name: str
    address: str
    lines: tuple[SlipLine, ...]


@dataclass(frozen=True)
class ManifestPage:
    """What a driver takes along: the stops in order, what each gets, and where to sign. `miles` is "" when it is not known."""

    on: datetime.date
    driver: str
    shop: str
    notes: str
    miles: str
    stops: tuple[ManifestStop, ...]


@dataclass(frozen=True)
class NightLine:
    """One line of a night's closing sheet: its state in a word, its figures as (label, value), and what differs or ""."""

    name: str
    word: str
    facts: tuple[tuple[str, str], ...]
    differs: str = ""


@dataclass(frozen=True)
class NightClosingPage:
    """A sign-up night as it was closed. Names no family."""

    school: str
    on: datetime.date
    closed_at: datetime.datetime
    closed_by: str
    lines: tuple[NightLine, ...]
    note: str = ""
