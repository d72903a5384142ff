"""Accounts that money only passes through: what makes up each at the end of a day; clearing by hand, and undoing it."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse, reverse_lazy
from django.views.decorators.cache import never_cache

from billing import chart, ledger
from billing.closing import clear, clearing, span
from billing.closing.forms import ClearForm, UndoClearingForm
from billing.models import Clearing
from billing.views.common import BOOKS, person
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.policy import requires

REFUSED = (
    clear.NothingToClearError,
    clear.ItemNotOpenError,
    clear.RestHasNoAccountError,
    clear.NoteMissingError,
    ledger.MonthClosedError,
)
NOT_UNDONE = (clear.ClearingUndoneError, clear.WhyMissingError, ledger.MonthClosedError, RowsBusyError)
BY_HAND = {"label": "Clear by hand", "url": reverse_lazy("clear_by_hand")}
CLEARED = Clearing.objects.select_related("made_by", "undone_by").order_by("-id")
TITLES = {
    chart.UNDEPOSITED: "Waits for the next deposit.",
    chart.CARDS_ON_THE_WAY: "Waits for a payout of the card processor.",
    chart.DEBITS_ON_THE_WAY: "Waits for the bank to take the file of debits.",
    chart.TO_CLEAR: "Came in or went out at the bank, and nobody has said yet what it was.",
    chart.FLEET_TO_CLEAR: "Instruments taken into the books, not set against what was paid for them yet.",
}


def _day(request: HttpRequest) -> Any:
    month = span.read_month(request.GET.get("month"))
    return min(month.last_day, clock.today()) if month else clock.today()


@requires("books.view")
@never_cache
def accounts(request: HttpRequest) -> HttpResponseBase:
    """List the accounts with their balances and whether each is explained."""
    on, today = _day(request), clock.today()
    context = {
        "on": on,
        "month": span.month_of(on),
        "months": span.list_months(today),
        "listed": [(each, TITLES[each.code]) for each in clearing.explain_all(on)],
        "query": f"?{request.GET.urlencode()}" if request.GET else "",
        "back": BOOKS,
    }
    return render(request, "billing/closing/clearing.html", context)


@requires("books.view")
@never_cache
def account(request: HttpRequest, clearing_code: str) -> HttpResponseBase:
    """Show what makes up one account."""
    if clearing_code not in clearing.WAYS:
        raise Http404
    context = {
        "found": clearing.explain(clearing_code, _day(request)),
        "tells": TITLES[clearing_code],
        "by_hand": clearing.WAYS[clearing_code].is_cleared_by_hand,
        "back": {"label": "Accounts to clear", "url": reverse("clearing")},
    }
    return render(request, "billing/closing/clearing_account.html", context)


@requires("bank.match")
@never_cache
def clear_by_hand(request: HttpRequest) -> HttpResponseBase:
    """Set what was bought or came in against what was paid for it or what it was."""
    today = clock.today()
    open_now = [
        (way.code, item) for way in clearing.WAYS.values() if way.is_cleared_by_hand for item in way.find(ledger.open_day(today))
    ]
    form = ClearForm(request.POST or None, choices=[(f"{code}:{item.entry_id}", item.title) for code, item in open_now])
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            made = clear.clear(
                chosen=form.pairs(),
                rest_to=given["rest_to"],
                note=given["note"],
                acting_user=person(request),
                now=clock.now(),
                today=today,
            )
        except REFUSED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"Cleared: {made.note}.")
            return redirect("clear_by_hand")
    ticked = set(request.POST.getlist("chosen"))
    context = {
        "form": form,
        "items": [(f"{code}:{item.entry_id}", code, item, f"{code}:{item.entry_id}" in ticked) for code, item in open_now],
        "page": Paginator(CLEARED, 25).get_page(request.GET.get("page")),
        "back": {"label": "Accounts to clear", "url": reverse("clearing")},
    }
    return render(request, "billing/closing/clear.html", context, status=422 if form.errors else 200)


@requires("bank.match")
@never_cache
def cleared(request: HttpRequest, clearing_id: int) -> HttpResponseBase:
    """Show what was cleared, and undo it with the reason."""
    made = get_object_or_404(Clearing.objects.select_related("made_by", "undone_by", "entry", "undo_entry"), pk=clearing_id)
    form = UndoClearingForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        why, now, today = form.cleaned_data["why"], clock.now(), clock.today()
        try:
            clear.undo_clearing(clearing=made, why=why, acting_user=person(request), now=now, today=today)
        except NOT_UNDONE as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"Undone: {made.note}. What it had cleared is open again.")
            return redirect("clear_by_hand")
    rest = made.entry.postings.exclude(account__in=clearing.BY_HAND).select_related("account").first() if made.entry else None
    undone_on = max(ledger.open_day(clock.today()), made.cleared_on)
    context = {
        "made": made,
        "items": clear.list_cleared(made),
        "rest": rest,
        "undone_on": undone_on,
        "form": form,
        "back": BY_HAND,
    }
    return render(request, "billing/closing/cleared.html", context, status=422 if form.errors else 200)
