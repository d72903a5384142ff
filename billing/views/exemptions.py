"""Families that buy without sales tax: their certificates, and those that expire soon."""

import datetime

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing.account_forms import ExemptionEndForm, ExemptionForm
from billing.views.common import BOOKS, EXPECTED, back_to_family, person
from rentals.agreements import exemptions
from rentals.agreements.models import TaxExemption
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.policy import requires


@requires("exemptions.manage")
@never_cache
def household_exemptions(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """List a family's certificates, and write one down."""
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    form = ExemptionForm(request.POST or None, initial={"from_on": today})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        certificate = exemptions.Certificate(given["certificate_number"], given["area"], given["from_on"], given["expires_on"])
        try:
            exemptions.record_exemption(
                household=household,
                certificate=certificate,
                acting_user=person(request),
                now=clock.now(),
                request_key=given["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(
                request, f"No sales tax through {written_day(certificate.expires_on)}. Keep the certificate on file."
            )
            return redirect("exemptions", household.pk)
    rows = [(row, _word(row, today)) for row in exemptions.list_exemptions(household)]
    context = {"form": form, "household": household, "rows": rows, "back": back_to_family(household)}
    return render(request, "billing/exemptions.html", context, status=422 if form.errors else 200)


def _word(row: TaxExemption, today: datetime.date) -> dict[str, str]:
    if row.expires_on < today:
        return {"word": "Expired", "tone": "quiet"}
    if row.from_on > today:
        return {"word": "To come", "tone": "info"}
    return {"word": "In force", "tone": "good"}


@requires("exemptions.manage")
@never_cache
def end_exemption(request: HttpRequest, exemption_id: int) -> HttpResponseBase:
    """Ask for another last day."""
    found = get_object_or_404(TaxExemption.objects.select_related("household", "area"), pk=exemption_id)
    form = ExemptionEndForm(request.POST or None, initial={"last_on": clock.today()})
    if request.method == "POST" and form.is_valid():
        try:
            exemptions.end_exemption(exemption=found, last_on=form.cleaned_data["last_on"])
        except EXPECTED as refused:
            form.add_error("last_on", str(refused))
        else:
            messages.success(
                request, f"Certificate {found.certificate_number} ends on {written_day(form.cleaned_data['last_on'])}."
            )
            return redirect("exemptions", found.household_id)
    back = {"label": "Tax exemptions", "url": reverse("exemptions", args=[found.household_id])}
    context = {"form": form, "exemption": found, "back": back}
    return render(request, "billing/exemption_end.html", context, status=422 if form.errors else 200)


@requires("exemptions.manage")
def expiring(request: HttpRequest) -> HttpResponseBase:
    """List the certificates that expire soon, or did lately."""
    today = clock.today()
    rows = [(row, _word(row, today)) for row in exemptions.list_expiring(today)]
    context = {"rows": rows, "days": exemptions.SOON.days, "back": BOOKS}
    return render(request, "billing/exemptions_expiring.html", context)
