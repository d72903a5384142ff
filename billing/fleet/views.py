"""The fleet in the books: where it stands, booking, depreciating, and one instrument's schedule."""

from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing import ledger
from billing.fleet import operations, queries, rules
from billing.fleet.forms import BookForm, DepreciateForm
from billing.fleet.words import counted
from billing.models import DepreciatedMonth, FleetAsset
from billing.views.common import BOOKS, person
from rentals.inventory.models import Custody, InstrumentKind
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import may, requires

EXPECTED = (
    ledger.MonthClosedError,
    operations.DepreciationAheadError,
    operations.FleetNotBookedError,
    operations.MonthDepreciatedError,
    operations.MonthSkippedError,
    operations.NothingToBookError,
    operations.TermsNotPossibleError,
    RequestKeyReusedError,
    RowsBusyError,
)
SORTS = {"tag": "instrument__asset_tag", "since": "in_service_on", "cost": "cost", "depreciated": "depreciated"}
SHOWN = {"in": "In the books", "gone": "Gone, still in the books", "out": "Taken out", "all": "All"}
HEADINGS = [
    "asset tag", "kind", "model", "in service", "cost", "salvage", "life in months", "depreciated", "book value", "tax class",
]  # fmt: skip
ROWS_AT_ONCE = 300_000
"""A request depreciates about so many instruments and months: a great fleet that is far behind is caught up in several."""
FLEET = {"label": "Fleet in the books", "url": "/books/fleet/"}


@requires("books.view")
@never_cache
def fleet_books(request: HttpRequest) -> HttpResponseBase:
    """Show what the fleet stands for, kind by kind, whether the ledger says the same, and what waits to be done."""
    today, rows = clock.today(), queries.list_by_kind()
    whole, last, waiting = queries.total(rows), queries.last_month_done(), queries.list_next_months(today)
    context = {
        "tiles": [
            {"label": "Cost", "value": written(whole.cost), "note": counted(whole.count)},
            {"label": "Depreciated", "value": written(whole.depreciated)},
            {"label": "Book value", "value": written(whole.book_value)},
            {"label": "Depreciated through", "value": written_day(last, "month") if last else "No month yet"},
        ],
        "rows": rows,
        "whole": whole,
        "tie_out": queries.tie_out(whole),
        "to_clear": queries.sum_to_clear(),
        "unbooked": queries.sum_unbooked(today),
        "waiting": waiting,
        "gone": queries.list_assets(show="gone").count(),
        "done": DepreciatedMonth.objects.select_related("entry", "made_by").order_by("-first_day")[:12],
        "may_book": may(person(request), "fleet.book"),
        "back": BOOKS,
    }
    return render(request, "billing/fleet/books.html", context)


