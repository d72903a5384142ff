"""The roster of a school's programmes on paper."""

import datetime

from rentals.documents.kinds import get_kind
from rentals.documents.pages import RosterPage, RosterPart, RosterRow
from rentals.documents.sheets import print_now
from rentals.portal.directors.roster import Line, Part
from schools import directors

WORDS = {0: "Kindergarten", 13: "After school"}


def print_roster(*, heading: str, parts: list[Part], today: datetime.date) -> bytes:
    """Return the PDF of these programmes' roster: names, grades and instruments. Raises CannotMakePdfError without Pango."""
    rows = tuple(RosterPart(str(part.programme), part.van_on, tuple(_row(line) for line in part.lines)) for part in parts)
    page = RosterPage(heading=heading, dated_on=today, parts=rows, caution=directors.CAUTION)
    return print_now(kind=get_kind("roster"), page=page, title=heading)


def _row(line: Line) -> RosterRow:
    words = " ".join(part for part in (line.instrument, line.size) if part)
    return RosterRow(line.student, _grade(line.grade), words, line.tag, line.where, line.waits)


def _grade(grade: int | None) -> str:
    return "" if grade is None else WORDS.get(grade, str(grade))
