"""Pure rules of the fleet: how a tag is read, which size fits, where an instrument may go next, when its cleaning is due."""

import datetime
import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal

from dateutil.relativedelta import relativedelta

from rentals.inventory.reference import SizeRow, kind_code_of, list_sizes

TAG_FORM = re.compile(r"[A-Z0-9][A-Z0-9-]{2,19}")
TEACHER_WINS = "The teacher's measurement wins: if the school names another size, give that one."

# Where an instrument may go from where it is. Sold is the end of its time with the shop.
NEXT_PLACES: dict[str, tuple[str, ...]] = {
    "": ("shelf", "bench"),
    "shelf": ("shelf", "bench", "van", "family", "school", "lost", "sold", "retired"),
    "bench": ("bench", "shelf", "van", "family", "school", "lost", "sold", "retired"),
    "van": ("shelf", "bench", "family", "school", "lost"),
    "family": ("shelf", "bench", "van", "lost", "sold", "retired"),
    "school": ("shelf", "bench", "van", "family", "school", "lost"),
    "lost": ("shelf", "bench", "retired"),
    "retired": ("shelf", "bench", "sold"),
    "sold": (),
}


class BadAssetTagError(ValueError):
    """What was scanned or typed cannot be an asset tag."""

    def __init__(self, written: str) -> None:
        self.written = written
        super().__init__(f"“{written}” cannot be an asset tag: write three to twenty letters, digits and dashes, like FL-1042.")


def normalise_tag(scanned: str) -> str:
    """Return an asset tag as kept: capitals, no spaces, no scanner's prefix or ending, one sort of dash.

    A scanner may put "]C1" (the symbology identifier of ISO/IEC 15424) before the code, and CR, LF or Tab after it.

    >>> normalise_tag("]C1 fl–1042 " + chr(13) + chr(10))
    'FL-1042'

    Raises BadAssetTagError when what remains cannot be a tag.
    """
    plain = unicodedata.normalize("NFKC", scanned)
    plain = re.sub(r"[\u2010-\u2015\u2212_]", "-", plain)
    plain = "".join(letter for letter in plain if not letter.isspace() and unicodedata.category(letter)[0] != "C")
    plain = re.sub(r"^\][A-Za-z][0-9A-Za-z]", "", plain).upper()
    if not TAG_FORM.fullmatch(plain):
        raise BadAssetTagError(" ".join(scanned.split())[:40])
    return plain


def may_go(place: str, wanted: str) -> bool:
    """Tell whether an instrument that is at `place` ("" when it is nowhere yet) may go to `wanted`."""
    return wanted in NEXT_PLACES.get(place, ())


@dataclass(frozen=True)
class SizeProposal:
    """A size to try, why in words, and its neighbours ("" when there is none)."""

    size: str
    reason: str
    smaller: str
    larger: str
    advice: str = TEACHER_WINS


def propose_size(
    kind_code: str, arm_inches: Decimal | None = None, age: int | None = None, grade: int | None = None
) -> SizeProposal | None:
    """Propose the size of a bowed string by the arm (inches, neck to the middle of the palm), else by age, else by school year.

    By arm it is the largest size whose published least arm is not longer than the student's; by age the smallest size usual at
    that age, because a size too small is only small and one too large is a strain. Sources stand in data/string_sizes.csv; that a
    school year is about five years less than the age is common practice, no source.
    None for a kind without sizes, or when nothing is known.

    >>> propose_size("violin", arm_inches=Decimal("21")).size
    '1/2'
    """
    kind_code = kind_code_of(kind_code) or kind_code
    sizes = list_sizes(kind_code)
    if not sizes:
        return None
    if arm_inches is not None and any(row.arm_inches is not None for row in sizes):
        return _by_arm(sizes, arm_inches)
    if age is not None:
        return _by_age(sizes, age, f"Age {age}")
    if grade is not None:
        return _by_age(sizes, grade + 5, f"School year {grade}, so about {grade + 5} years old")
    return None


def list_larger_sizes(kind_code: str, size: str) -> list[str]:
    """List the sizes of a kind above one, the next first; empty for a kind without sizes and for the largest.

    >>> list_larger_sizes("violin", "1/2"), list_larger_sizes("violin", "4/4"), list_larger_sizes("flute", "")
    (['3/4', '4/4'], [], [])
    """
    sizes = [row.size for row in list_sizes(kind_code)]
    return sizes[sizes.index(size) + 1 :] if size in sizes else []


def _by_arm(sizes: tuple[SizeRow, ...], arm: Decimal) -> SizeProposal:
    measured = [(place, row.arm_inches) for place, row in enumerate(sizes) if row.arm_inches is not None]
    fitting = [(place, least) for place, least in measured if least <= arm]
    if not fitting:
        place, least = measured[0]
        return _propose(
            sizes, place, f"The arm measures {_inches(arm)}; even the smallest size asks for {_inches(least)}. Ask the teacher."
        )
    place, least = fitting[-1]
    reason = f"The arm measures {_inches(arm)}; this size asks for at least {_inches(least)}"
    above = next((longer for other, longer in measured if other > place), None)
    if above is None:
        return _propose(sizes, place, f"{reason}.")
    if above - arm <= Decimal("0.5"):
        return _propose(
            sizes, place, f"{reason}. The next size begins at {_inches(above)}, and makers differ by half an inch: try both."
        )
    return _propose(sizes, place, f"{reason}, the next one for {_inches(above)}.")


def _by_age(sizes: tuple[SizeRow, ...], age: int, known: str) -> SizeProposal:
    aged = [(place, row) for place, row in enumerate(sizes) if row.age_from is not None]
    fitting = [(place, row) for place, row in aged if (row.age_from or 0) <= age <= (row.age_to or 999)]
    # Between two ranges, and below the first, the next smaller size there is.
    place, row = fitting[0] if fitting else ([pair for pair in aged if (pair[1].age_from or 0) <= age] or aged[:1])[-1]
    usual = f"{row.age_from} to {row.age_to}" if row.age_to else f"{row.age_from} and up"
    return _propose(sizes, place, f"{known}; this size is usual at {usual}. Measuring the arm is surer.")


def _propose(sizes: tuple[SizeRow, ...], place: int, reason: str) -> SizeProposal:
    return SizeProposal(
        size=sizes[place].size,
        reason=reason,
        smaller=sizes[place - 1].size if place else "",
        larger=sizes[place + 1].size if place + 1 < len(sizes) else "",
    )


def _inches(length: Decimal) -> str:
    return f"{length.normalize():f} in"


def cleaning_due_on(
    *, last_cleaned_on: datetime.date | None, acquired_on: datetime.date, rented_since: datetime.date | None = None
) -> datetime.date:
    """Return the day the annual cleaning is due: a year after the last one, or after the shop got it (common practice).

    While a family rents it, never sooner than a year after the rental began: what was left undone before is the shop's to do.
    `queries.cleanings.cleaning_due_on` asks the database the same.

    >>> cleaning_due_on(last_cleaned_on=datetime.date(2024, 2, 29), acquired_on=datetime.date(2020, 1, 1))
    datetime.date(2025, 2, 28)
    """
    told = [day for day in (last_cleaned_on, rented_since) if day]
    return max(told, default=acquired_on) + relativedelta(years=1)
