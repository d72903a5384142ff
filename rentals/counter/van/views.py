"""The van's list: what the next runs fetch and bring, ticked off; and putting an instrument on it."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.agreements.models import AgreementUnit
from rentals.counter.bench.refusals import REFUSALS
from rentals.counter.van import operations
from rentals.counter.van.forms import ErrandForm
from rentals.counter.van.queries import list_stops
from rentals.inventory import queries
from rentals.inventory.models import Instrument, Location
from rentals.runtime import clock
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires
from schools import errands as van
from schools.models import Errand, School

VAN_REFUSALS = (*REFUSALS, van.ErrandEndedError, van.OnTheRunError, operations.NotForThatShopError, operations.NotAtTheShopError)


def _page(**_: Any) -> str:
    return reverse("errands")


@requires("errands.work")
@require_safe
def errands(request: HttpRequest) -> HttpResponseBase:
    """Show what the van fetches and brings, by day and school; made to be printed for the driver."""
    wanted = request.GET.get("school", "")
    school = int(wanted) if wanted.isdecimal() and len(wanted) < 10 else None
    locations = list(Location.objects.filter(is_active=True).order_by("name"))
    here = request.GET.get("location") or request.session.get("bench_location", "")
    off = request.session.pop("called_off", None)
    stops = list_stops(today=clock.today(), school_id=school)
    others = School.objects.filter(errands__ended_at=None, errands__isnull=False).distinct().order_by("name")
    context = {
        "called_off": Errand.objects.filter(pk=off, outcome="called_off").select_related("instrument").first() if off else None,
        "stops": stops,
        "schools": others if wanted else sorted({stop.school for stop in stops}, key=lambda each: each.name),
        "school": wanted,
        "locations": locations,
        "location": locations[0].pk if len(locations) == 1 else here,
        "today": clock.today(),
    }
    return render(request, "counter/van/errands.html", context)


@requires("errands.work")
@require_http_methods(["GET", "HEAD", "POST"])
def errand_ask(request: HttpRequest, tag: str) -> HttpResponseBase:
    """Put an instrument on the van's list."""
    unit = queries.get_by_tag(tag)
    if unit is None:
        raise Http404
    today = clock.today()
    form = ErrandForm(request.POST or None, today=today, initial=_first_answers(unit) | {"wanted_from": today})
    if request.method == "POST" and form.is_valid():
        try:
            made = van.ask_for(instrument=unit, **form.cleaned_data, acting_user=acting_user(request), now=clock.now())
        except (van.ErrandOpenError, van.SchoolNotServedError) as error:
            form.add_error(None, str(error))
        else:
            on = van.next_day_of(made, today=today)
            messages.success(request, f"On the van's list for {made.school}, {on:%A, %B} {on.day}.")
            return redirect("errands")
    back = {"label": unit.asset_tag, "url": _back(request, unit)}
    context = {"form": form, "unit": unit, "where": queries.get_whereabouts(unit), "back": back}
    return render(request, "counter/van/ask.html", context, status=422 if form.errors else 200)


def _back(request: HttpRequest, unit: Instrument) -> str:
    if may(request.user, "instruments.move"):
        return reverse("bench", query={"tag": unit.asset_tag})
    return reverse("instrument", args=[unit.pk])


def _first_answers(unit: Any) -> dict[str, Any]:
    """What is likely: bring what stands in the shop, fetch everything else, at the school of its student."""
    rented = AgreementUnit.objects.filter(instrument=unit, ended_at=None).select_related("agreement__student__programme").first()
    programme = rented.agreement.student.programme if rented else None
    in_shop = unit.here is not None and unit.here.place in {"bench", "shelf"}
    school = programme.school_id if programme else unit.here.school_id if unit.here else None
    return {"kind": "drop_off" if in_shop else "pick_up", "school": school}


def _errand_or_404(errand_id: int) -> Errand:
    return get_object_or_404(Errand.objects.select_related("school", "instrument__item__kind"), pk=errand_id)


@requires("errands.work")
@require_POST
@stands_on(_page)
def errand_done(request: HttpRequest, errand_id: int) -> HttpResponseBase:
    """Tick an errand done: its instrument moves with it."""
    errand = _errand_or_404(errand_id)
    location = Location.objects.filter(is_active=True, pk=request.POST.get("location", "")).first()
    try:
        operations.do_errand(errand=errand, location=location, acting_user=acting_user(request), now=clock.now())
    except VAN_REFUSALS as error:
        messages.error(request, str(error))
    else:
        if location:
            request.session["bench_location"] = location.pk
        words = f"in at {location}" if errand.kind == Errand.Kind.PICK_UP and location else "done"
        messages.success(request, f"{errand.instrument} is {words}.")
    return redirect("errands")


@requires("errands.work")
@require_POST
@stands_on(_page)
def errand_call_off(request: HttpRequest, errand_id: int) -> HttpResponseBase:
    """Take an errand off the list; it can be put back."""
    errand = _errand_or_404(errand_id)
    try:
        van.call_off(errand=errand, acting_user=acting_user(request), now=clock.now())
    except (van.ErrandEndedError, van.OnTheRunError) as error:
        messages.error(request, str(error))
    else:
        request.session["called_off"] = errand.pk
    return redirect("errands")


@requires("errands.work")
@require_POST
@stands_on(_page)
def errand_take_up(request: HttpRequest, errand_id: int) -> HttpResponseBase:
    """Put an errand that was called off back on the list."""
    errand = _errand_or_404(errand_id)
    try:
        van.take_up_again(errand=errand, acting_user=acting_user(request))
    except van.ErrandOpenError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"{errand.instrument} is on the van's list again.")
    request.session.pop("called_off", None)
    return redirect("errands")