@requires("fleet.book")
@never_cache
def book(request: HttpRequest) -> HttpResponseBase:
    """Ask how what was bought is depreciated, and take it into the books."""
    today = clock.today()
    form = BookForm(request.POST or None, initial=_terms_before())
    if request.method == "POST" and form.is_valid():
        try:
            done = operations.book_instruments(
                terms=form.terms(),
                acting_user=person(request),
                now=clock.now(),
                today=today,
                request_key=form.cleaned_data["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{counted(done.assets)} booked at {written(done.cost)}.")
            return redirect("fleet_books")
    context = {"form": form, "unbooked": queries.sum_unbooked(today), "back": FLEET}
    return render(request, "billing/fleet/book.html", context, status=422 if form.errors else 200)


def _terms_before() -> dict[str, Any]:
    """Begin with the terms of the last booking; without one, with seven years and nothing left at the end, and no tax class."""
    before = FleetAsset.objects.order_by("-pk").first()
    if before is None:
        return {"life_months": 84, "salvage_percent": 0}
    share = round(before.salvage / before.cost * 100)
    return {"life_months": before.life_months, "salvage_percent": share, "tax_class": before.tax_class}


@requires("fleet.book")
@never_cache
def depreciate(request: HttpRequest) -> HttpResponseBase:
    """Ask through which month, and depreciate the whole fleet."""
    waiting = queries.list_next_months(clock.today())
    due = queries.sum_due(waiting[0]) if waiting else queries.NOTHING_DUE
    offered = waiting[: max(1, ROWS_AT_ONCE // max(1, due.count))]
    form = DepreciateForm(request.POST or None, months=offered, initial={"through": offered[-1].isoformat() if offered else ""})
    if request.method == "POST" and form.is_valid():
        try:
            done = operations.depreciate_through(
                month=form.cleaned_data["through"], acting_user=person(request), now=clock.now(), today=clock.today()
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            amount = sum((month.amount for month in done), Decimal(0))
            through = written_day(done[-1].first_day, "month")
            messages.success(request, f"Depreciated through {through}: {written(amount)}.")
            return redirect("fleet_books")
    context = {
        "form": form,
        "waiting": waiting,
        "later": len(waiting) - len(offered),
        "due": due,
        "following": queries.next_month(clock.today()),
        "back": FLEET,
    }
    return render(request, "billing/fleet/depreciate.html", context, status=422 if form.errors else 200)


def _wanted(request: HttpRequest) -> dict[str, str]:
    show = request.GET.get("show", "in")
    text = request.GET.get("text", "").strip()
    return {"kind": request.GET.get("kind", ""), "text": text, "show": show if show in SHOWN else "in"}


@requires("books.view")
@never_cache
def assets(request: HttpRequest) -> HttpResponseBase:
    """List the instruments in the books, narrowed by the address."""
    wanted, sort = _wanted(request), request.GET.get("sort", "tag")
    key = SORTS.get(sort.removeprefix("-"), SORTS["tag"])
    rows = queries.list_assets(**wanted).order_by(f"-{key}" if sort.startswith("-") else key, "pk")
    context = {
        "page": Paginator(rows, 50).get_page(request.GET.get("page")),
        "wanted": wanted,
        "narrowed": wanted != {"kind": "", "text": "", "show": "in"},
        "sort": sort,
        "kinds": InstrumentKind.objects.values_list("code", "name"),
        "shown": SHOWN.items(),
        "address": request.GET.urlencode(),
        "back": FLEET,
    }
    return render(request, "billing/fleet/assets.html", context)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def assets_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the narrowed list as CSV, for the accountant."""
    rows = (
        [
            row.instrument.asset_tag,
            row.instrument.item.kind.name,
            str(row.instrument.item),
            row.in_service_on.isoformat(),
            row.cost,
            row.salvage,
            row.life_months,
            row.depreciated,
            row.book_value,
            row.tax_class,
        ]
        for row in queries.list_assets(**_wanted(request)).iterator(chunk_size=2000)
    )
    return stream_csv("fleet-in-the-books.csv", HEADINGS, rows)


@requires("books.view")
@never_cache
def asset(request: HttpRequest, asset_id: int) -> HttpResponseBase:
    """Show one instrument: what was posted of it, and both schedules side by side."""
    found = get_object_or_404(queries.list_assets(show="all"), pk=asset_id)
    years = rules.years_side_by_side(
        cost=found.cost,
        salvage=found.salvage,
        in_service_on=found.in_service_on,
        life_months=found.life_months,
        tax_class=found.tax_class,
    )
    removal = found.removals.filter(undo_entry=None).first()
    may_book, is_gone = may(person(request), "fleet.book"), found.place in queries.GONE
    context = {
        "asset": found,
        "status": _status(found, bool(removal)),
        "place": Custody.Place(found.place).label if found.place else "",
        "years": years,
        "rows": found.depreciations.select_related("entry").order_by("-month")[:12],
        "removal": removal,
        "may_take_out": may_book and is_gone and removal is None,
        "may_put_back": may_book and not is_gone and removal is not None,
        "how": "sold" if found.place == Custody.Place.SOLD else "lost",
        "back": {"label": "Instruments in the books", "url": reverse("fleet_assets")},
    }
    return render(request, "billing/fleet/asset.html", context)


def _status(found: Any, removed: bool) -> dict[str, str]:
    if removed:
        return {"word": "Taken out of the books", "tone": "quiet"}
    if found.place in queries.GONE:
        return {"word": "Gone, still in the books", "tone": "warn"}
    if found.depreciated >= found.basis:
        return {"word": "Depreciated to the end", "tone": "info"}
    return {"word": "In the books", "tone": "good"}


@requires("fleet.book")
@require_POST
def take_out(request: HttpRequest, asset_id: int) -> HttpResponseBase:
    """Take an instrument out that the inventory says is gone; one that is there stays in the books."""
    found = get_object_or_404(queries.list_assets(show="gone"), pk=asset_id)
    how = "sold" if found.place == Custody.Place.SOLD else "lost"
    try:
        operations.remove_asset(
            instrument=found.instrument, on=clock.today(), how=how, acting_user=person(request), now=clock.now()
        )
    except EXPECTED as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"{found.instrument} is out of the books.")
    return redirect("fleet_asset", asset_id)


@requires("fleet.book")
@require_POST
def put_back(request: HttpRequest, asset_id: int) -> HttpResponseBase:
    """Put an instrument back that is there again."""
    found = get_object_or_404(queries.list_assets(show="out").exclude(place__in=queries.GONE), pk=asset_id)
    try:
        operations.put_back_asset(
            instrument=found.instrument,
            on=clock.today(),
            reason="it is there again",
            acting_user=person(request),
            now=clock.now(),
        )
    except EXPECTED as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"{found.instrument} stands in the books again.")
    return redirect("fleet_asset", asset_id)
