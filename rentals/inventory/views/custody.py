"""Where one instrument goes: moved by hand, the last move taken back, put aside and let go again."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from rentals.inventory import operations, queries
from rentals.inventory.custody_forms import HoldForm, MoveForm
from rentals.inventory.models import Custody, Instrument
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import day
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

REFUSALS = (
    operations.InstrumentNotThereError,
    operations.InstrumentOnAgreementError,
    operations.WorkOrderStillOpenError,
    operations.MoveBeforeLastMoveError,
    operations.MoveNotUndoneError,
    operations.InstrumentHeldError,
    operations.InstrumentNotHeldError,
    operations.NothingToHoldError,
    RowsBusyError,
)


def get_unit(instrument_id: int) -> Instrument:
    """Return an instrument with its open custody and what its page names. Raises Http404."""
    return get_object_or_404(queries.list_instruments(), pk=instrument_id)


def where_words(custody: Custody) -> str:
    """Say where an instrument has come to be, for the line that tells what was done."""
    keeper = custody.location or custody.school
    return f"{custody.get_place_display().lower()}{f', {keeper}' if keeper else ''}"


@requires("instruments.move")
def instrument_move(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Say where an instrument is: another shelf, the shop, a school."""
    unit = get_unit(instrument_id)
    where = queries.describe(unit.here) if unit.here else None  # type: ignore[attr-defined]
    form = MoveForm(request.POST or None, place=where.place if where else "")
    if request.method == "POST" and form.is_valid():
        try:
            moved = operations.move_by_hand(
                instrument=unit, acting_user=acting_user(request), now=clock.now(), **form.cleaned_data
            )
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"{unit.asset_tag} is now: {where_words(moved)}.")
            return redirect("instrument", instrument_id=unit.pk)
    context = {"form": form, "instrument": unit, "where": where}
    return render(request, "inventory/instrument_move.html", context, status=422 if form.errors else 200)


@require_POST
@requires("instruments.move")
@stands_on(lambda instrument_id, custody_id: f"/instruments/{instrument_id}/")
def move_undo(request: HttpRequest, instrument_id: int, custody_id: int) -> HttpResponseBase:
    """Take the last move back: the instrument is again where it was before."""
    custody = get_object_or_404(Custody.objects.select_related("instrument"), pk=custody_id, instrument=instrument_id)
    try:
        back = operations.undo_move(custody=custody, acting_user=acting_user(request), now=clock.now())
    except REFUSALS as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Taken back: {custody.instrument.asset_tag} is {where_words(back)} again.")
    return redirect("instrument", instrument_id=instrument_id)


@requires("instruments.hold")
def instrument_hold(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Put an instrument aside, so that nobody else is given it."""
    unit = get_unit(instrument_id)
    form = HoldForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        when: dict[str, Any] = {"now": clock.now(), "today": clock.today()}
        try:
            hold = operations.hold_instrument(instrument=unit, acting_user=acting_user(request), **form.cleaned_data, **when)
        except operations.HoldEndsTooSoonError as error:
            form.add_error("held_until", str(error))
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            until = f" It is free again on {day(hold.held_until)}." if hold.held_until else ""
            messages.success(request, f"{unit.asset_tag} is held: nobody is offered it.{until}")
            return redirect("instrument", instrument_id=unit.pk)
    where = queries.describe(unit.here) if unit.here else None  # type: ignore[attr-defined]
    context = {"form": form, "instrument": unit, "where": where}
    return render(request, "inventory/instrument_hold.html", context, status=422 if form.errors else 200)


@require_POST
@requires("instruments.hold")
@stands_on(lambda instrument_id: f"/instruments/{instrument_id}/")
def instrument_release(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Let an instrument go that was put aside."""
    unit = get_unit(instrument_id)
    try:
        operations.release_hold(instrument=unit, acting_user=acting_user(request), now=clock.now())
    except REFUSALS as error:
        messages.info(request, str(error))
    else:
        messages.success(request, f"{unit.asset_tag} is free again.")
    return redirect("instrument", instrument_id=unit.pk)
