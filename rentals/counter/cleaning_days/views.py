"""A school's cleaning day: planned, worked by scans, closed."""

import datetime
import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.counter.bench.verdicts import Verdict
from rentals.counter.cleaning_days import operations, queries, scans
from rentals.counter.cleaning_days.forms import LOOKS_AHEAD, DayForm
from rentals.inventory import cautions, commands
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools.models import CleaningDay, CleaningVisit


def _day_or_404(day_id: int) -> CleaningDay:
    return get_object_or_404(CleaningDay.objects.select_related("school", "location"), pk=day_id)


def _page_of(cleaning_day_id: int) -> str:
    return reverse("cleaning_day", args=[cleaning_day_id])


@requires("bench.work")
@require_safe
def cleaning_days(request: HttpRequest) -> HttpResponseBase:
    """List the cleaning days, those that are not over first."""
    actions = [{"label": "Plan a cleaning day", "url": reverse("cleaning_day_plan"), "main": True}]
    back = {"label": "Cleanings due", "url": reverse("cleanings")}
    context = {"days": queries.list_days()[:100], "actions": actions, "back": back, "today": clock.today()}
    return render(request, "counter/cleanings/days.html", context)


@requires("bench.work")
@require_http_methods(["GET", "HEAD", "POST"])
def cleaning_day_plan(request: HttpRequest) -> HttpResponseBase:
    """Plan a school's cleaning day."""
    today = clock.today()
    initial = {
        "school": request.GET.get("school", ""),
        "due_until": today + datetime.timedelta(days=LOOKS_AHEAD),
        "location": request.session.get("bench_location", ""),
    }
    form = DayForm(request.POST or None, today=today, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            day = operations.plan_day(**form.cleaned_data, acting_user=acting_user(request), now=clock.now())
        except operations.DayPlannedError as error:
            form.add_error("on", str(error))
        else:
            count = queries.get_sheet(day).expected
            messages.success(request, f"Planned: {count} instrument{'' if count == 1 else 's'} expected from {day.school}.")
            return redirect("cleaning_day", day.pk)
    back = {"label": "Cleaning days", "url": reverse("cleaning_days")}
    return render(request, "counter/cleanings/plan.html", {"form": form, "back": back}, status=422 if form.errors else 200)


@requires("bench.work")
@require_safe
def cleaning_day(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Show a day: its scan field while it runs, what was said last, and the list."""
    return _show(request, _day_or_404(cleaning_day_id), step=request.GET.get("step", "in"))


def _show(
    request: HttpRequest, day: CleaningDay, *, step: str, verdict: Verdict | None = None, status: int = 200
) -> HttpResponseBase:
    sheet = queries.get_sheet(day)
    context: dict[str, Any] = {
        "day": day,
        "sheet": sheet,
        "step": step if step in scans.STEPS else "in",
        "steps": scans.STEPS,
        "verdict": verdict,
        "key": uuid.uuid4(),
        "cautions": cautions.for_cleaning({line.visit.instrument.item.kind.family for line in sheet.lines}),
        "back": {"label": "Cleaning days", "url": reverse("cleaning_days")},
    }
    partial = request.htmx  # type: ignore[attr-defined]
    return render(
        request, "counter/cleanings/day_state.html" if partial else "counter/cleanings/day.html", context, status=status
    )


@requires("bench.work")
@require_POST
@stands_on(_page_of)
def cleaning_day_scan(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Take one scan: a tag for the step in force, or a printed card that switches the step."""
    day = _day_or_404(cleaning_day_id)
    code, hand, step = (request.POST.get(name, "")[:80].replace("\0", "").strip() for name in ("code", "hand", "step"))
    if not code:
        return _show(
            request, day, step=step, verdict=Verdict("warn", "Nothing scanned", "Scan a label, or type its tag."), status=422
        )
    if commands.is_command(code) and not (hand and commands.read_command(code) == commands.TAKE_IN):
        card = commands.read_command(code)
        wanted = scans.CARDS.get(card.code, "") if card else ""
        said = Verdict("info", scans.STEPS[wanted], "Scan the instruments one after the other.") if wanted else _no_card()
        return _show(request, day, step=wanted or step, verdict=said)
    try:
        verdict = operations.scan(
            day=day,
            code=code,
            step=step if step in scans.STEPS else "in",
            hand=hand,
            key=uuid.UUID(request.POST.get("key", "")),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except (operations.DayOverError, RequestKeyReusedError) as error:
        return _show(request, day, step=step, verdict=Verdict("bad", str(error)), status=409)
    except ValueError:
        return _show(request, day, step=step, verdict=Verdict("bad", "Not read", "Scan it once more."), status=422)
    return _show(request, day, step=step, verdict=verdict)


def _no_card() -> Verdict:
    return Verdict("warn", "This card does nothing here", "Here: Take in, Cleaned, and Back to the family.")


@requires("bench.work")
@require_POST
@stands_on(_page_of)
def cleaning_day_undo(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Take back the last step of one instrument of the day."""
    day = _day_or_404(cleaning_day_id)
    visit_id, step = request.POST.get("visit", ""), request.POST.get("undo", "")
    visit = get_object_or_404(
        CleaningVisit.objects.select_related("day"), day=day, pk=int(visit_id) if visit_id.isdecimal() else 0
    )
    try:
        verdict = operations.undo(visit=visit, step=step, acting_user=acting_user(request), now=clock.now())
    except operations.DayOverError as error:
        verdict = Verdict("bad", str(error))
    return _show(request, day, step=request.POST.get("step", step), verdict=verdict, status=200)


@requires("bench.work")
@require_POST
@stands_on(_page_of)
def cleaning_day_update(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Bring the expected list up to date."""
    try:
        count = operations.bring_up_to_date(day=_day_or_404(cleaning_day_id), acting_user=acting_user(request))
        messages.success(request, f"The list is up to date: {count} expected.")
    except operations.DayOverError as error:
        messages.error(request, str(error))
    return redirect("cleaning_day", cleaning_day_id)


@requires("bench.work")
@require_POST
@stands_on(_page_of)
def cleaning_day_close(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Close a day; who did not come stays listed as missed."""
    day = _day_or_404(cleaning_day_id)
    try:
        operations.close_day(day=day, acting_user=acting_user(request), now=clock.now())
        messages.success(request, "The day is over. Whoever did not come is listed as missed.")
    except operations.DayOverError:
        messages.info(request, "The day was over already.")
    return redirect("cleaning_day", cleaning_day_id)


@requires("bench.work")
@require_POST
@stands_on(_page_of)
def cleaning_day_open(request: HttpRequest, cleaning_day_id: int) -> HttpResponseBase:
    """Open a day again that was closed too early."""
    operations.open_again(day=_day_or_404(cleaning_day_id), acting_user=acting_user(request))
    messages.success(request, "The day is open again.")
    return redirect("cleaning_day", cleaning_day_id)
