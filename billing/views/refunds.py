"""Paying money back, looking at a refund, and the list of what families have on account."""

from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache

from billing import queries, refunds, reports
from billing.account_forms import RefundForm
from billing.models import Refund
from billing.views.common import BOOKS, EXPECTED, back_to_family, person
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import may, requires

HEADER = ["Household", "Name", "Since", "Days", "Paid in", "Credit from the office", "On account"]


@requires("refunds.make")
@never_cache
def make_refund(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show what is on account, and pay some of it back."""
    household, today = get_object_or_404(Household, pk=household_id), clock.today()
    there, owed = refunds.get_on_account(household.pk, today=today), queries.sum_open_lines(household.pk)
    initial = {"amount": there.paid_in or None, "on": today}
    form = RefundForm(request.POST or None, today=today, has_credit=there.credited > 0, initial=initial)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            refund = refunds.make_refund(
                household=household,
                given=refunds.RefundGiven(
                    given["method"],
                    given["amount"].amount,
                    given["on"],
                    given["reason"],
                    given["cheque_number"],
                    given.get("pays_out_credit", False),
                ),
                acting_user=person(request),
                now=clock.now(),
                request_key=given["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{written(given['amount'])} is paid back.")
            return redirect("refund", refund.pk)
    context = {"form": form, "household": household, "there": there, "owed": owed, "back": back_to_family(household)}
    return render(request, "billing/refund_make.html", context, status=422 if form.errors else 200)


@requires("refunds.make")
def refund(request: HttpRequest, refund_id: int) -> HttpResponseBase:
    """Show a refund: printed, it is the family's receipt."""
    rows = Refund.objects.select_related("charge__household", "charge__void_entry", "charge__agreement", "made_by", "deposit")
    found = get_object_or_404(rows, pk=refund_id)
    shown = queries.charge_on_account(found.charge)
    status = {"word": "Paid back", "tone": "good"}
    if shown.is_void:
        status = {"word": "Void", "tone": "quiet"}
    elif shown.open:
        status = {"word": "Owed again", "tone": "bad"}
    context = {
        "refund": found,
        "household": found.charge.household,
        "shown": shown,
        "status": status,
        "back": back_to_family(found.charge.household),
        "may_void": not shown.is_void and may(person(request), "charges.void"),
    }
    return render(request, "billing/refund.html", context)


@requires("books.view")
def credit_balances(request: HttpRequest) -> HttpResponseBase:
    """List the families with money on account: how much, since when, and where it comes from."""
    rows = reports.list_credit_balances(today=clock.today())
    sort = request.GET.get("sort", "since")
    key = sort.lstrip("-")
    rows.sort(key=SORTS.get(key, SORTS["amount"]), reverse=sort.startswith("-"))
    context = {
        "page": Paginator(rows, 50).get_page(request.GET.get("page")),
        "count": len(rows),
        "paid_in": sum((row.paid_in for row in rows), ZERO),
        "credited": sum((row.credited for row in rows), ZERO),
        "sort": sort,
        "back": BOOKS,
    }
    return render(request, "billing/credit_balances.html", context)


SORTS: dict[str, Any] = {
    "since": lambda row: (row.since, row.household_id),
    "name": lambda row: (row.name.casefold(), row.household_id),
    "amount": lambda row: (row.amount, row.household_id),
}


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def credit_balances_csv(request: HttpRequest) -> HttpResponseBase:
    """Give that list as CSV."""
    today = clock.today()

    def lines() -> Iterator[list[Any]]:
        for row in reports.list_credit_balances(today=today):
            yield [row.number, row.name, row.since, row.days, row.paid_in, row.credited, row.amount]

    return stream_csv(f"on-account-{today:%Y-%m-%d}.csv", HEADER, lines())
