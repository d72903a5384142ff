"""A file looked through and taken in: the same work twice, the first time undone, so that what is shown is what happens."""

import datetime
from collections.abc import Sequence
from uuid import UUID

from django.db import transaction

from rentals.inventory.importing.reading import FileRefusedError, Table, read_table
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools import directors, operations
from schools.importing.columns import ColumnsMissingError, Layout, read_layout
from schools.importing.outcome import Cells, Outcome
from schools.importing.rows import ListRows, SchoolRows

MOST_ROWS = 500
"""A district's file is small; more is a mistake, or two files."""


class FileNotTakenInError(Exception):
    """Nothing was written: a row is wrong, or what the file brings is no longer what was shown. `outcome` says how it stands."""

    def __init__(self, outcome: Outcome, message: str) -> None:
        self.outcome = outcome
        super().__init__(message)


def read_file(content: bytes) -> tuple[Table, Layout]:
    """Read a CSV or XLSX file and understand its columns. Raises FileRefusedError."""
    table = read_table(content)
    if len(table.rows) > MOST_ROWS:
        message = f"The file has {len(table.rows):,} rows; {MOST_ROWS} is the most at a time: split it into several files."
        raise FileRefusedError(message)
    try:
        return table, read_layout(table.header)
    except ColumnsMissingError as error:
        raise FileRefusedError(str(error)) from error


def look_through(table: Table, *, acting_user: User, today: datetime.date) -> Outcome:
    """Return what a file brings and what is wrong with it. Writes nothing that stays."""
    with transaction.atomic():
        outcome = _go_through(table, acting_user, today)
        transaction.set_rollback(True)
    return outcome


@transaction.atomic
def take_in(table: Table, *, shown: str, request_key: UUID, acting_user: User, today: datetime.date) -> tuple[int, int]:
    """Take a whole file in, once for each key; returns how many things are new and how many changed.

    `shown` is the fingerprint of what the person saw. Raises FileNotTakenInError, RequestKeyReusedError.
    """
    request = {"shown": shown, "header": table.header, "rows": table.rows}
    answer = claim_request(key=request_key, purpose="import_schools", request=request, acting_user=acting_user)
    if answer is not None:
        return answer["added"], answer["changed"]
    outcome = _go_through(table, acting_user, today)
    if outcome.errors:
        raise FileNotTakenInError(outcome, "Nothing is taken in while a row is wrong.")
    if outcome.fingerprint() != shown:
        message = "Somebody changed something since you looked: this is what the file brings now. Nothing is taken in yet."
        raise FileNotTakenInError(outcome, message)
    keep_answer(key=request_key, answer={"added": outcome.added, "changed": outcome.changed})
    return outcome.added, outcome.changed


def _go_through(table: Table, acting_user: User, today: datetime.date) -> Outcome:
    layout, outcome = read_layout(table.header), Outcome()
    rows = ListRows(outcome, acting_user) if layout.is_lists else SchoolRows(outcome, acting_user, today)
    for number, line in table.rows:
        cells = Cells(number, line, layout.places, layout.columns)
        try:
            rows.take(cells)
        except (operations.SchoolNameTakenError, operations.ProgrammeExistsError) as error:
            outcome.errors.append(cells.error("school", str(error)))
        except directors.DirectorChangedError as error:
            outcome.errors.append(cells.error("director", str(error)))
    outcome.errors.sort(key=lambda error: error.row)
    return outcome


def as_table(header: Sequence[str], rows: Sequence[Sequence[object]]) -> Table:
    """Return a table again from what was kept of it as JSON."""
    return Table(list(header), [(int(str(number)), list(cells)) for number, cells in rows])  # type: ignore[call-overload]
