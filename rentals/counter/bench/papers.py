"""A work order on paper: the sheet that lies with the instrument, and the estimate that a family is written."""

import datetime

from django.db import transaction
from django.utils import timezone, translation
from django.utils.translation import gettext

from rentals.counter.bench.estimate_words import CODE
from rentals.counter.bench.order_queries import OrderSheet
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import EstimatePage, FactLine, PriceLine, WorkLineRow, WorkOrderPage
from rentals.documents.words import in_language
from rentals.families.letters import receiver_of, worded_letter, write_to_household
from rentals.inventory.labelling import codes
from rentals.inventory.models import Estimate, WorkLine
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day, moment
from rentals.staff.models import User


class NothingToWriteError(Exception):
    """There is no estimate that waits for an answer, or no family to write it to."""


def make_page(sheet: OrderSheet, *, now: datetime.datetime) -> WorkOrderPage:
    """Return a work order as it stands, for the bench: of the student the initials, of the money nothing."""
    order, squares = sheet.order, codes.qr_code(sheet.instrument.asset_tag)
    return WorkOrderPage(
        number=order.number,
        asset_tag=sheet.instrument.asset_tag,
        squares=codes.squares_path(squares),
        squares_width=len(squares) + 2 * codes.QUIET_SQUARES,
        printed_at=now,
        state=order.get_state_display(),
        problem=order.problem or order.get_kind_display(),
        facts=tuple(FactLine(label, value) for label, value in _facts(sheet) if value),
        came=tuple(FactLine(note.what, note.get_finding_display()) for note in sheet.intake),
        lines=tuple(WorkLineRow(line.what, _how_much(line), line.done_by.name) for line in sheet.lines),
        points=sheet.points if order.is_open else (),
    )


def _facts(sheet: OrderSheet) -> tuple[tuple[str, str], ...]:
    order, holder = sheet.order, sheet.holder
    return (
        ("Instrument", f"{sheet.instrument.item.kind.name}, {sheet.instrument.item}"),
        ("Serial number", sheet.instrument.serial_number),
        ("What it needs", order.problem_kind if order.problem_kind != order.problem else ""),
        ("Student", f"{holder.initials}, agreement {holder.unit.agreement.number}" if holder else ""),
        ("Who pays", order.get_paid_by_display()),
        ("Who works on it", order.assigned_to.name if order.assigned_to else ""),
        ("Promised for", day(order.promised_on) if order.promised_on else ""),
        ("Came in", f"{moment(order.opened_at)}, {order.opened_by.name}"),
        ("Must come back", ", ".join(note.what for note in sheet.missing)),
    )


def _how_much(line: WorkLine) -> str:
    return f"{line.minutes} min" if line.kind == WorkLine.Kind.LABOUR else f"{line.quantity} ×"


def estimate_key(estimate: Estimate) -> str:
    """Return how the letter of an estimate is known: a family is written to once of each."""
    return f"estimate/{estimate.pk}"


def list_written(sheet: OrderSheet) -> dict[int, OutboxMessage]:
    """Return what was written to the family of these estimates, by estimate."""
    keys = {estimate_key(each): each.pk for each in sheet.estimates}
    return {keys[each.key]: each for each in OutboxMessage.objects.filter(key__in=keys)}


@transaction.atomic
def write_estimate(*, sheet: OrderSheet, acting_user: User, now: datetime.datetime) -> OutboxMessage:
    """Write the open estimate to the family that has the instrument, by mail or as a letter; once, asked again the first stays.

    Outermost. Raises NothingToWriteError, RowsBusyError.
    """
    waiting, holder = sheet.open_estimate, sheet.holder
    if waiting is None or holder is None:
        message = "No estimate waits for an answer: make one first." if holder else "No family has this instrument now."
        raise NothingToWriteError(message)
    estimate = lock_one(Estimate.objects.filter(pk=waiting.pk))
    if estimate.decision:
        message = "The family has answered meanwhile."
        raise NothingToWriteError(message)
    agreement = holder.unit.agreement
    household = agreement.household
    receiver = receiver_of(household)
    lines = tuple(PriceLine(line.what, line.price) for line in estimate.lines.all())
    with translation.override(household.language):
        page = EstimatePage(
            addressee=receiver.addressee,
            dated_on=timezone.localdate(now),
            order_number=sheet.order.number,
            instrument=f"{in_language(sheet.instrument.item.kind.name)}, {sheet.instrument.item}",
            asset_tag=sheet.instrument.asset_tag,
            student=str(agreement.student),
            covers=estimate.covers,
            lines=lines,
            total=estimate.price,
            valid_until=estimate.valid_until,
        )
        letter = worded_letter(
            code=CODE,
            household=household,
            key=estimate_key(estimate),
            kind="estimate",
            about=f"work_order/{sheet.order.pk}",
            title=gettext("Estimate, work order %s") % sheet.order.number,
            page=page,
        )
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)
