"""Adjustments: asking for one, what waits for approval, and deciding."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing import adjustments, queries
from billing.account_forms import AdjustmentForm, DecisionForm
from billing.models import Adjustment
from billing.views.common import EXPECTED, back_to_family, person
from rentals.agreements.models import Agreement
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires


@requires("adjustments.ask")
@never_cache
def ask(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Ask for an adjustment of a family's account."""
    return _ask(request, get_object_or_404(Household, pk=household_id), None)


@requires("adjustments.ask")
@never_cache
def ask_for_agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Ask for an adjustment about one agreement."""
    found = get_object_or_404(Agreement.objects.select_related("household"), pk=agreement_id)
    return _ask(request, found.household, found)


def _ask(request: HttpRequest, household: Household, agreement: Agreement | None) -> HttpResponseBase:
    form = AdjustmentForm(request.POST or None, household=household, initial={"agreement": agreement, "direction": "less"})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        asked = adjustments.AdjustmentAsked(
            household, given["agreement"], given["direction"], given["amount"].amount, given["reason"]
        )
        try:
            made = adjustments.ask_for_adjustment(
                asked=asked, acting_user=person(request), now=clock.now(), request_key=given["request_key"]
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            if made.state == Adjustment.State.ASKED:
                messages.info(request, f"{written(made.amount)} is above the limit: it waits for a manager's approval.")
            else:
                messages.success(request, f"{written(made.amount)} {made.direction} is on the family's account.")
            return redirect("household", household.pk)
    balance = queries.sum_balance(household.pk)
    context = {
        "form": form,
        "household": household,
        "limit": adjustments.approval_limit(),
        "balance": balance,
        "on_account": -balance,
        "back": back_to_family(household),
    }
    return render(request, "billing/adjustment_ask.html", context, status=422 if form.errors else 200)


@requires("adjustments.approve")
@never_cache
def waiting(request: HttpRequest) -> HttpResponseBase:
    """List the adjustments that wait, and those decided last."""
    decided = Adjustment.objects.exclude(state=Adjustment.State.ASKED)
    decided = decided.select_related("household", "agreement", "asked_by", "decided_by", "credit_note")
    context = {"waiting": adjustments.list_waiting(), "decided": decided.order_by("-decided_at", "-pk")[:25]}
    return render(request, "billing/adjustments.html", context)


@requires("adjustments.approve")
@never_cache
def decide(request: HttpRequest, adjustment_id: int) -> HttpResponseBase:
    """Show what is asked for and what it would do; grant or refuse it."""
    rows = Adjustment.objects.select_related("household", "agreement", "asked_by", "decided_by")
    found = get_object_or_404(rows, pk=adjustment_id)
    form = DecisionForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        is_granted = form.cleaned_data["is_granted"] == "yes"
        try:
            adjustments.decide_adjustment(
                adjustment=found,
                is_granted=is_granted,
                note=form.cleaned_data["note"],
                acting_user=person(request),
                now=clock.now(),
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            words = "granted and posted" if is_granted else "refused; nothing was posted"
            messages.success(request, f"{written(found.amount)} for {found.household.name}: {words}.")
            return redirect("adjustments")
    less = found.direction == Adjustment.Direction.LESS
    balance = queries.sum_balance(found.household_id)
    context = {
        "form": form,
        "adjustment": found,
        "balance": balance,
        "after": balance - found.amount if less else balance + found.amount,
        "is_own": found.asked_by_id == person(request).pk,
        "back": {"label": "Waiting for approval", "url": reverse("adjustments")},
    }
    return render(request, "billing/adjustment_decide.html", context, status=422 if form.errors else 200)
