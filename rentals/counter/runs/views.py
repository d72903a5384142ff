"""Runs planned: listed, opened, filled with what waits, put in order, printed, called off."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.counter.runs import papers, promised, queries
from rentals.counter.runs.forms import RunForm
from rentals.runtime import clock
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires
from schools import errands, routing, runs
from schools.models import Errand, HomeErrand, Load, Run, Stop

REFUSALS = (
    runs.RunOverError,
    runs.RunChangedError,
    runs.OnRunError,
    runs.LoadedError,
    runs.CannotCallOffError,
    errands.ErrandEndedError,
    routing.TooManyStopsError,
)


def run_or_404(run_id: int) -> Run:
    """Return a run with driver, shop and where the shop lies."""
    return get_object_or_404(Run.objects.select_related("driver", "location__spot"), pk=run_id)


def _page_of(run_id: int, **_: Any) -> str:
    return reverse("run", args=[run_id])


def _version(request: HttpRequest) -> int | None:
    written = request.POST.get("version", "")
    return int(written) if written.isdecimal() and len(written) < 10 else None


@requires("runs.drive")
@require_safe
def runs_list(request: HttpRequest) -> HttpResponseBase:
    """List the runs ahead, those that are over, and how much waits to go along."""
    today = clock.today()
    ahead, over = queries.list_runs()
    plans = may(request.user, "runs.plan")
    actions = [{"label": "Plan a run", "url": reverse("run_plan"), "main": True}] if plans else []
    waiting = queries.list_waiting(today) if plans else []
    context = {"ahead": ahead, "over": over, "actions": actions, "today": today, "waiting": waiting}
    return render(request, "counter/runs/runs.html", context)


@requires("runs.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def run_plan(request: HttpRequest) -> HttpResponseBase:
    """Open a run."""
    initial = {"request_key": uuid.uuid4(), "driver": request.user.pk, "location": request.session.get("bench_location", "")}
    form = RunForm(request.POST or None, today=clock.today(), initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            run = runs.plan_run(**form.cleaned_data, acting_user=acting_user(request), now=clock.now())
        except runs.DriverHasRunError as error:
            form.add_error("driver", str(error))
        else:
            return redirect("run", run.pk)
    back = {"label": "Runs", "url": reverse("runs")}
    return render(request, "counter/runs/plan.html", {"form": form, "back": back}, status=422 if form.errors else 200)


@requires("runs.drive")
@require_safe
def run_page(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Show a run: its stops in order, what each gets, and what waits to go along."""
    return show_run(request, run_or_404(run_id))


def show_run(request: HttpRequest, run: Run, *, status: int = 200, refused: dict[str, Any] | None = None) -> HttpResponseBase:
    """Show the page of a run; `refused` says what was typed for which promise (`pk`, `tag`), and why it could not be."""
    plans = may(request.user, "runs.plan") and not run.is_over
    sheet, waiting = queries.get_sheet_and_waiting(run) if plans else (queries.get_sheet(run), [])
    context = {
        "promised": promised.list_promised(run) if plans else [],
        "refused": refused or {},
        "request_key": uuid.uuid4(),
        "run": run,
        "sheet": sheet,
        "waiting": waiting,
        "plans": plans,
        "back": {"label": "Runs", "url": reverse("runs")},
        "most": routing.MOST_STOPS,
    }
    return render(request, "counter/runs/run.html", context, status=status)


def _answer(request: HttpRequest, run_id: int, said: str = "") -> HttpResponseBase:
    if said:
        messages.success(request, said)
    return redirect("run", run_id)


@requires("runs.plan")
@require_POST
@stands_on(_page_of)
def run_add(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Put what was ticked on the run; what cannot go along says why, the rest goes."""
    run, added = run_or_404(run_id), 0
    for value in request.POST.getlist("errand")[:200]:
        kind, _, number = value.partition("-")
        pk = int(number) if number.isdecimal() and len(number) < 12 else 0
        try:
            if kind == "home":
                errand = get_object_or_404(HomeErrand, pk=pk)
                initials = queries.initials_of([errand.instrument_id]).get(errand.instrument_id, "")
                runs.add_home_errand(run=run, errand=errand, initials=initials)
            else:
                runs.add_errand(run=run, errand=get_object_or_404(Errand, pk=pk))
        except REFUSALS as error:
            messages.error(request, str(error))
        else:
            added += 1
    if not request.POST.getlist("errand"):
        messages.error(request, "Tick what goes along first.")
    return _answer(request, run_id, f"{added} put on the run." if added else "")


@requires("runs.plan")
@require_POST
@stands_on(_page_of)
def run_order(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Put the stops in a good order, and say how long the way was and is."""
    try:
        found = runs.put_in_order(run=run_or_404(run_id), version=_version(request))
    except REFUSALS as error:
        messages.error(request, str(error))
        return redirect("run", run_id)
    if found.metres is None or found.metres_before is None:
        messages.info(request, "No stop has a point yet: write down where they lie, then they can be put in order.")
        return redirect("run", run_id)
    before, after = queries.in_miles(found.metres_before), queries.in_miles(found.metres)
    return _answer(request, run_id, f"In order: about {after} miles, before {before}.")


@requires("runs.plan")
@require_POST
@stands_on(_page_of)
def stop_move(request: HttpRequest, run_id: int, stop_id: int) -> HttpResponseBase:
    """Move a stop up or down, hold it first or last, or let it go."""
    stop, version = get_object_or_404(Stop, run=run_id, pk=stop_id), _version(request)
    where = request.POST.get("where", "")
    try:
        if where in {"up", "down"}:
            runs.move_stop(stop=stop, by=-1 if where == "up" else 1, version=version)
        elif where in {"first", "last", "free"}:
            runs.pin_stop(stop=stop, pinned="" if where == "free" else where, version=version)
    except REFUSALS as error:
        messages.error(request, str(error))
    return redirect(f"{reverse('run', args=[run_id])}#stop-{stop_id}")


@requires("runs.plan")
@require_POST
@stands_on(_page_of)
def load_strike(request: HttpRequest, run_id: int, load_id: int) -> HttpResponseBase:
    """Strike something off the run: it waits again."""
    load = get_object_or_404(Load.objects.select_related("run", "instrument"), run=run_id, pk=load_id)
    try:
        runs.strike_off(load=load)
    except REFUSALS as error:
        messages.error(request, str(error))
        return redirect("run", run_id)
    return _answer(request, run_id, f"{load.instrument.asset_tag} is off this run and waits again.")


@requires("runs.plan")
@require_POST
@stands_on(_page_of)
def run_call_off(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Call a planned run off."""
    try:
        runs.call_off(run=run_or_404(run_id), acting_user=acting_user(request), now=clock.now())
    except REFUSALS as error:
        messages.error(request, str(error))
        return redirect("run", run_id)
    return _answer(request, run_id, "The run is called off. What was on it waits again.")


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def run_manifest(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Have the manifest made as the run is now, and go to it."""
    document = papers.ask_for_manifest(run=run_or_404(run_id), now=clock.now())
    return redirect("document", document_id=document.pk)


@requires("runs.drive")
@require_POST
@stands_on(_page_of)
def stop_slip(request: HttpRequest, run_id: int, stop_id: int) -> HttpResponseBase:
    """Have the delivery slip of a stop made as the run is now, and go to it."""
    stop = get_object_or_404(
        Stop.objects.select_related("run__location__spot", "run__driver", "household"), run=run_id, pk=stop_id
    )
    return redirect("document", document_id=papers.ask_for_slip(stop=stop, now=clock.now()).pk)
