"""Sheets to work from, and what a school is handed: work order, estimate, packing list, roster."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from rentals.documents.pages.parts import Addressee, FactLine, PriceLine


@dataclass(frozen=True)
class WorkLineRow:
    """Labour or a part that went into an order, with how much of it in words. No price: the sheet lies on the bench."""

    what: str
    how_much: str
    who: str


@dataclass(frozen=True)
class WorkOrderPage:
    """A work order as it lies with the instrument on the bench: no name, no address, no money.

    `came` is what was noted when it came in, `points` what the playing test asks; `squares` the path of the tag's QR Code in an
    SVG that is `squares_width` modules wide.
    """

    number: str
    asset_tag: str
    squares: str
    squares_width: int
    printed_at: datetime.datetime
    state: str
    problem: str
    facts: tuple[FactLine, ...]
    came: tuple[FactLine, ...]
    lines: tuple[WorkLineRow, ...]
    points: tuple[str, ...]


@dataclass(frozen=True)
class EstimatePage:
    """What a repair would cost, told to the family that pays. `covers` and the lines are in the workshop's own words.

    Its words as in `OverduePage`.
    """

    addressee: Addressee
    dated_on: datetime.date
    order_number: str
    instrument: str
    asset_tag: str
    student: str
    covers: str
    lines: tuple[PriceLine, ...]
    total: Decimal
    valid_until: datetime.date
    heading: str = ""
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()


@dataclass(frozen=True)
class PackingPromise:
    """What a family was promised: on the list before the van leaves. Of the student, initials."""

    instrument: str
    student: str
    school: str


@dataclass(frozen=True)
class PackingUnit:
    """One instrument to take off the shelf."""

    tag: str
    model: str


@dataclass(frozen=True)
class PackingShelf:
    """What is to be picked of one kind and size; `short` is how many are not to be had."""

    name: str
    wanted: int
    short: int
    units: tuple[PackingUnit, ...]


@dataclass(frozen=True)
class PackingProduct:
    """A product of the kit, and how many of it."""

    name: str
    count: int


@dataclass(frozen=True)
class PackingPage:
    """The packing list of a sign-up night, to tick off at the shelves. `along` is how many are loaded."""

    school: str
    place: str
    on: datetime.date
    hours: str
    shop: str
    printed_at: datetime.datetime
    promises: tuple[PackingPromise, ...]
    shelves: tuple[PackingShelf, ...]
    kit: tuple[PackingProduct, ...]
    along: int


@dataclass(frozen=True)
class RosterRow:
    """One student, or one instrument of a student who has two."""

    student: str
    grade: str
    instrument: str
    tag: str
    where: str
    waits: str


@dataclass(frozen=True)
class RosterPart:
    """A programme with the day the van comes next, None where nobody has said one."""

    programme: str
    van_on: datetime.date | None
    rows: tuple[RosterRow, ...]


@dataclass(frozen=True)
class RosterPage:
    """Who in a school's programmes has which instrument, for the director: no money, no address, no telephone, no guardian."""

    heading: str
    dated_on: datetime.date
    parts: tuple[RosterPart, ...]
    caution: str = ""
