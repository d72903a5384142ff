"""What a file may say, column by column, and which of the two kinds of files it is."""

from collections.abc import Sequence
from dataclasses import dataclass

from rentals.inventory.importing.columns import Column, guess_columns

SCHOOL = Column("school", "School", True, ("school", "school name", "building", "site"))
PROGRAMME = Column("programme", "Programme", False, ("programme", "program", "ensemble", "band or orchestra"))
SCHOOL_COLUMNS = (
    SCHOOL,
    Column("district", "District", False, ("district", "school district")),
    Column("street", "Street", False, ("street", "address", "street and number", "street address")),
    Column("city", "City", False, ("city", "town")),
    Column("state", "State", False, ("state", "st")),
    Column("postal_code", "ZIP code", False, ("zip", "zip code", "postal code", "postcode")),
    Column("delivery_weekday", "The van comes on", False, ("the van comes on", "van day", "delivery day", "weekday")),
    PROGRAMME,
    Column("starting_grade", "Begins in grade", False, ("begins in grade", "starting grade", "grade")),
    Column("expected_beginners", "Beginners next season", False, ("beginners next season", "expected beginners", "beginners")),
    Column("director", "Director", False, ("director", "director name", "teacher")),
    Column("email", "Director's e-mail", False, ("director s e mail", "director s email", "e mail", "email", "director email")),
    Column("phone", "Director's telephone", False, ("director s telephone", "telephone", "phone", "director phone")),
)
LIST_COLUMNS = (
    SCHOOL,
    Column("programme", "Programme", True, PROGRAMME.names),
    Column("kind", "Instrument", True, ("instrument", "kind", "kind of instrument")),
    Column("product", "To bring", False, ("to bring", "product", "article", "item", "sku")),
    Column("words", "Or in words", False, ("or in words", "in words", "words", "description")),
    Column("quantity", "How many", False, ("how many", "quantity", "qty", "number")),
    Column("sold_by", "Who sells it", False, ("who sells it", "sold by", "seller")),
    Column("choice", "Alternatives", False, ("alternatives", "alternative", "choice", "one of")),
    Column("note", "Note", False, ("note", "notes", "remark")),
)


class ColumnsMissingError(Exception):
    """The file lacks a column it cannot do without; the text names it."""


@dataclass(frozen=True)
class Layout:
    """Which kind of file it is, where each of our columns stands in it (from 0), and what nobody reads."""

    is_lists: bool
    places: dict[str, int]
    unread: list[str]

    @property
    def columns(self) -> tuple[Column, ...]:
        """Our columns of this kind of file."""
        return LIST_COLUMNS if self.is_lists else SCHOOL_COLUMNS


def read_layout(header: Sequence[str]) -> Layout:
    """Understand the names of the columns; a file with a column for what is to be brought holds required lists.

    Raises ColumnsMissingError.
    """
    lists = guess_columns(header, LIST_COLUMNS)
    is_lists = "product" in lists or "words" in lists
    columns = LIST_COLUMNS if is_lists else SCHOOL_COLUMNS
    places = guess_columns(header, columns)
    missing = [column.label for column in columns if column.is_required and column.key not in places]
    if missing:
        names = " and ".join(f"“{label}”" for label in missing)
        message = f"The file has no column named {names}: name it so in the first row, or start from one of the templates."
        raise ColumnsMissingError(message)
    return Layout(is_lists, places, [name for place, name in enumerate(header) if place not in places.values()])
