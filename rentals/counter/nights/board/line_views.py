"""The waiting line: at the door, on the wall, and for the tablets that call the next family."""

import json
from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase, JsonResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.counter.nights.board.forms import BeatForm, DeviceForm, NumberForm, fresh_number_form
from rentals.counter.nights.intake.access import require_works_there, works_there
from rentals.portal import queries as portal
from rentals.portal import rules as portal_rules
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import line
from schools.models import Night, WaitingNumber
from schools.nights import NightOverError

ON_THE_WALL = 6
"""How many called numbers stand on the wall at most; the last ones called."""


def _night_or_404(night_id: int) -> Night:
    return get_object_or_404(Night.objects.select_related("school", "location"), pk=night_id)


def _line_of(night_id: int, **_: Any) -> str:
    return reverse("night_line", args=[night_id])


@requires("nights.sign_up")
@require_http_methods(["GET", "HEAD", "POST"])
def night_line(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Give numbers to families at the door, and show who waits; `?format=json` tells a tablet the same in figures."""
    night = _night_or_404(night_id)
    if request.GET.get("format") == "json":
        return JsonResponse(as_json(line.get_line(night, now=clock.now())))
    if request.method == "POST":
        require_works_there(acting_user(request), night)
    form = NumberForm(request.POST) if request.method == "POST" else fresh_number_form()
    if request.method == "POST" and form.is_valid():
        try:
            taken = _take(request, night, form)
        except (NightOverError, RequestKeyReusedError) as error:
            form.add_error(None, str(error))
        else:
            return redirect(f"{_line_of(night_id)}?taken={taken.number}")
    return _show(request, night, form, status=422 if form.errors else 200)


def _take(request: HttpRequest, night: Night, form: NumberForm) -> WaitingNumber:
    note = form.cleaned_data["note"]
    is_code = bool(portal_rules.read_code(note)) and bool(portal.find_home_form(night, note))
    if note and portal_rules.read_code(note) and not is_code:
        messages.info(request, f"No form from home has the code {note}. The number was given all the same.")
    return line.take_a_number(
        night=night,
        note=note.partition("-")[0] if is_code else note,
        from_home=is_code,
        request_key=form.cleaned_data["request_key"] or uuid4(),
        acting_user=acting_user(request),
        now=clock.now(),
    )


def _show(request: HttpRequest, night: Night, form: NumberForm, *, status: int = 200) -> HttpResponseBase:
    seen = line.get_line(night, now=clock.now())
    taken = request.GET.get("taken", "")
    rows = seen.waits()
    mine = [(row, wait) for row, wait in rows if str(row.number) == taken]
    context = {
        "night": night,
        "line": seen,
        "rows": rows,
        "form": form,
        "may_change": works_there(acting_user(request), night),
        "taken": mine[0] if mine else None,
        "ahead": [row.number for row, _ in rows].index(mine[0][0].number) if mine else 0,
        "back": {"label": night.school.name, "url": reverse("night", args=[night.pk])},
        "as_of": clock.now(),
    }
    part = request.htmx and request.method != "POST"  # type: ignore[attr-defined]
    template = "counter/nights/board/line_state.html" if part else "counter/nights/board/line.html"
    return render(request, template, context, status=status)


def as_json(seen: line.Line) -> dict[str, Any]:
    """Give the line in figures: who waits, how long the next one will, what is called. No names are in it."""
    return {
        "waiting": len(seen.waiting),
        "numbers": [row.number for row in seen.waiting],
        "called": [row.number for row in seen.called],
        "done": seen.done,
        "minutes": seen.minutes,
        "wait_minutes": seen.wait,
    }


@requires("nights.sign_up")
@require_safe
def night_line_display(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show the called numbers for the wall: numbers only, large enough for the other end of the gym."""
    night = _night_or_404(night_id)
    seen = line.get_line(night, now=clock.now())
    context = {"night": night, "line": seen, "called": seen.called[:ON_THE_WALL], "next": seen.waiting[:3], "as_of": clock.now()}
    part = request.htmx  # type: ignore[attr-defined]
    return render(request, "counter/nights/board/wall_state.html" if part else "counter/nights/board/wall.html", context)


@requires("nights.sign_up")
@require_POST
@stands_on(_line_of)
def night_next(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Call the next family: to the person, or to the tablet that asks with its `device` and wants JSON back.

    `heard` is the last number a tablet was told: one it called since then, whose answer was lost, is told again.

    JSON: {"number": 12 or null, "code": the family's code from home or "", "note": initials or "", "waiting": how many
    still wait, "wait_minutes": what the next one who comes waits, or null}.
    """
    night = _night_or_404(night_id)
    require_works_there(acting_user(request), night)
    wants_json = _wants_json(request)
    form = DeviceForm(_sent(request))
    if not form.is_valid():
        return JsonResponse({"error": "device is the tablet's id, a UUID"}, status=422)
    person, device = acting_user(request), form.cleaned_data["device"]
    number = None
    if device and "heard" in form.data:
        number = line.get_unheard(night=night, acting_user=person, device=device, heard=form.cleaned_data["heard"])
    number = number or line.call_next(night=night, acting_user=person, device=device, now=clock.now())
    if wants_json:
        seen = line.get_line(night, now=clock.now())
        from_home = number is not None and number.door == WaitingNumber.Door.HOME
        called = {
            "number": number.number if number else None,
            "code": number.note if number and from_home else "",
            "note": number.note if number and not from_home else "",
        }
        return JsonResponse({**called, "waiting": len(seen.waiting), "wait_minutes": seen.wait})
    if number is None:
        messages.info(request, "Nobody waits.")
    else:
        messages.success(request, f"Call number {number.number}{f' ({number.note})' if number.note else ''}.")
    return redirect("night_line", night_id)


@requires("nights.sign_up")
@require_POST
@stands_on(_line_of)
def night_number(request: HttpRequest, night_id: int, number: int) -> HttpResponseBase:
    """Note what became of a number: done, gone, or back in line."""
    row = get_object_or_404(WaitingNumber.objects.select_related("night__school"), night_id=night_id, number=number)
    require_works_there(acting_user(request), row.night)
    act = request.POST.get("act", "")
    try:
        if act == "done":
            line.finish(number=row, now=clock.now())
        elif act == "gone":
            line.leave(number=row, now=clock.now())
        elif act == "back":
            line.put_back(number=row)
        else:
            messages.error(request, "Choose done, gone or back in line.")
    except line.NumberMovedOnError as error:
        messages.info(request, str(error))
    else:
        said = {"done": "is done", "gone": "went home", "back": "is back in line"}
        if act in said:
            messages.success(request, f"Number {number} {said[act]}.")
    if _wants_json(request):
        return JsonResponse(as_json(line.get_line(row.night, now=clock.now())))
    return redirect("night_line", night_id)


@requires("nights.sign_up")
@require_POST
def tablet_beat(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Keep what a tablet says it still holds: {"device", "waiting", "attention", "oldest_minutes"}; answers {"waiting": …}.

    Heard from whoever has the tablet, also when they are no longer among the night's people: it tells, it changes nothing.
    """
    night = _night_or_404(night_id)
    form = BeatForm(_sent(request))
    if not form.is_valid():
        return JsonResponse({"error": form.errors}, status=422)
    said = line.report(
        night=night, device=form.cleaned_data["device"], **form.said(), acting_user=acting_user(request), now=clock.now()
    )
    return JsonResponse({"waiting": said.waiting})


def _wants_json(request: HttpRequest) -> bool:
    return "application/json" in (request.headers.get("Accept", ""), request.content_type)


def _sent(request: HttpRequest) -> QueryDict | dict[str, Any]:
    """Read what was sent, as a form or as JSON; what is neither is empty."""
    if request.content_type != "application/json":
        return request.POST
    try:
        found = json.loads(request.body or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
