"""The van of a night when it is back: scanned off onto a shelf, and what is not there marked as missing."""

from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from rentals.counter.nights.packing import queries, scans
from rentals.counter.nights.packing.told import Told
from rentals.counter.nights.packing.views import read_scan
from rentals.counter.nights.planning.views import night_or_404
from rentals.inventory.models import Location
from rentals.inventory.operations import InstrumentNotThereError, MoveBeforeLastMoveError
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import nights_packing as packing
from schools.models import Night, NightUnit
from schools.nights import NightOverError


def unload_page(night_id: int) -> str:
    """Give the address of the unloading desk."""
    return reverse("night_unload", args=[night_id])


@requires("nights.load")
@require_http_methods(["GET", "HEAD", "POST"])
@stands_on(unload_page)
def night_unload(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Scan instruments off the van, one after the other."""
    night = night_or_404(night_id)
    code = request.POST.get("location", "") or request.GET.get("location", "")
    location = Location.objects.filter(pk=code.replace("\0", ""), is_active=True).first() or night.location
    if request.method != "POST":
        return _show(request, night, location)
    sent = read_scan(request, night, location)
    if isinstance(sent, Told):
        return _show(request, night, location, sent, status=422)
    try:
        told = scans.take_unload(sent, acting_user=acting_user(request), now=clock.now())
    except RequestKeyReusedError as error:
        return _show(request, night, location, Told("bad", "Not read", str(error)), status=409)
    return _show(request, night, location, told)


def _show(
    request: HttpRequest, night: Night, location: Location, told: Told | None = None, *, status: int = 200
) -> HttpResponseBase:
    context: dict[str, Any] = {
        "night": night,
        "van": queries.get_return(night),
        "location": location,
        "locations": Location.objects.filter(is_active=True).order_by("name"),
        "told": told,
        "key": uuid4(),
        "today": clock.today(),
        "back": {"label": "Packing", "url": reverse("night_packing", args=[night.pk])},
    }
    partial = request.htmx  # type: ignore[attr-defined]
    template = "counter/nights/unload_state.html" if partial else "counter/nights/unload.html"
    return render(request, template, context, status=status)


@requires("nights.load")
@require_POST
@stands_on(unload_page)
def night_missing(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Mark as missing what is ticked and still expected in the van; each is found again by scanning it off."""
    night = night_or_404(night_id)
    ticked = [int(each) for each in request.POST.getlist("unit") if each.isascii() and each.isdecimal()]
    units = NightUnit.objects.filter(night=night, ended_at=None, pk__in=ticked[:500]).select_related("instrument")
    marked = 0
    for unit in units:
        try:
            packing.mark_missing(night=night, instrument=unit.instrument, acting_user=acting_user(request), now=clock.now())
            marked += 1
        except (packing.NotAlongError, NightOverError, InstrumentNotThereError, MoveBeforeLastMoveError, RowsBusyError) as error:
            messages.error(request, str(error))
    if marked:
        messages.success(request, f"Marked as missing: {marked}. Scan one here when it turns up.")
    elif not ticked:
        messages.error(request, "Tick what is missing first.")
    return redirect("night_unload", night_id)
