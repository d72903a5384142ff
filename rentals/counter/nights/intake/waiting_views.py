"""Families that wait for their instrument, of any night: lending one meanwhile, and what their days come to afterwards."""

from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from billing import waited
from billing.account_forms import KeyedForm
from billing.models import Adjustment, WaitedCredit
from billing.views.common import EXPECTED
from rentals.agreements import errors
from rentals.agreements.models import UnitPromise
from rentals.agreements.promises import list_open_promises
from rentals.counter.nights.intake import lending
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import money
from rentals.staff.policy import acting_user, may, requires

PAGE = 50


class GiveBackForm(KeyedForm):
    """Whether the rent of the waited days is given back, and why not."""

    shown = forms.DecimalField(widget=forms.HiddenInput, max_digits=14, decimal_places=2)
    decision = forms.ChoiceField(choices=[("give", "Give it back"), ("nothing", "Give nothing back")])
    reason = forms.CharField(
        label="Why nothing is given back", max_length=200, required=False, help_text="Needed only when nothing is given back."
    )

    @property
    def gives(self) -> bool:
        """Whether the family gets the credit."""
        return bool(self.cleaned_data["decision"] == "give")

    def clean(self) -> dict[str, Any]:
        """Ask why nothing is given back."""
        cleaned = super().clean() or {}
        if cleaned.get("decision") == "nothing" and not (cleaned.get("reason") or "").strip():
            self.add_error("reason", "Write why nothing is given back: whoever is asked by the family will read it.")
        return cleaned


@requires("nights.sign_up")
@require_safe
def instruments_to_come(request: HttpRequest) -> HttpResponseBase:
    """List the families that wait, who waits longest first, with what is lent to each, and those whose wait is over."""
    page = Paginator(list_open_promises(), PAGE).get_page(request.GET.get("page"))
    rows = lending.with_loaners(list(page.object_list))
    asks = may(acting_user(request), "adjustments.ask")
    context = {"page": page, "rows": rows, "proposals": waited.list_proposals() if asks else []}
    return render(request, "counter/nights/intake/to_come.html", context)


@requires("nights.sign_up")
@require_http_methods(["GET", "HEAD", "POST"])
def lend_meanwhile(request: HttpRequest, promise_id: int) -> HttpResponseBase:
    """Offer what could be lent to a waiting family until its own instrument comes, and lend it."""
    promise = get_object_or_404(list_open_promises(), pk=promise_id)
    wrong, tag = "", request.POST.get("tag", "").strip()
    if request.method == "POST":
        try:
            unit = lending.lend_meanwhile(promise=promise, tag=tag, acting_user=acting_user(request), now=clock.now())
        except (*lending.EXPECTED, errors.AgreementEndedError, RowsBusyError) as error:
            wrong = str(error)
        else:
            lent = f"{unit.instrument.asset_tag} is lent to {promise.agreement.household.name}"
            messages.success(request, f"{lent} until the family’s own comes. Scan it at the bench when it is back.")
            return redirect("instruments_to_come")
    context = {"promise": promise, "agreement": promise.agreement, "row": lending.with_loaners([promise])[0]}
    context |= {"offers": lending.list_offers(promise), "wrong": wrong, "tag": tag}
    return render(request, "counter/nights/intake/lend.html", context, status=409 if wrong else 200)


@requires("adjustments.ask")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def waited_days(request: HttpRequest, promise_id: int) -> HttpResponseBase:
    """Show what the rent of the waited days comes to, and give it back or say why not."""
    promise = get_object_or_404(UnitPromise.objects.select_related("agreement__household"), pk=promise_id)
    found = waited.get_waited(promise, today=clock.today())
    form = GiveBackForm(request.POST or None, initial={"shown": found.amount})
    if request.method == "POST" and form.is_valid():
        try:
            made = _decide(form, promise, request)
        except (*EXPECTED, waited.WaitDecidedError, waited.WaitChangedError) as error:
            form.add_error(None, str(error))
        else:
            _tell(request, made)
            return redirect("agreement", promise.agreement_id)
    decided = getattr(found.promise, "waited_credit", None)
    context = {"waited": found, "promise": found.promise, "agreement": found.promise.agreement, "form": form, "decided": decided}
    return render(request, "counter/nights/intake/waited.html", context, status=422 if form.errors else 200)


def _decide(form: GiveBackForm, promise: UnitPromise, request: HttpRequest) -> WaitedCredit:
    told: dict[str, Any] = {name: form.cleaned_data[name] for name in ("shown", "request_key")}
    acts: dict[str, Any] = {"promise": promise, "acting_user": acting_user(request), "now": clock.now()}
    if form.gives:
        return waited.give_back(**told, **acts)
    return waited.give_nothing_back(**told, reason=form.cleaned_data["reason"], **acts)


def _tell(request: HttpRequest, made: WaitedCredit) -> None:
    if made.adjustment is None:
        messages.info(request, "Nothing is given back for the waited days; the reason stays.")
    elif made.adjustment.state == Adjustment.State.ASKED:
        messages.info(request, f"{money(made.amount)} is above the limit: it waits for a manager’s approval.")
    else:
        messages.success(request, f"{money(made.amount)} for the waited days is on the family’s account.")
