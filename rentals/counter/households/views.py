"""The list of households, its export, and the household's page."""

from collections.abc import Iterator
from typing import Any

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from billing import adjustments
from billing import queries as billing
from rentals.counter.households import listing, page
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import may, requires
from schools import queries as schools

PAGE_SIZE = 50
HEADER = ["Number", "Name", "Guardians", "Telephone", "E-mail", "City", "Language", "Students", "Balance"]


@requires("households.view")
@require_safe
def household_list(request: HttpRequest) -> HttpResponseBase:
    """List households by the filters and the order in the address."""
    filters = listing.Filters.from_query(request.GET.dict())
    shown = Paginator(listing.list_households(filters), PAGE_SIZE).get_page(request.GET.get("page"))
    rows = [(row, page.put_into_words(row.balance)) for row in listing.describe(list(shown))]
    context = {"filters": filters, "page": shown, "rows": rows, "schools": schools.list_school_names(), "actions": _acts(request)}
    return render(request, "counter/households/list.html", context)


@requires("households.view")
@limited("export", per_minute=EXPORTS)
@require_safe
def household_export(request: HttpRequest) -> HttpResponseBase:
    """Send the households of the list as a CSV file, as filtered and sorted on the screen."""
    found = listing.list_households(listing.Filters.from_query(request.GET.dict()))
    return stream_csv(f"households-{clock.today():%Y-%m-%d}.csv", HEADER, _export_rows(found))


def _export_rows(found: Any) -> Iterator[list[Any]]:
    for shown in Paginator(found, 1000):
        for row in listing.describe(list(shown)):
            people = ["; ".join(row.guardians), row.phone, row.email, row.city, row.language, "; ".join(row.students)]
            yield [row.number, row.name, *people, row.balance]


@requires("households.view")
@require_safe
def household(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show one family: its instruments and its account, line by line."""
    try:
        family: Any = page.get_household(household_id)
    except Household.DoesNotExist:
        raise Http404 from None
    account = billing.get_household_account(household_id, today=clock.today())
    context = {
        "household": family,
        "account": account,
        "lines": page.list_account_lines(account),
        "open_charges": [charge for charge in account.charges if charge.open],
        "settled_charges": [charge for charge in account.charges if not charge.open],
        "payments": page.list_payments(account),
        "credit_notes": page.list_credit_notes(account),
        "waiting": adjustments.list_waiting().filter(household=family.pk) if family.waits_for_approval else (),
        "payers": page.list_payers(household_id, today=clock.today()) if family.shares_payments else (),
        "is_exempt": family.exempt_until is not None and family.exempt_until >= clock.today(),
        "agreements": page.list_agreements(household_id, account.credit),
        "balance": page.put_into_words(account.balance, account.overdue),
        "tabs": _tabs(household_id, "account"),
    }
    return render(request, "counter/households/household.html", context)


@requires("households.view")
@require_safe
def household_history(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show a family's papers, the mails and letters to it, and what happened."""
    context = {
        "household": get_object_or_404(Household, pk=household_id),
        "documents": page.list_household_documents(household_id, request.user),  # type: ignore[arg-type]
        "letters": page.list_household_messages(household_id),
        "events": page.list_events(household_id),
        "tabs": _tabs(household_id, "history"),
    }
    return render(request, "counter/households/history.html", context)


def _tabs(household_id: int, current: str) -> list[dict[str, Any]]:
    tabs = [("account", "Instruments and account", "household"), ("history", "Papers and history", "household_history")]
    return [{"label": label, "url": reverse(name, args=[household_id]), "current": key == current} for key, label, name in tabs]


def _acts(request: HttpRequest) -> list[dict[str, Any]]:
    export = {"label": "Export as CSV", "url": f"{reverse('household_export')}?{request.GET.urlencode()}"}
    add = {"label": "Write a family down", "url": reverse("household_add"), "main": True}
    return [add, export] if may(request.user, "households.edit") else [export]
