"""The manager's screens of terms: the rate card, tax areas and rates, which plans there are. Their versions: `plan_views.py`."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from rentals.agreements import forms, queries, terms, wording
from rentals.agreements.models import Plan, PlanVersion, Rate, TaxArea, TaxRate
from rentals.runtime import clock
from rentals.staff.models import User
from rentals.staff.policy import requires

REFUSALS = (terms.EffectiveInThePastError, terms.AlreadyThatDayError, terms.NameTakenError)


@requires("terms.manage")
@require_safe
def overview(request: HttpRequest) -> HttpResponseBase:
    """Show the terms in force today and what is already set for later."""
    today = clock.today()
    rates = list(queries.list_rates(today) | queries.list_coming_rates(today))
    areas = TaxArea.objects.prefetch_related("postal_codes").order_by("name")
    tax_rates = TaxRate.objects.select_related("area").order_by("area__name", "applies_to", "-effective_from")
    page = {
        "rates": [rate for rate in rates if rate.effective_from <= today],
        "coming_rates": [rate for rate in rates if rate.effective_from > today],
        "areas": areas,
        "tax_rates": [{"row": row, "percent": wording.percent(row.rate)} for row in tax_rates],
        "plans": Plan.objects.prefetch_related(Prefetch("versions", PlanVersion.objects.order_by("-number"))).order_by("name"),
        "today": today,
    }
    return render(request, "agreements/terms.html", page)


@requires("terms.manage")
@require_safe
def rate_card(request: HttpRequest) -> HttpResponseBase:
    """Show the rate card in force on a day, all of it or one instrument, plan or condition; and what is set for later."""
    form = forms.RateFilter(request.GET or None, initial={"on": clock.today()})
    wanted = dict(form.cleaned_data) if form.is_bound and form.is_valid() else {}
    on = wanted.pop("on", None) or clock.today()
    page = {
        "filter": form,
        "on": on,
        "is_filtered": any(wanted.values()),
        "rates": queries.narrow_rates(queries.list_rates(on), **wanted),
        "coming_rates": queries.narrow_rates(queries.list_coming_rates(on), **wanted),
    }
    return render(request, "agreements/rate_card.html", page, status=422 if form.errors else 200)


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def add_rate(request: HttpRequest) -> HttpResponseBase:
    """Add a line to the rate card; from a line that is there (`?like=`), with its figures to begin with."""
    initial: dict[str, Any] = {"effective_from": clock.today(), "condition": Rate.Condition.ANY}
    like = request.GET.get("like", "")
    if like.isascii() and like.isdigit():
        names = ("kind", "tier", "plan", "condition", "monthly_rent", "monthly_protection", "intro_rent")
        line = get_object_or_404(Rate, pk=int(like))
        initial |= {name: getattr(line, name) for name in names}
    form = forms.RateForm(request.POST or None, initial=initial)
    return _add(
        request, form, "A new price", lambda _, user: terms.add_rate(line=form.line(), acting_user=user, today=clock.today())
    )


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def add_tax_rate(request: HttpRequest) -> HttpResponseBase:
    """Add a tax rate."""
    form = forms.TaxRateForm(request.POST or None, initial={"effective_from": clock.today()})
    return _add(
        request,
        form,
        "A new tax rate",
        lambda cleaned, user: terms.add_tax_rate(**cleaned, acting_user=user, today=clock.today()),
    )


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def add_tax_area(request: HttpRequest) -> HttpResponseBase:
    """Add a tax area."""
    form = forms.TaxAreaForm(request.POST or None)
    return _add(request, form, "A new tax area", lambda cleaned, user: terms.add_tax_area(**cleaned, acting_user=user))


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def put_postal_code(request: HttpRequest) -> HttpResponseBase:
    """Say which area a ZIP code lies in."""
    form = forms.PostalCodeForm(request.POST or None)
    return _add(request, form, "A ZIP code's tax area", lambda cleaned, user: terms.put_postal_code(**cleaned, acting_user=user))


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def add_plan(request: HttpRequest) -> HttpResponseBase:
    """Add a plan."""
    form = forms.PlanForm(request.POST or None)
    return _add(request, form, "A new plan", lambda cleaned, user: terms.add_plan(**cleaned, acting_user=user))


def _add(
    request: HttpRequest, form: BaseForm, title: str, act: Callable[[dict[str, Any], User], object], *, button: str = "Save"
) -> HttpResponse:
    """Show a form, or do what it asks and go back to the terms."""
    if request.method == "POST" and form.is_valid():
        try:
            act(form.cleaned_data, request.user)  # type: ignore[arg-type]
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"Saved: {title[0].lower()}{title[1:]}.")
            return redirect("terms")
    page = {"form": form, "title": title, "button": button, "back": {"label": "Terms", "url": reverse("terms")}}
    return render(request, "agreements/form.html", page, status=422 if form.is_bound else 200)
