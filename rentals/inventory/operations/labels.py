"""Labels printed and taken back; layouts and printers set up. Each function is one transaction."""

import datetime
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, TypeVar
from uuid import UUID

from django.db import IntegrityError, transaction

from rentals.inventory.labelling.sheets import Correction
from rentals.inventory.models import Instrument, LabelLayout, LabelPrint, LabelPrinter, PrintedLabel
from rentals.runtime import locks
from rentals.staff import operations as staff
from rentals.staff.models import User

MOST_LABELS = 500
"""At once: the PDF of so many takes about six seconds."""

Setting = TypeVar("Setting", LabelLayout, LabelPrinter)


class NothingToLabelError(Exception):
    """No instrument, or too many, were chosen."""


class NoSuchPlaceError(Exception):
    """A sheet has fewer labels than the place to begin at."""

    def __init__(self, layout: LabelLayout) -> None:
        super().__init__(f"This sheet has {layout.labels_per_page} labels: choose the first free one again.")


class PrintMovedOnError(Exception):
    """A print is not any more what it was when it was shown."""


class LabelNameTakenError(Exception):
    """Another layout or printer has this name."""

    def __init__(self, name: str) -> None:
        super().__init__(f"There is one called {name} already: give this one a name of its own.")


class LabelSettingChangedError(Exception):
    """Somebody changed the layout or the printer since it was shown."""

    def __init__(self) -> None:
        super().__init__("Somebody else changed this meanwhile. Compare, and save again if yours is right.")


@transaction.atomic
def print_labels(
    *,
    request_key: UUID,
    instruments: Sequence[int],
    layout: LabelLayout,
    printer: LabelPrinter | None,
    starts_at: int,
    acting_user: User,
    now: datetime.datetime,
) -> LabelPrint:
    """Note the labels of instruments (ids, in their order) as printed, and return the print, from which the PDF is made.

    `starts_at` is the place of the first sheet, from 1. The same request sent again gives the same print.
    Raises NothingToLabelError, NoSuchPlaceError, RequestKeyReusedError.
    """
    ids = list(dict.fromkeys(instruments))
    request = {"instruments": ids, "layout": layout.pk, "printer": printer and printer.pk, "starts_at": starts_at}
    earlier = staff.claim_request(key=request_key, purpose="print_labels", request=request, acting_user=acting_user)
    if earlier is not None:
        return LabelPrint.objects.get(pk=earlier["label_print"])
    tags = dict(Instrument.objects.filter(pk__in=ids).values_list("pk", "asset_tag"))
    ids = [each for each in ids if each in tags]
    if not ids:
        raise NothingToLabelError("Nothing is chosen to be printed: choose the instruments again.")
    if len(ids) > MOST_LABELS:
        raise NothingToLabelError(f"At most {MOST_LABELS} labels are printed at once, these are {len(ids):,}: choose fewer.")
    if not 1 <= starts_at <= layout.labels_per_page:
        raise NoSuchPlaceError(layout)
    made = LabelPrint.objects.create(layout=layout, printer=printer, starts_at=starts_at, printed_at=now, printed_by=acting_user)
    PrintedLabel.objects.bulk_create(
        [PrintedLabel(label_print=made, instrument_id=key, asset_tag=tags[key], place=place) for place, key in enumerate(ids, 1)]
    )
    staff.keep_answer(key=request_key, answer={"label_print": made.pk})
    return made


@transaction.atomic
def take_back_print(*, label_print: LabelPrint, acting_user: User, now: datetime.datetime) -> LabelPrint:
    """Note that the labels did not come out: they count as never printed. Raises PrintMovedOnError."""
    current: LabelPrint = locks.lock_one(LabelPrint.objects.filter(pk=label_print.pk))
    if current.taken_back_at:
        raise PrintMovedOnError("These labels were taken back already.")
    current.taken_back_at, current.taken_back_by = now, acting_user
    current.save(update_fields=["taken_back_at", "taken_back_by"])
    return current


@transaction.atomic
def count_print_again(*, label_print: LabelPrint, acting_user: User) -> LabelPrint:
    """Undo `take_back_print`: the labels came out after all. Raises PrintMovedOnError."""
    current: LabelPrint = locks.lock_one(LabelPrint.objects.filter(pk=label_print.pk))
    if not current.taken_back_at:
        raise PrintMovedOnError("These labels count as printed already.")
    current.taken_back_at, current.taken_back_by = None, None
    current.save(update_fields=["taken_back_at", "taken_back_by"])
    return current


def add_layout(*, facts: Mapping[str, Any], acting_user: User) -> LabelLayout:
    """Add a sheet or roll. `facts` are its columns. Raises LabelNameTakenError."""
    return _add(LabelLayout, facts)


def change_layout(*, layout: LabelLayout, version: int, facts: Mapping[str, Any], acting_user: User) -> LabelLayout:
    """Change a sheet or roll as it was at `version`. Raises LabelSettingChangedError, LabelNameTakenError."""
    return _change(layout, version, facts)


def add_printer(*, facts: Mapping[str, Any], acting_user: User) -> LabelPrinter:
    """Add a printer. `facts` are its columns. Raises LabelNameTakenError."""
    return _add(LabelPrinter, facts)


def change_printer(*, printer: LabelPrinter, version: int, facts: Mapping[str, Any], acting_user: User) -> LabelPrinter:
    """Change a printer as it was at `version`. Raises LabelSettingChangedError, LabelNameTakenError."""
    return _change(printer, version, facts)


def calibrate_printer(*, printer: LabelPrinter, version: int, correction: Correction, acting_user: User) -> LabelPrinter:
    """Keep how a printer errs, as measured on a calibration sheet. Raises LabelSettingChangedError."""
    facts = {
        "offset_x": Decimal(str(correction.offset_x)),
        "offset_y": Decimal(str(correction.offset_y)),
        "scale_x": round(Decimal(str(correction.scale_x)) * 100, 3),
        "scale_y": round(Decimal(str(correction.scale_y)) * 100, 3),
    }
    return _change(printer, version, facts)


@transaction.atomic
def _add(kind: type[Setting], facts: Mapping[str, Any]) -> Setting:
    try:
        with transaction.atomic():
            return kind._default_manager.create(**facts)
    except IntegrityError as error:
        raise _taken(error, facts) from error


@transaction.atomic
def _change(setting: Setting, version: int, facts: Mapping[str, Any]) -> Setting:
    current: Setting = locks.lock_one(type(setting)._default_manager.filter(pk=setting.pk))
    if current.version != version:
        raise LabelSettingChangedError
    changes: dict[str, Any] = {**facts, "version": version + 1}
    for name, value in changes.items():
        setattr(current, name, value)
    try:
        with transaction.atomic():
            current.save(update_fields=[*changes])
    except IntegrityError as error:
        raise _taken(error, facts) from error
    return current


def _taken(error: IntegrityError, facts: Mapping[str, Any]) -> Exception:
    constraint = getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") or ""
    return LabelNameTakenError(str(facts["name"])) if "name" in constraint else error
