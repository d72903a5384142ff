"""Whom to call today, and noting with one key what came of it."""

import datetime
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.collecting import call_list, calls
from billing.collecting.call_list import ToCall, Wanted
from billing.collecting.calls import Call
from billing.views.common import amount_of, person
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires
from schools import queries as schools

KEYS = [
    {"key": "r", "does": "reached: write what was said"},
    {"key": "m", "does": "left a message"},
    {"key": "n", "does": "no answer"},
    {"key": "Enter", "does": "open the family’s page"},
]


CALLED = [("never", "Never since it is late"), *((str(days), f"Not for {days} days") for days in call_list.LONG_AGO)]


def wanted_of(query: dict[str, str]) -> Wanted:
    """Read the address."""
    school, sort, called = query.get("school", ""), query.get("sort", ""), query.get("called", "")
    return Wanted(
        step=query.get("step", "")[:10],
        only_broken=query.get("promise") == "broken",
        school=int(school) if school.isascii() and school.isdigit() and len(school) < 10 else 0,
        least=amount_of(query.get("least", "")),
        called=called if called in dict(CALLED) else "",
        sort=sort if sort.removeprefix("-") in call_list.SORTS else "call_on",
    )


@requires("collecting.work")
@never_cache
def calls_today(request: HttpRequest) -> HttpResponseBase:
    """List whom to call today, as the address asks."""
    today, wanted = clock.today(), wanted_of(request.GET.dict())
    everybody = call_list.list_calls(today=today)
    rows = call_list.narrow(everybody, wanted, today=today)
    page = Paginator(rows, 50).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "total": sum((each.amount for each in rows), ZERO),
        "wanted": wanted,
        "tiles": _tiles(everybody, today),
        "steps": sorted({each.step_code: each.step.name if each.step else "No step" for each in everybody}.items()),
        "schools": schools.list_school_names(),
        "called": CALLED,
        "query": request.GET.urlencode(),
        "keys": KEYS,
    }
    return render(request, "billing/collecting/calls.html", context)


def _tiles(everybody: list[ToCall], today: datetime.date) -> list[dict[str, Any]]:
    """Say how many wait and why, each with the way to these alone."""
    address = reverse("call_list")
    never = sum(each.days_since_call(today) is None for each in everybody)
    return [
        {"label": "To call", "value": len(everybody), "url": address, "note": written(sum((e.amount for e in everybody), ZERO))},
        {"label": "Promise broken", "value": sum(e.is_broken for e in everybody), "url": f"{address}?promise=broken"},
        {"label": "Not called yet", "value": never, "url": f"{address}?called=never"},
        {"label": "Waiting since before today", "value": sum(e.call_on < today for e in everybody)},
    ]


@requires("collecting.work")
@require_POST
def call_outcome(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Note that nobody was reached, and go back to the list as it was narrowed."""
    household, outcome = get_object_or_404(Household, pk=household_id), request.POST.get("outcome", "")
    back = reverse("call_list") + (f"?{request.GET.urlencode()}" if request.GET else "")
    if outcome not in calls.AGAIN_AFTER_DAYS:
        messages.error(request, "Choose “No answer” or “Left a message”.")
        return redirect(back)
    note = calls.note_call(household=household, call=Call(outcome), acting_user=person(request), now=clock.now())
    again = f" Call again on {written_day(note.next_call_on)}." if note.next_call_on else ""
    messages.success(request, f"{household.name} family: {note.get_outcome_display().lower()}.{again}")
    return redirect(back)
