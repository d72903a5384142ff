"""Whom to call today, and noting with one key what came of it."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from billing.collecting import calls
from billing.collecting.calls import Call
from billing.views.common import person
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.policy import requires

KEYS = [
    {"key": "r", "does": "reached: write what was said"},
    {"key": "m", "does": "left a message"},
    {"key": "n", "does": "no answer"},
    {"key": "Enter", "does": "open the family’s page"},
]


@requires("collecting.work")
def call_list(request: HttpRequest) -> HttpResponseBase:
    """List whom to call today."""
    page = Paginator(calls.list_calls(today=clock.today()), 50).get_page(request.GET.get("page"))
    return render(request, "billing/collecting/calls.html", {"page": page, "keys": KEYS})


@requires("collecting.work")
@require_POST
def call_outcome(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Note that nobody was reached."""
    household, outcome = get_object_or_404(Household, pk=household_id), request.POST.get("outcome", "")
    if outcome not in calls.AGAIN_AFTER_DAYS:
        messages.error(request, "Choose “No answer” or “Left a message”.")
        return redirect("call_list")
    note = calls.note_call(household=household, call=Call(outcome), acting_user=person(request), now=clock.now())
    again = f" Call again on {written_day(note.next_call_on)}." if note.next_call_on else ""
    messages.success(request, f"{household.name} family: {note.get_outcome_display().lower()}.{again}")
    return redirect("call_list")
