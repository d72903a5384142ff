"""One family that owes: what was done, a call, a promise, a payment plan, and taking one back."""

import datetime
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.collecting import arrangements, calls, episode, steps
from billing.collecting.arrangements import Promised
from billing.collecting.calls import Call
from billing.collecting.forms import CallForm, PlanForm, PromiseForm, WithdrawForm
from billing.models import Arrangement
from billing.views.common import back_to_family, person
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.money import ZERO
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import requires

EXPECTED = (
    arrangements.NothingPastDueError,
    arrangements.PastDueChangedError,
    arrangements.MoreThanPastDueError,
    arrangements.ArrangementRunsError,
    arrangements.ArrangementEndedError,
    arrangements.DayDoesNotFitError,
    calls.CallSaysTooLittleError,
    calls.NextCallPassedError,
    RowsBusyError,
    RequestKeyReusedError,
)


@requires("collecting.work")
@never_cache
def household_owing(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show what a family owes, what comes next, and what was done."""
    household = get_object_or_404(Household, pk=household_id)
    context = {
        "household": household,
        "episode": episode.get_episode(household, today=clock.today()),
        "guardians": household.guardians.order_by("-is_primary", "pk"),
        "back": back_to_family(household),
    }
    return render(request, "billing/collecting/household.html", context)


@requires("collecting.work")
@never_cache
def note_call(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Write down a call."""
    household = get_object_or_404(Household, pk=household_id)
    form = CallForm(request.POST or None, initial={"outcome": request.GET.get("outcome", "")})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        call = Call(given["outcome"], given["spoke_with"], given["said"], given["next_call_on"])
        try:
            note = calls.note_call(
                household=household, call=call, acting_user=person(request), now=clock.now(), request_key=given["request_key"]
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"The call to the {household.name} family is noted: {note.get_outcome_display().lower()}.")
            return redirect("household_owing", household.pk)
    return _form(request, household, form, title="Note a call", button="Keep this note")


@requires("collecting.work")
@never_cache
def make_promise(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Write down what a family promised to pay by a day."""
    return _arrange(request, household_id, PromiseForm, "promise", "Promise to pay")


@requires("collecting.work")
@never_cache
def make_plan(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Part what a family owes into installments: shown first, noted when just these were on the screen."""
    return _arrange(request, household_id, PlanForm, "plan", "Payment plan")


@requires("collecting.work")
@require_POST
@never_cache
def plan_preview(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show the installments while the terms are typed."""
    get_object_or_404(Household, pk=household_id)
    return render(request, "billing/collecting/installments.html", _preview(PlanForm(request.POST, today=clock.today())))


def _preview(form: PlanForm) -> dict[str, Any]:
    found = form.preview()
    return {"parts": found, "total": sum((amount for _, amount in found), ZERO), "mark": form.mark if found else ""}


def _arrange(
    request: HttpRequest, household_id: int, form_class: type[PromiseForm] | type[PlanForm], kind: str, title: str
) -> HttpResponseBase:
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    owed = arrangements.sum_past_due(household.pk, today=today)
    form = _bind(form_class, request, today, owed)
    words = {"title": title, "button": f"Note this {title.lower()}", "owed": owed, "grace": steps.get_version().grace_days}
    if request.method != "POST" or not form.is_valid():
        return _form(request, household, form, **words)
    if isinstance(form, PlanForm) and ("show" in request.POST or form.cleaned_data["previewed"] != form.mark):
        return _form(request, household, form, ask_to_look="show" not in request.POST, **words)
    given = form.cleaned_data
    shown = given["shown"]
    promised = Promised(kind, given["promised_by"], form.parts(shown), shown, given["note"])
    who: dict[str, Any] = {"acting_user": person(request), "now": clock.now(), "today": today}
    try:
        arrangements.arrange(household=household, promised=promised, request_key=given["request_key"], **who)
    except EXPECTED as refused:
        form.add_error(None, str(refused))
        return _form(request, household, form, **words)
    messages.success(request, f"{title} of the {household.name} family is noted. No step is taken while it runs.")
    return redirect("household_owing", household.pk)


def _bind(
    form_class: type[PromiseForm] | type[PlanForm], request: HttpRequest, today: datetime.date, owed: Decimal
) -> PromiseForm | PlanForm:
    initial = {"shown": owed, "amount": owed}
    if issubclass(form_class, PlanForm):
        return form_class(request.POST or None, initial=initial, today=today)
    return form_class(request.POST or None, initial=initial)


@requires("collecting.work")
@never_cache
def withdraw(request: HttpRequest, arrangement_id: int) -> HttpResponseBase:
    """Ask why, and let the steps go on."""
    found = get_object_or_404(Arrangement.objects.select_related("household"), pk=arrangement_id)
    form = WithdrawForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        who: dict[str, Any] = {"acting_user": person(request), "now": clock.now(), "today": clock.today()}
        try:
            arrangements.withdraw(arrangement=found, why=form.cleaned_data["why"], **who)
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"The {found.get_kind_display().lower()} is withdrawn: the steps go on.")
            return redirect("household_owing", found.household_id)
    title = f"Withdraw the {found.get_kind_display().lower()}"
    return _form(request, found.household, form, title=title, button=title)


def _form(request: HttpRequest, household: Household, form: Any, **words: Any) -> HttpResponseBase:
    back = {"label": f"What the {household.name} family owes", "url": reverse("household_owing", args=[household.pk])}
    context = {"form": form, "household": household, "back": back, **words}
    template = "act"
    if isinstance(form, PlanForm):
        template = "plan"
        context |= _preview(form)
    return render(request, f"billing/collecting/{template}.html", context, status=422 if form.errors else 200)
