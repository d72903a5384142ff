"""Sign-up nights: the list, one night with the way to all its parts, planned, changed, called off."""

from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from rentals.counter.nights.planning.forms import HostForm, NightForm, initial_of
from rentals.inventory.forms import show_version
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import acting_user, may, requires
from schools import nights as operations
from schools.models import Night, Programme, School
from schools.seasons import Season, count_seasons

PAGE = 25


def night_or_404(night_id: int) -> Night:
    """Return a night with school and location, counted as in the list."""
    return get_object_or_404(operations.list_nights(), pk=night_id)


@requires("nights.view")
@require_safe
def nights(request: HttpRequest) -> HttpResponseBase:
    """List the nights: those to come, the next one first, then those that are over."""
    today = clock.today()
    rows = operations.list_nights()
    over = rows.filter(state__in=[Night.State.CLOSED, Night.State.CALLED_OFF])
    coming = rows.filter(state__in=[Night.State.PLANNED, Night.State.OPEN]).order_by("on", "begins_at", "pk")
    context = {
        "coming": coming[:200],
        "page": Paginator(over, PAGE).get_page(request.GET.get("page")),
        "today": today,
        "actions": _plan() if may(request.user, "nights.plan") else [],
    }
    return render(request, "counter/nights/list.html", context)


def _plan() -> list[dict[str, Any]]:
    return [{"label": "Plan a night", "url": reverse("night_add"), "main": True}]


@requires("nights.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def night_add(request: HttpRequest) -> HttpResponseBase:
    """Plan a night: first at which school, then the rest."""
    chosen = request.GET.get("school", "")
    if not chosen and request.method != "POST":
        return render(request, "counter/nights/host.html", {"form": HostForm(), "back": _back()})
    host = HostForm({"school": chosen})
    if not host.is_valid():
        return render(request, "counter/nights/host.html", {"form": host, "back": _back()}, status=422)
    school: School = host.cleaned_data["school"]
    form = NightForm(request.POST or None, school=school, today=clock.today(), initial=_first_answers(request, school))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                night = operations.plan_night(
                    school=school,
                    facts=form.facts(),
                    request_key=form.cleaned_data["request_key"] or uuid4(),
                    acting_user=acting_user(request),
                    now=clock.now(),
                )
            except operations.NightPlannedError as error:
                form.add_error("on", str(error))
            except (operations.NightNotForProgrammeError, RequestKeyReusedError) as error:
                form.add_error(None, str(error))
            else:
                messages.success(request, f"Planned: {school}. Next, decide what the van takes along.")
                return redirect("night", night.pk)
    context = {"form": form, "school": school, "back": _back(), "before": _before(form)}
    return render(request, "counter/nights/form.html", context, status=status)


def _before(form: NightForm) -> list[tuple[Programme, list[Season]]]:
    """Give what signed up at the programmes that can be asked, season by season; the school's own ones first."""
    choices: Any = form.fields["programmes"]
    listed = sorted(choices.queryset, key=lambda each: each.school_id != form.school.pk)
    signed = count_seasons(listed, today=form.today)
    return [(each, signed[each.pk]) for each in listed]


def _first_answers(request: HttpRequest, school: School) -> dict[str, Any]:
    """Begin with what is likely: its own programmes and their beginners, the room and shop of last time."""
    before = Night.objects.filter(school=school).exclude(state=Night.State.CALLED_OFF).order_by("-on").first()
    usual = {name: getattr(before, name) for name in ("begins_at", "ends_at", "room")} if before else {}
    beginners = sum(each or 0 for each in school.programmes.values_list("expected_beginners", flat=True))
    return {
        **usual,
        **({"expected_families": beginners} if beginners else {}),
        "programmes": list(school.programmes.values_list("pk", flat=True)),
        "location": before.location_id if before else request.session.get("bench_location", ""),
        "request_key": uuid4(),
    }


def _back() -> dict[str, str]:
    return {"label": "Nights", "url": reverse("nights")}


@requires("nights.view")
@require_safe
def night(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show a night: when and where, who comes, what is along, and the way to all its parts in the order of the evening."""
    shown = night_or_404(night_id)
    listed = list(shown.programmes.select_related("school").order_by("school__name", "kind"))
    signed = count_seasons(listed, today=clock.today())
    programmes = [(each, signed[each.pk]) for each in listed]
    context = {"night": shown, "programmes": programmes, "back": _back(), "today": clock.today()}
    return render(request, "counter/nights/night.html", context)


@requires("nights.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def night_change(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Change what is written about a night, as it was when its form was opened."""
    shown = night_or_404(night_id)
    if shown.is_over:
        messages.info(request, str(operations.NightOverError(shown)))
        return redirect("night", night_id)
    form = NightForm(request.POST or None, school=shown.school, today=clock.today(), night=shown, initial=initial_of(shown))
    status, says_now = 200, None
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                operations.change_night(
                    night=shown,
                    version=form.cleaned_data["version"] or 0,
                    facts=form.facts(),
                    acting_user=acting_user(request),
                )
            except operations.NightPlannedError as error:
                form.add_error("on", str(error))
            except operations.NightChangedError as error:
                form.add_error(None, str(error))
                show_version(form, error.night.version)
                status, says_now = 409, night_or_404(night_id)
            except (operations.NightOverError, operations.NightNotForProgrammeError) as error:
                form.add_error(None, str(error))
            else:
                messages.success(request, "The night is changed.")
                return redirect("night", night_id)
    back = {"label": str(shown.school), "url": reverse("night", args=[night_id])}
    context = {"form": form, "school": shown.school, "night": shown, "back": back, "says_now": says_now, "before": _before(form)}
    return render(request, "counter/nights/form.html", context, status=status)


@requires("nights.plan")
@require_http_methods(["GET", "HEAD", "POST"])
def night_call_off(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Ask, then call a night off."""
    shown = night_or_404(night_id)
    status, wrong = 200, ""
    if request.method == "POST":
        seen = request.POST.get("version", "")
        try:
            operations.call_off_night(
                night=shown,
                version=int(seen) if seen.isascii() and seen.isdecimal() else 0,
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except (operations.NightOverError, operations.NightHasInstrumentsError) as error:
            status, wrong = 409, str(error)
        except operations.NightChangedError as error:
            status, wrong, shown = 409, "Somebody changed this night meanwhile. Look at it again first.", error.night
        else:
            messages.success(request, "The night is called off. Tell the school and the families.")
            return redirect("night", night_id)
    elif shown.is_over:
        return redirect("night", night_id)
    hidden = [{"name": "version", "value": shown.version}]
    return render(request, "counter/nights/call_off.html", {"night": shown, "hidden": hidden, "wrong": wrong}, status=status)
