"""Autopay of one family: what is in force, authorising it, ending it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables

from billing.autopay import authorising, queries, wording
from billing.autopay.forms import AuthoriseForm, EndForm
from billing.autopay.views.common import EXPECTED
from billing.models import AutopayAuthorisation, AutopaySetup
from billing.views.common import back_to_family, person
from rentals.documents.queries import get_letterhead
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.staff.policy import may, requires


@requires("households.view")
@never_cache
def household_autopay(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show a family's autopay: the account by its last digits, what was told, what was debited."""
    household = get_object_or_404(Household, pk=household_id)
    context = {
        "household": household,
        "autopay": queries.get_household_autopay(household.pk),
        "may_authorise": may(person(request), "autopay.authorise"),
        "back": back_to_family(household),
    }
    return render(request, "billing/autopay/household.html", context)


@requires("autopay.authorise")
@never_cache
@sensitive_post_parameters("account_number", "account_number_again")
@sensitive_variables("form", "given")
def authorise(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Ask for the account, show the words that are signed, and write the authorisation down."""
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    form = AuthoriseForm(request.POST or None, household=household, today=today)
    if request.method == "POST" and form.is_valid():
        try:
            authorising.authorise(
                given=form.given(),
                acting_user=person(request),
                now=clock.now(),
                request_key=form.cleaned_data["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"The {household.name} family is on autopay. Its copy is in the outbox.")
            return redirect("autopay_household", household.pk)
    setup = AutopaySetup.objects.first()
    words = wording.authorisation_text(get_letterhead(), setup.company_name if setup else "…", "account named here")
    company = setup.company_name if setup else "…"
    context = {
        "form": form,
        "household": household,
        "words": words.split("\n\n"),
        "translated": wording.courtesy_translation(household.language, get_letterhead(), company, "cuenta aquí nombrada"),
        "language": household.language,
        "caution": wording.CAUTION,
        "in_force": AutopayAuthorisation.objects.filter(household=household, ended_at=None).exists(),
        "setup": setup,
        "back": _back(household),
    }
    return render(request, "billing/autopay/authorise.html", context, status=422 if form.errors else 200)


@requires("autopay.authorise")
@never_cache
def end(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Ask why autopay ends, and end it."""
    household = get_object_or_404(Household, pk=household_id)
    in_force = AutopayAuthorisation.objects.filter(household=household, ended_at=None).first()
    form = EndForm(request.POST or None)
    if request.method == "POST" and form.is_valid() and in_force is not None:
        given = form.cleaned_data
        try:
            authorising.end(
                authorisation=in_force, how=given["how"], why=given["why"], acting_user=person(request), now=clock.now()
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, "Autopay has ended. Nothing that has not left is debited any more.")
            return redirect("autopay_household", household.pk)
    context = {"form": form, "household": household, "in_force": in_force, "back": _back(household)}
    return render(request, "billing/autopay/end.html", context, status=422 if form.errors else 200)


def _back(household: Household) -> dict[str, str]:
    return {"label": "Autopay", "url": reverse("autopay_household", args=[household.pk])}
