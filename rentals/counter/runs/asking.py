"""What a run needs to know: that the van is wanted at a family's door, whom it brings what was promised, where places lie."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from rentals.agreements.models import UnitPromise
from rentals.counter.runs import moves, promised
from rentals.counter.runs.forms import HomeErrandForm, PromisedForm, SpotForm
from rentals.counter.runs.views import run_or_404, show_run
from rentals.inventory import queries
from rentals.runtime import clock
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import errands, spots
from schools.models import HomeErrand, Stop

PROMISE_SHOWS = ("agreement__household", "agreement__student", "agreement__programme__school")


@requires("runs.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def home_errand_ask(request: HttpRequest, tag: str) -> HttpResponseBase:
    """Ask that the van brings what a family rents to its door, or fetches it there."""
    instrument = queries.get_by_tag(tag)
    unit = moves.open_unit(instrument) if instrument else None
    if instrument is None or unit is None:
        raise Http404
    today = clock.today()
    form = HomeErrandForm(request.POST or None, today=today, initial={"wanted_from": today})
    if request.method == "POST" and form.is_valid():
        try:
            errands.ask_for_home(
                household_id=unit.agreement.household_id,
                instrument=instrument,
                acting_user=acting_user(request),
                now=clock.now(),
                **form.facts(),
            )
        except errands.HomeErrandOpenError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"{instrument.asset_tag} waits for a run.")
            return redirect("agreement", unit.agreement_id)
    context = {
        "form": form,
        "instrument": instrument,
        "household": unit.agreement.household,
        "back": {"label": f"Agreement {unit.agreement.number}", "url": reverse("agreement", args=[unit.agreement_id])},
    }
    return render(request, "counter/runs/ask.html", context, status=422 if form.errors else 200)


@requires("runs.plan")
@require_POST
@stands_on(lambda run_id, **_: reverse("run", args=[run_id]))
def run_promise(request: HttpRequest, run_id: int, promise_id: int) -> HttpResponseBase:
    """Assign a family that waits its instrument, and put it on the run."""
    run = run_or_404(run_id)
    promise = get_object_or_404(UnitPromise.objects.select_related(*PROMISE_SHOWS), pk=promise_id)
    form = PromisedForm(request.POST)
    typed = {"pk": promise.pk, "tag": request.POST.get("tag", "")[:40]}
    if not form.is_valid():
        return show_run(request, run, status=422, refused={**typed, "why": form.why})
    try:
        load = promised.bring_promised(
            run=run, promise=promise, **form.cleaned_data, acting_user=acting_user(request), now=clock.now()
        )
    except promised.REFUSALS as error:
        return show_run(request, run, status=409, refused={**typed, "why": str(error)})
    messages.success(request, f"{form.cleaned_data['instrument'].asset_tag} is theirs and on this run, to {load.stop.name}.")
    return redirect("run", run_id)


def _runs(**_: Any) -> str:
    return reverse("runs")


@requires("runs.plan")
@require_POST
@stands_on(_runs)
def home_errand_call_off(request: HttpRequest, home_errand_id: int) -> HttpResponseBase:
    """Call off what the van was asked for at a family's door."""
    errand = get_object_or_404(HomeErrand.objects.select_related("instrument"), pk=home_errand_id)
    try:
        errands.call_off(errand=errand, acting_user=acting_user(request), now=clock.now())
    except (errands.ErrandEndedError, errands.OnTheRunError) as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"{errand.instrument.asset_tag} does not wait for a run any more.")
    return redirect("runs")


@requires("runs.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def stop_spot(request: HttpRequest, run_id: int, stop_id: int) -> HttpResponseBase:
    """Write down where the school or the household of a stop lies."""
    stop = get_object_or_404(Stop.objects.select_related("school__spot", "household__spot"), run=run_id, pk=stop_id)
    if stop.kind == Stop.Kind.WORK:
        raise Http404
    return _spot(request, run_id, of=stop.school or stop.household, name=stop.name, address=stop.address)


@requires("runs.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def shop_spot(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Write down where the shop of a run lies."""
    shop = run_or_404(run_id).location
    return _spot(request, run_id, of=shop, name=shop.name, address=f"{shop.street}, {shop.city}, {shop.state} {shop.postal_code}")


def _spot(request: HttpRequest, run_id: int, *, of: Any, name: str, address: str) -> HttpResponseBase:
    known = getattr(of, "spot", None)
    form = SpotForm(request.POST or None, initial={"written": str(known) if known else ""})
    if request.method == "POST" and form.is_valid():
        latitude, longitude = form.cleaned_data["written"]
        spots.write_spot(of=of, latitude=latitude, longitude=longitude, acting_user=acting_user(request), now=clock.now())
        messages.success(request, f"Written down where {name} lies.")
        return redirect("run", run_id)
    context = {"form": form, "name": name, "address": address, "back": {"label": "The run", "url": reverse("run", args=[run_id])}}
    return render(request, "counter/runs/spot.html", context, status=422 if form.errors else 200)
