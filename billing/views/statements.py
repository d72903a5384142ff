"""The statement of a household, on the screen and as a document."""

import datetime
from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache

from billing import payers, statements
from billing.account_forms import PeriodForm
from billing.views.common import back_to_family
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.staff.policy import requires

MONTHS = 3
"""So many months, the running one among them, a statement shows unless told."""


@requires("households.view")
@never_cache
def statement(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show a family's account over some days, as its statement prints it."""
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    form = _form(request.GET, household, today)
    context: dict[str, Any] = {"form": form, "household": household, "back": back_to_family(household)}
    if form.is_valid():
        given = form.cleaned_data
        context["page"] = statements.make_statement(
            household, begins_on=given["begins_on"], through_on=given["through_on"], today=today, payer=given.get("payer")
        )
        context["payer"] = given.get("payer")
    return render(request, "billing/statement.html", context, status=422 if form.errors else 200)


@requires("payments.take")
@never_cache
def print_statement(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Have the statement made as a document, and go to it."""
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    form = _form(request.POST, household, today)
    if request.method != "POST" or not form.is_valid():
        return redirect("statement", household.pk)
    given = form.cleaned_data
    document = statements.ask_for_statement(
        household=household,
        begins_on=given["begins_on"],
        through_on=given["through_on"],
        payer=given.get("payer"),
        today=today,
        now=clock.now(),
    )
    return redirect("document", document_id=document.pk)


def _form(asked: Any, household: Household, today: datetime.date) -> PeriodForm:
    """Read the days from the address; without any, the last months."""
    first = today.replace(day=1)
    for _ in range(MONTHS - 1):
        first = (first - datetime.timedelta(days=1)).replace(day=1)
    data = asked if "through_on" in asked else {"begins_on": f"{first:%m/%d/%Y}", "through_on": f"{today:%m/%d/%Y}"}
    return PeriodForm(data, sharing=payers.list_sharing(household.pk))
