"""The lists of a kind, as the manager keeps them: its parts and its services. A list is saved whole or not at all."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils.text import slugify

from rentals.inventory.models import InstrumentKind, KindPart, KindService
from rentals.runtime import locks
from rentals.staff.models import User


@dataclass(frozen=True)
class ListRow:
    """One row as it was sent: of an existing row its key and the version that was seen; a new one has neither.

    `values`: the columns, in the office's currency and in minutes.
    """

    values: dict[str, Any]
    key: int | None = None
    version: int = 0


class KindListChangedError(Exception):
    """Somebody changed rows of the list since it was shown; `now` are these rows as they stand, by key."""

    def __init__(self, now: Mapping[int, KindPart | KindService]) -> None:
        self.now = dict(now)
        names = ", ".join(row.name for row in now.values())
        super().__init__(f"Somebody else changed this list meanwhile: {names}. Nothing was saved yet.")


class NameOnListError(Exception):
    """The list has a row of this name already; `place` is the row's place among those sent, from 0."""

    def __init__(self, place: int, name: str, *, is_active: bool) -> None:
        self.place = place
        where = "" if is_active else " among those taken off: put that one back"
        super().__init__(f"“{name}” stands on the list already{where}.")


@transaction.atomic
def save_parts(*, kind: InstrumentKind, rows: Sequence[ListRow], acting_user: User) -> None:
    """Save what was changed on the list of parts. `values`: name, order, must_come_back, replacement_price, is_active.

    Raises KindListChangedError, NameOnListError.
    """
    _save(KindPart, kind, rows)


@transaction.atomic
def save_services(*, kind: InstrumentKind, rows: Sequence[ListRow], acting_user: User) -> None:
    """Save what was changed on the list of services. `values`: name, order, usual_minutes, is_active.

    Raises KindListChangedError, NameOnListError.
    """
    _save(KindService, kind, rows)


def _save(model: Any, kind: InstrumentKind, rows: Sequence[ListRow]) -> None:
    locks.lock_one(InstrumentKind.objects.filter(pk=kind.pk), strength="no_key")
    known = {row.pk: row for row in locks.lock_rows(model.objects.filter(kind=kind))[0]}
    rows = [row for row in rows if row.key is None or row.key in known]
    stale = {row.key: known[row.key] for row in rows if row.key and known[row.key].version != row.version}
    if stale:
        raise KindListChangedError(stale)
    _refuse_double_names(known, rows)
    codes = {row.code for row in known.values()}
    for row in rows:
        if row.key is None:
            code = _free_code(row.values["name"], codes)
            codes.add(code)
            model.objects.create(kind=kind, code=code, **row.values)
        else:
            current = known[row.key]
            for name, value in row.values.items():
                setattr(current, name, value)
            current.version += 1
            current.save(update_fields=[*row.values, "version"])


def _refuse_double_names(known: Mapping[int, Any], rows: Sequence[ListRow]) -> None:
    """Compare the names as they would stand after the save, large and small letters alike."""
    sent = {row.key for row in rows}
    taken = {row.name.casefold(): row.is_active for row in known.values() if row.pk not in sent}
    for place, row in enumerate(rows):
        name = row.values["name"].casefold()
        if name in taken:
            raise NameOnListError(place, row.values["name"], is_active=taken[name])
        taken[name] = row.values["is_active"]


def _free_code(name: str, taken: set[str]) -> str:
    """Return a code that no row of the list has: a renamed row keeps the code of its first name."""
    stem = slugify(name)[:36].strip("-") or "other"
    code, number = stem, 1
    while code in taken:
        number += 1
        code = f"{stem}-{number}"
    return code
