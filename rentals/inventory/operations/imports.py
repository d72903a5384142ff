"""A spreadsheet taken in: kept when it comes, its columns settled, then all of it in one transaction or nothing."""

import datetime
import hashlib
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction

from rentals.inventory.importing import columns, reading
from rentals.inventory.importing.checking import Checked, Defaults, check_rows
from rentals.inventory.models import CatalogueItem, Custody, FleetImport, ImportDraft, Instrument
from rentals.runtime import locks
from rentals.staff.models import User

BATCH = 1000


class FileTakenInError(Exception):
    """This very file was taken in before; nothing is added again."""

    def __init__(self, taken: FleetImport) -> None:
        self.taken = taken
        super().__init__(
            f"This very file was taken in before ({taken.file_name}, {taken.row_count:,} instruments, by {taken.imported_by}). "
            "Nothing was added again."
        )


class ImportHasErrorsError(Exception):
    """The file cannot be taken in as it is; `checked.errors` says why, cell by cell."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        super().__init__("Nothing was taken in: some rows need another look.")


class FleetChangedError(Exception):
    """Somebody added one of these instruments at the same moment."""


@transaction.atomic
def keep_draft(*, file_name: str, content: bytes, acting_user: User, now: datetime.datetime) -> ImportDraft:
    """Read a file and keep what it says, with its columns guessed, or settled as the last time such a file came.

    The same file again gives the same draft. Raises FileRefusedError, FileTakenInError.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    _refuse_again(sha256)
    draft = ImportDraft.objects.filter(sha256=sha256, taken_in=None).first()
    if draft:
        return draft
    table = reading.read_table(content)
    earlier = ImportDraft.objects.filter(header=table.header).exclude(mapping={}).order_by("-pk").first()
    return ImportDraft.objects.create(
        file_name=file_name[:200],
        sha256=sha256,
        header=table.header,
        rows=[[number, cells] for number, cells in table.rows],
        mapping=earlier.mapping if earlier else columns.guess_columns(table.header),
        settings=earlier.settings if earlier else {},
        made_at=now,
        made_by=acting_user,
    )


@transaction.atomic
def settle_columns(
    *, draft: ImportDraft, mapping: Mapping[str, int], settings: Mapping[str, Any], acting_user: User
) -> ImportDraft:
    """Keep which of the file's columns is which of ours, and what holds for rows that leave it out."""
    current: ImportDraft = locks.lock_one(ImportDraft.objects.filter(pk=draft.pk))
    current.mapping, current.settings = dict(mapping), dict(settings)
    current.save(update_fields=["mapping", "settings"])
    return current


def check_draft(draft: ImportDraft) -> Checked:
    """Check a draft against the fleet as it is now."""
    acquired_on = draft.settings.get("acquired_on")
    defaults = Defaults(
        location=draft.settings.get("location", ""),
        acquired_on=datetime.date.fromisoformat(acquired_on) if acquired_on else None,
    )
    return check_rows(draft.rows, draft.mapping, defaults)


@transaction.atomic
def import_fleet(*, draft: ImportDraft, acting_user: User, now: datetime.datetime) -> FleetImport:
    """Take in every row of a draft, on the shelves it names: all of them or none.

    The file's SHA-256 is the key: two senders of the same file make one import.
    Raises ImportHasErrorsError, FileTakenInError, FleetChangedError.
    """
    current: ImportDraft = locks.lock_one(ImportDraft.objects.filter(pk=draft.pk))
    _refuse_again(current.sha256)
    checked = check_draft(current)
    if checked.errors:
        raise ImportHasErrorsError(checked)
    try:
        with transaction.atomic():
            taken = FleetImport.objects.create(
                file_name=current.file_name,
                sha256=current.sha256,
                mapping=current.mapping,
                row_count=len(checked.units),
                imported_at=now,
                imported_by=acting_user,
            )
            _write_units(checked, taken, acting_user, now)
    except IntegrityError as error:
        _refuse_again(current.sha256)
        message = "Somebody added one of these instruments at the same moment. Nothing was taken in: look at the check once more."
        raise FleetChangedError(message) from error
    current.taken_in = taken
    current.rows = []
    current.save(update_fields=["taken_in", "rows"])
    return taken


def _refuse_again(sha256: str) -> None:
    taken = FleetImport.objects.filter(sha256=sha256).select_related("imported_by").first()
    if taken:
        raise FileTakenInError(taken)


def _write_units(checked: Checked, taken: FleetImport, acting_user: User, now: datetime.datetime) -> None:
    items = dict(checked.items)
    for key, row in checked.new_items.items():
        items[key] = CatalogueItem.objects.create(
            kind_id=row.kind,
            maker=row.maker,
            model=row.model,
            size=row.size,
            tier=row.tier,
            purchase_price=row.purchase_price or 0,
            replacement_value=row.replacement_value or 0,
        )
    units = [
        Instrument(
            asset_tag=row.asset_tag,
            serial_number=row.serial_number,
            item=items[row.item_key],
            grade=row.grade,
            cost=row.cost,
            acquired_on=row.acquired_on,
            fleet_import=taken,
        )
        for row in checked.units
    ]
    made = Instrument.objects.bulk_create(units, batch_size=BATCH)
    places = [
        Custody(
            instrument=unit,
            place=Custody.Place.SHELF,
            location_id=row.location,
            began_at=now,
            reason=f"Taken in from {taken.file_name}"[:160],
            moved_by=acting_user,
        )
        for unit, row in zip(made, checked.units, strict=True)
    ]
    Custody.objects.bulk_create(places, batch_size=BATCH)
