"""Stock counts: the list, a new one, the scan page with its scans sent and taken back. Review: `count_review`."""

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.forms import UUIDField
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from rentals.inventory.count_forms import OpenCountForm, ScansUnreadableError, read_scans
from rentals.inventory.count_rules import WORDS, Told, Verdict
from rentals.inventory.models import CountScan, InstrumentKind, Location, StockCount
from rentals.inventory.operations import counts as operations
from rentals.inventory.operations.count_errors import CountAlreadyOpenError, CountClosedError, CountScanSettledError
from rentals.inventory.queries import counts as queries
from rentals.runtime import clock
from rentals.runtime.camera import with_camera
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

PAGE = 25
LAST = 12
STATES = {"open": "Open", "closed": "Closed"}


@requires("stock.count")
def stock_counts(request: HttpRequest) -> HttpResponseBase:
    """List the counts, open ones first."""
    state = request.GET.get("state", "")
    location = request.GET.get("location", "").replace("\0", "")
    state = state if state in STATES else ""
    page = Paginator(queries.list_counts(location=location, state=state), PAGE).get_page(request.GET.get("page"))
    today, names = clock.today(), dict(InstrumentKind.objects.values_list("code", "name"))
    rows = [
        {"count": each, "days": (today - timezone.localdate(each.opened_at)).days, "kinds": [names[code] for code in each.kinds]}
        for each in page
    ]
    shops = Location.objects.order_by("name")
    actions = [{"label": "Start a count", "url": reverse("stock_count_start"), "main": True}]
    context = {"page": page, "rows": rows, "state": state, "location": location, "shops": shops, "actions": actions}
    return render(request, "inventory/counts/list.html", context)


def name_kinds(codes: list[str]) -> list[str]:
    """Return the names of the kinds a count is of, in the order of the catalogue; empty where it is of all."""
    return list(InstrumentKind.objects.filter(pk__in=codes).values_list("name", flat=True)) if codes else []


@requires("stock.count")
def stock_count_start(request: HttpRequest) -> HttpResponseBase:
    """Open a count, or say which one to join."""
    form = OpenCountForm(request.POST or None, initial={"location": request.session.get("bench_location", "")})
    status, running = 200, None
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = operations.open_count(**form.cleaned_data, acting_user=acting_user(request), now=clock.now())
            except CountAlreadyOpenError as error:
                form.add_error("location", str(error))
                status, running = 409, error.count
            except RequestKeyReusedError as error:
                form.add_error(None, str(error))
            else:
                return redirect("stock_count", count_id=made.pk)
    return render(request, "inventory/counts/start.html", {"form": form, "running": running}, status=status)


@with_camera
@requires("stock.count")
def stock_count(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Scan into an open count; a closed one shows its result."""
    count = get_object_or_404(StockCount.objects.select_related("location", "opened_by"), pk=count_id)
    if not count.is_open:
        return redirect("stock_count_review", count_id=count.pk)
    told = queries.tally(count)
    context = {
        "count": count,
        "kinds": name_kinds(count.kinds),
        "lines": [line_of(each) for each in queries.list_scans(count)[:LAST]],
        "tally": tally_of(told),
        "new_id": uuid4(),
        "tones": ("good", "info", "warn", "bad"),
        "days": (clock.today() - timezone.localdate(count.opened_at)).days,
    }
    return render(request, "inventory/counts/scan.html", context)


def line_of(scan: CountScan) -> dict[str, Any]:
    """Return a scan as a line of the list of last scans."""
    tone, word, _ = WORDS[Verdict(scan.told)]
    unit = scan.instrument
    item = f"{unit.item.kind}, {unit.item}" if unit else ""
    return {"scan": scan, "code": unit.asset_tag if unit else scan.code, "item": item, "tone": tone, "word": word}


def tally_of(told: dict[str, int]) -> dict[str, int]:
    """Return how many scans stand, and how many of them wait for the review."""
    every = sum(told.values())
    plain = told.get(Verdict.OK, 0) + told.get(Verdict.OTHER_KIND, 0)
    return {"scanned": every, "aside": every - plain}


def _answer(told: list[Told], count: StockCount) -> dict[str, Any]:
    lines = [
        {"id": str(each.client_id), "verdict": each.verdict, "tone": each.tone, "word": each.word, "text": each.text}
        | {"code": each.code, "item": each.item}
        for each in told
    ]
    return {"told": lines, **tally_of(queries.tally(count))}


def _page_of(count_id: int) -> str:
    return reverse("stock_count", args=[count_id])


@require_POST
@requires("stock.count")
@stands_on(_page_of)
def count_scans(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Take scans: a list from the page's script, answered with a verdict each, or one from its form, answered by the page."""
    count = get_object_or_404(StockCount, pk=count_id)
    from_script = request.content_type == "application/json"
    try:
        scans = read_scans(request.body) if from_script else [_typed(request)]
        told = operations.take_scans(count=count, scans=scans, acting_user=acting_user(request), now=clock.now())
    except ScansUnreadableError as error:
        return _refuse(request, count_id, str(error), 400 if from_script else 302)
    except CountClosedError as error:
        return _refuse(request, count_id, str(error), 409 if from_script else 302)
    except RowsBusyError as error:
        return _refuse(request, count_id, str(error), 503 if from_script else 302)
    if from_script:
        return JsonResponse(_answer(told, count))
    level = {"good": messages.SUCCESS, "info": messages.INFO, "warn": messages.WARNING, "bad": messages.ERROR}
    for each in told:
        messages.add_message(request, level[each.tone], f"{each.code}: {each.word}. {each.text}")
    return redirect("stock_count", count_id=count_id)


def _typed(request: HttpRequest) -> operations.ScanSent:
    code = request.POST.get("code", "").replace("\0", "").strip()[:320]
    if not code:
        message = "Scan a label, or type a tag, before you send it."
        raise ScansUnreadableError(message)
    return operations.ScanSent(client_id=_uuid(request.POST.get("id", "")), code=code, device="typed")


def _uuid(text: str) -> UUID:
    try:
        return UUID(str(UUIDField().to_python(text)))
    except (ValidationError, ValueError) as error:
        message = "This page is out of date. Load it again and scan once more."
        raise ScansUnreadableError(message) from error


def _refuse(request: HttpRequest, count_id: int, words: str, status: int) -> HttpResponseBase:
    if status == 302:
        messages.error(request, words)
        return redirect("stock_count", count_id=count_id)
    return JsonResponse({"error": words}, status=status)


@require_POST
@requires("stock.count")
@stands_on(_page_of)
def count_scan_undo(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Take a scan back."""
    count = get_object_or_404(StockCount, pk=count_id)
    from_script = request.headers.get("Accept") == "application/json"
    try:
        client_id = _uuid(request.POST.get("id", ""))
        scan = operations.undo_scan(count=count, client_id=client_id, acting_user=acting_user(request), now=clock.now())
    except CountScan.DoesNotExist:
        return _refuse(request, count_id, "This scan is not in this count.", 404 if from_script else 302)
    except (ScansUnreadableError, CountClosedError, CountScanSettledError, RowsBusyError) as error:
        return _refuse(request, count_id, str(error), 409 if from_script else 302)
    if from_script:
        return JsonResponse(tally_of(queries.tally(count)))
    messages.info(request, f"{scan.instrument or scan.code}: the scan is taken back.")
    return redirect("stock_count", count_id=count_id)
