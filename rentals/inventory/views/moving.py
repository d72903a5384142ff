"""Move several: say once where they go and why, then scan one after the other; each scan has its verdict, and its undo."""

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from rentals.inventory.custody_forms import BatchForm
from rentals.inventory.models import MoveBatch, MoveScan
from rentals.inventory.operations import batches as operations
from rentals.inventory.queries.chain import list_at_school
from rentals.inventory.views.custody import REFUSALS
from rentals.runtime import clock
from rentals.runtime.camera import with_camera
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

SHOWN = 40
TONES = {"moved": "good", "already": "info", "unknown": "bad", "wrong": "warn"}
MOVED = Q(scans__verdict="moved", scans__undone_at=None)


def _batches() -> Any:
    return MoveBatch.objects.select_related("location", "school", "from_school", "made_by")


@requires("instruments.move")
def moves(request: HttpRequest) -> HttpResponseBase:
    """Ask where they go, list the last rounds, and begin a new one."""
    initial = {"place": "shelf", "from_school": request.GET.get("from_school"), "request_key": uuid4()}
    initial["location"] = request.session.get("bench_location")
    form = BatchForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        data = dict(form.cleaned_data)
        key = data.pop("request_key")
        try:
            batch = operations.open_batch(
                aim=operations.Aim(**data), request_key=key, acting_user=acting_user(request), now=clock.now()
            )
        except RequestKeyReusedError as error:
            form.add_error(None, str(error))
        else:
            return redirect("move_batch", batch.pk)
    rounds = _batches().annotate(moved=Count("scans", filter=MOVED), refused=Count("scans", filter=~Q(scans__verdict="moved")))
    context = {"form": form, "rounds": list(rounds[:20])}
    return render(request, "inventory/moves/moves.html", context, status=422 if form.errors else 200)


@with_camera
@requires("instruments.move")
def move_batch(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Show a round: the field for the next code, the last verdict, what was moved, and what is still at the school."""
    batch = get_object_or_404(_batches(), pk=batch_id)
    return render(request, "inventory/moves/batch.html", _live(batch) | {"new_id": uuid4()})


def _live(batch: MoveBatch) -> dict[str, Any]:
    """Return what changes with every scan, in four queries."""
    scans = batch.scans.select_related("instrument__item__kind", "scanned_by")
    tally = batch.scans.aggregate(
        moved=Count("pk", filter=Q(verdict="moved", undone_at=None)),
        aside=Count("pk", filter=Q(verdict__in=["unknown", "wrong"])),
    )
    lines = [{"scan": scan, "tone": TONES[scan.verdict]} for scan in scans[:SHOWN]]
    still = list(list_at_school(batch.from_school_id)) if batch.from_school_id else []
    return {"batch": batch, "lines": lines, "last": lines[0] if lines else None, "tally": tally, "still": still}


def _answer(request: HttpRequest, batch: MoveBatch) -> HttpResponseBase:
    """Answer the page's script with what changed, a plain form with the page anew."""
    if request.headers.get("X-Scan"):
        return render(request, "inventory/moves/live.html", _live(batch))
    return redirect("move_batch", batch.pk)


@require_POST
@requires("instruments.move")
@stands_on(lambda batch_id: f"/instruments/moves/{batch_id}/")
def move_scan(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Take one code."""
    batch = get_object_or_404(_batches(), pk=batch_id)
    code = request.POST.get("code", "").replace("\0", "").strip()
    try:
        client_id = UUID(request.POST.get("id", ""))
    except ValueError:
        client_id = uuid4()
    if code:
        operations.scan_into(batch=batch, code=code, client_id=client_id, acting_user=acting_user(request), now=clock.now())
    return _answer(request, batch)


@require_POST
@requires("instruments.move")
@stands_on(lambda batch_id, scan_id: f"/instruments/moves/{batch_id}/")
def move_scan_undo(request: HttpRequest, batch_id: int, scan_id: int) -> HttpResponseBase:
    """Take one scan back."""
    scan = get_object_or_404(MoveScan.objects.select_related("batch"), pk=scan_id, batch=batch_id)
    try:
        operations.undo_scan(scan=scan, acting_user=acting_user(request), now=clock.now())
    except REFUSALS as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"{scan.code} is back where it was.")
    return redirect("move_batch", batch_id)


@require_POST
@requires("instruments.move")
@stands_on(lambda batch_id: f"/instruments/moves/{batch_id}/")
def move_rest(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Take all that is still at the school as come back; what could not move is named."""
    batch = get_object_or_404(_batches(), pk=batch_id)
    made = operations.take_the_rest(batch=batch, acting_user=acting_user(request), now=clock.now())
    refused = [scan.code for scan in made if scan.verdict != MoveScan.Verdict.MOVED]
    moved = len(made) - len(refused)
    messages.success(request, f"{moved} more {'has' if moved == 1 else 'have'} come back.")
    if refused:
        messages.warning(request, f"Not moved, each with its reason below: {', '.join(refused)}.")
    return redirect("move_batch", batch_id)
