"""The van of a night before it leaves: the packing list on screen and on paper, and the desk where it is loaded by scans."""

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.counter.nights.packing import papers, queries, scans
from rentals.counter.nights.packing.told import Told
from rentals.counter.nights.planning.views import night_or_404
from rentals.documents.kinds import get_kind
from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer, print_now
from rentals.inventory.models import Instrument, Location
from rentals.inventory.operations import InstrumentNotThereError, MoveBeforeLastMoveError
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import nights_packing as packing
from schools.models import Allotment, Night
from schools.nights import NightOverError


def load_page(night_id: int) -> str:
    """Give the address of the loading desk."""
    return reverse("night_load", args=[night_id])


@requires("nights.load")
@require_safe
def night_packing(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show what to pick and where it stands, what is along, and what families were promised."""
    night = night_or_404(night_id)
    context = {"night": night, "packing": queries.get_packing(night), "today": clock.today(), "back": back_to(night)}
    return render(request, "counter/nights/packing.html", context)


def back_to(night: Night) -> dict[str, str]:
    """Give the way back to the night's own page."""
    return {"label": str(night.school), "url": reverse("night", args=[night.pk])}


@requires("nights.load")
@require_safe
def night_packing_list(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Give the packing list as a PDF, to tick off at the shelves."""
    night = night_or_404(night_id)
    page = papers.make_page(queries.get_packing(night), now=clock.now())
    try:
        content = print_now(kind=get_kind("packing_list"), page=page, title=f"Packing list, {night.school}")
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("night_packing", night_id)
    return pdf_answer(content, f"packing-list-{night.on}-{night.pk}.pdf")


@requires("nights.load")
@require_POST
def night_packed(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Say that the van is packed, or take the packing up again."""
    night, is_packed = night_or_404(night_id), request.POST.get("packed") == "yes"
    try:
        packing.set_packed(night=night, is_packed=is_packed, acting_user=acting_user(request), now=clock.now())
    except Allotment.DoesNotExist:
        messages.error(request, "There is no allotment yet: decide first what the van takes along.")
    except (NightOverError, RowsBusyError) as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "The van is packed." if is_packed else "Packing goes on: the numbers can be changed again.")
    return redirect("night_packing", night_id)


@requires("nights.load")
@require_http_methods(["GET", "HEAD", "POST"])
@stands_on(load_page)
def night_load(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Scan instruments into the van, one after the other."""
    night = night_or_404(night_id)
    if request.method != "POST":
        return _show_load(request, night)
    sent = read_scan(request, night)
    if isinstance(sent, Told):
        return _show_load(request, night, sent, status=422)
    try:
        told = scans.take_load(sent, acting_user=acting_user(request), now=clock.now())
    except RequestKeyReusedError as error:
        return _show_load(request, night, Told("bad", "Not read", str(error)), status=409)
    return _show_load(request, night, told)


def read_scan(request: HttpRequest, night: Night, location: Location | None = None) -> scans.Scan | Told:
    """Read a scan that was sent; what cannot be read is told instead."""
    code, choice, key = (request.POST.get(name, "")[:80].replace("\0", "").strip() for name in ("code", "choice", "key"))
    if not code:
        return Told("warn", "Nothing scanned", "Scan a label, or type its tag.")
    try:
        return scans.Scan(night=night, code=code, key=UUID(key), choice=choice, location=location)
    except ValueError:
        return Told("bad", "Not read", "Scan it once more.")


def _show_load(request: HttpRequest, night: Night, told: Told | None = None, *, status: int = 200) -> HttpResponseBase:
    context: dict[str, Any] = {
        "night": night,
        "packing": queries.get_packing(night),
        "told": told,
        "key": uuid4(),
        "today": clock.today(),
        "back": {"label": "Packing", "url": reverse("night_packing", args=[night.pk])},
    }
    partial = request.htmx  # type: ignore[attr-defined]
    template = "counter/nights/load_state.html" if partial else "counter/nights/load.html"
    return render(request, template, context, status=status)


@requires("nights.load")
@require_POST
@stands_on(load_page)
def night_load_undo(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Take the instrument that was loaded by mistake off again, back to the shelf of the night's shop."""
    night = night_or_404(night_id)
    unit = Instrument.objects.filter(asset_tag=request.POST.get("tag", "")[:20].replace("\0", "")).first()
    if unit is None:
        return _show_load(request, night, Told("warn", "Not undone", "Look for it in the list below."), status=422)
    try:
        packing.unload(night=night, instrument=unit, location=night.location, acting_user=acting_user(request), now=clock.now())
    except (packing.NotAlongError, NightOverError, InstrumentNotThereError, MoveBeforeLastMoveError, RowsBusyError) as error:
        return _show_load(request, night, Told("warn", f"Not undone: {unit.asset_tag}", str(error)), status=409)
    return _show_load(request, night, Told("good", f"Undone: {unit.asset_tag}", f"It is on the shelf at {night.location}."))
