"""The door of every scan: whatever was scanned, on to the page it means."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse

from rentals.inventory import commands, queries
from rentals.inventory.models import Instrument
from rentals.inventory.queries.scans import find_scanned
from rentals.runtime.camera import with_camera
from rentals.staff.policy import may, requires


@with_camera
@requires("instruments.view")
def scan(request: HttpRequest) -> HttpResponseBase:
    """Send a scanned code on to its instrument, a card of the bench to its desk.

    Ask which where a serial number is two's; say what to do with an unknown one.
    """
    code = request.GET.get("code", "")
    if commands.is_command(code) and may(request.user, "bench.work"):
        messages.info(request, "That is a card of the bench: scan an instrument first, then the card.")
        return redirect("bench_cards")
    found = find_scanned(code)
    if found.instrument:
        return _onward(request, found.instrument)
    context = {"code": found.code, "choice": [_line(unit) for unit in found.instruments]}
    if found.code and not found.instruments:
        context["near"] = [_line(unit) for unit in queries.list_near_tags(found.code)]
    return render(request, "inventory/scan.html", context, status=404 if "near" in context else 200)


def _onward(request: HttpRequest, unit: Instrument) -> HttpResponseBase:
    """Lead a technician to the bench's sheet, others to the instrument's page."""
    if may(request.user, "bench.work"):
        return HttpResponseRedirect(reverse("bench", query={"tag": unit.asset_tag}))
    return redirect("instrument", instrument_id=unit.pk)


def _line(unit: Instrument) -> dict[str, object]:
    return {"unit": unit, "where": queries.describe(unit.here) if unit.here else None}  # type: ignore[attr-defined]
