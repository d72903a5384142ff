"""A run driven, on a telephone: loaded by scan, scanned off stop by stop, signed for, scanned out at the shop, finished."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.counter.bench.verdicts import Verdict
from rentals.counter.runs import operations, queries
from rentals.counter.runs.forms import HandoverForm
from rentals.counter.runs.views import run_or_404
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import runs
from schools.models import Load, Run, Stop


def _page_of(run_id: int, **_: Any) -> str:
    return reverse("run_drive", args=[run_id])


def _at(run: Run, wanted: str, sheet: queries.Sheet) -> queries.StopLine | None:
    """Return the stop that is worked: the one asked for, else the first with something open; None at the shop."""
    if run.state != Run.State.UNDER_WAY or wanted == "home":
        return None
    asked = next((line for line in sheet.stops if str(line.stop.pk) == wanted), None)
    return asked or next((line for line in sheet.stops if line.open), None)


def facts_of(run: Run, *, at: str, verdict: Verdict | None = None, form: HandoverForm | None = None) -> dict[str, Any]:
    """Give what the page of a run that is driven shows: the stop asked for, else the first with something open."""
    sheet = queries.get_sheet(run)
    here = _at(run, at, sheet)
    fresh = {"key": uuid.uuid4(), "safe_place": here.stop.safe_place if here else ""}
    return {
        "run": run,
        "sheet": sheet,
        "here": here,
        "phone": queries.get_home_phone(here.stop) if here else "",
        "step": operations.IN_VAN if run.state == Run.State.PLANNED else operations.AT_STOP if here else operations.HOME,
        "verdict": verdict,
        "key": uuid.uuid4(),
        "form": form or HandoverForm(initial=fresh),
        "back": {"label": "The run", "url": reverse("run", args=[run.pk])},
    }


def _show(request: HttpRequest, run: Run, *, status: int = 200, **facts: Any) -> HttpResponseBase:
    partial = request.htmx  # type: ignore[attr-defined]
    page = "counter/runs/drive_state.html" if partial else "counter/runs/drive.html"
    return render(request, page, facts_of(run, **facts), status=status)


@requires("runs.drive")
@require_safe
def run_drive(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Show what is next: loading, a stop, or the last scans at the shop."""
    return _show(request, run_or_404(run_id), at=request.GET.get("at", "")[:20])


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def run_scan(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Take one scan for the step in force."""
    run = run_or_404(run_id)
    code, at, step = (request.POST.get(name, "")[:80].replace("\0", "").strip() for name in ("code", "at", "step"))
    if not code:
        said = Verdict("warn", "Nothing scanned", "Scan a label, or type its tag.")
        return _show(request, run, at=at, verdict=said, status=422)
    stop = Stop.objects.filter(run=run, pk=int(at)).first() if at.isdecimal() and len(at) < 12 else None
    try:
        verdict = operations.scan(
            run=run,
            step=step if step in {operations.IN_VAN, operations.AT_STOP} else operations.HOME,
            stop=stop,
            code=code,
            key=uuid.UUID(request.POST.get("key", "")),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except RequestKeyReusedError as error:
        return _show(request, run, at=at, verdict=Verdict("bad", str(error)), status=409)
    except ValueError:
        return _show(request, run, at=at, verdict=Verdict("bad", "Not read", "Scan it once more."), status=422)
    return _show(request, run_or_404(run_id), at=at or "home", verdict=verdict)


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def run_leave(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """The van leaves the shop."""
    try:
        operations.leave(run=run_or_404(run_id), acting_user=acting_user(request), now=clock.now())
    except runs.RunOverError as error:
        messages.error(request, str(error))
    return redirect("run_drive", run_id)


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def stop_hand_over(request: HttpRequest, run_id: int, stop_id: int) -> HttpResponseBase:
    """Hand over what was scanned off at a stop, signed for or left in a safe place."""
    stop = get_object_or_404(Stop.objects.select_related("run"), run=run_id, pk=stop_id)
    form = HandoverForm(request.POST)
    if not form.is_valid():
        return _show(request, run_or_404(run_id), at=str(stop_id), form=form, status=422)
    to, key = form.handover(), form.cleaned_data["key"]
    try:
        loads = operations.hand_over(stop=stop, to=to, key=key, acting_user=acting_user(request), now=clock.now())
    except (*operations.RUN_REFUSALS, operations.NothingScannedOffError, RequestKeyReusedError) as error:
        form.add_error(None, str(error))
        return _show(request, run_or_404(run_id), at=str(stop_id), form=form, status=409)
    messages.success(request, handed(loads))
    where = f"{reverse('run_drive', args=[run_id])}?at={stop_id}"
    if request.htmx:  # type: ignore[attr-defined]
        return HttpResponse(headers={"HX-Redirect": where})
    return redirect(where)


def handed(loads: list[Load]) -> str:
    """Say what was handed over, or left."""
    tags = ", ".join(load.instrument.asset_tag for load in loads)
    return f"{loads[0].get_outcome_display()}: {tags}."


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def load_not_done(request: HttpRequest, run_id: int, load_id: int) -> HttpResponseBase:
    """Say that something was not handed over, or was not there."""
    load = get_object_or_404(Load.objects.select_related("run", "instrument"), run=run_id, pk=load_id)
    why = " ".join(request.POST.get("why", "").replace("\0", "").split())[:160]
    where = f"{reverse('run_drive', args=[run_id])}?at={load.stop_id}"
    if not why:
        messages.error(request, f"{load.instrument.asset_tag}: write why, in a few words.")
        return redirect(where)
    try:
        done = operations.not_done(load=load, why=why, acting_user=acting_user(request), now=clock.now())
    except (runs.RunOverError, operations.NotAtThisPointError) as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"{load.instrument.asset_tag}: {done.get_outcome_display().lower()}. It waits for another day.")
    return redirect(where)


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def run_finish(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Finish the run once everything is accounted for."""
    try:
        operations.finish_run(run=run_or_404(run_id), acting_user=acting_user(request), now=clock.now())
    except (runs.RunOverError, operations.StillInTheVanError) as error:
        messages.error(request, str(error))
        return redirect(f"{reverse('run_drive', args=[run_id])}?at=home")
    messages.success(request, "The run is done: everything is accounted for.")
    return redirect("run", run_id)
