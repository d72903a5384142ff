"""The fleet's figures by kind, by catalogue item and by instrument, each as a screen and as a file."""

import dataclasses
import datetime
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing.earning import drawings, queries, use, worth
from billing.earning.queries import Catalogue, Figures, Row
from billing.earning.tables import FIGURES, OF_ONE, csv_rows, sort_rows
from billing.earning.views.common import Asked, frame, listed, read, written
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.runtime.templatetags.office import money as written_money
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires

PAGE = 50
FEW = 20_000


def _tiles(whole: Figures) -> list[dict[str, Any]]:
    share = whole.use.share
    return [
        {"label": "Rent", "value": written_money(whole.earned.net), "note": f"of it paid {written_money(whole.earned.paid)}"},
        {"label": "Bench work", "value": written_money(whole.repairs)},
        {
            "label": "In use",
            "value": "None yet" if share is None else f"{share * 100:.0f}%",
            "note": "of the days fit to be rented",
        },
        {"label": "Here now", "value": f"{whole.worth.count:,}", "note": f"cost {written_money(whole.worth.cost)}"},
    ]


@requires("fleet.figures")
@never_cache
def fleet_figures(request: HttpRequest) -> HttpResponseBase:
    """Show what each kind of instrument earned and cost in a span, beside the ledger, with the use of three years."""
    catalogue = queries.read_catalogue()
    asked, now = read(request, catalogue), clock.now()
    fleet = queries.measure(asked.span, now)
    rows = queries.list_kinds(fleet, catalogue)
    whole = queries.total(rows)
    context = {
        **frame(request, "fleet_figures"),
        "asked": asked,
        "kinds": [(row.key, row.name) for row in rows],
        "columns": FIGURES,
        "rows": listed(sort_rows(rows, asked.sort, FIGURES), FIGURES),
        "total": written(whole, FIGURES),
        "tiles": _tiles(whole),
        "ties": queries.tie_out(fleet),
        "let_go": whole.earned.credited,
        "charts": _charts(asked, rows, now, catalogue),
        "csv_url": reverse("fleet_figures_csv"),
    }
    return render(request, "billing/earning/kinds.html", context)


def _charts(asked: Asked, rows: list[Row], now: datetime.datetime, catalogue: Catalogue) -> list[Any]:
    months = use.list_by_month(min(asked.span.until_on, clock.today() + datetime.timedelta(days=1)), now)
    of_kind = months.of(catalogue.of_kind(asked.kind)) if asked.kind else None
    return [
        drawings.use_by_month(months.months, months.of(), of_kind, dict(catalogue.kinds).get(asked.kind, "")),
        drawings.rent_and_work(rows),
        drawings.ages(worth.count_by_age(clock.today())),
    ]


@requires("fleet.figures")
@limited("export", per_minute=EXPORTS)
def fleet_figures_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the same kinds in the same order as a file."""
    catalogue = queries.read_catalogue()
    asked = read(request, catalogue)
    rows = sort_rows(queries.list_kinds(queries.measure(asked.span, clock.now()), catalogue), asked.sort, FIGURES)
    header = ["Kind", *(column.label for column in FIGURES)]
    return stream_csv(f"fleet-by-kind-{asked.span.code}.csv", header, csv_rows(rows, FIGURES, lambda row: [row.name]))


def _items(asked: Asked, catalogue: Catalogue) -> list[Row]:
    fleet = queries.measure(asked.span, clock.now())
    return sort_rows(queries.list_items(fleet, catalogue, asked.kind), asked.sort, FIGURES)


@requires("fleet.figures")
@never_cache
def fleet_figures_items(request: HttpRequest) -> HttpResponseBase:
    """Show the same of every catalogue item, of one kind or of all."""
    catalogue = queries.read_catalogue()
    asked = read(request, catalogue)
    rows = _items(asked, catalogue)
    context = {
        **frame(request, "fleet_figures_items"),
        "asked": asked,
        "kinds": catalogue.kinds,
        "columns": FIGURES,
        "rows": listed(rows, FIGURES),
        "total": written(queries.total(rows), FIGURES),
        "csv_url": reverse("fleet_figures_items_csv"),
    }
    return render(request, "billing/earning/items.html", context)


@requires("fleet.figures")
@limited("export", per_minute=EXPORTS)
def fleet_figures_items_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the same items in the same order as a file."""
    catalogue = queries.read_catalogue()
    asked = read(request, catalogue)
    header = ["Kind", "Model", *(column.label for column in FIGURES)]
    rows = csv_rows(_items(asked, catalogue), FIGURES, lambda row: [row.kind, row.model])
    return stream_csv(f"fleet-by-model-{asked.span.code}.csv", header, rows)


def _narrowed(asked: Asked, catalogue: Catalogue) -> Asked:
    """Begin with the first kind where the fleet is too great to be added up one by one while somebody waits."""
    if asked.is_narrowed or not catalogue.kinds or Instrument.objects.count() <= FEW:
        return asked
    return dataclasses.replace(asked, kind=catalogue.kinds[0][0])


def _instruments(asked: Asked, catalogue: Catalogue) -> list[Row]:
    wanted = queries.Wanted(asked.kind, asked.item, asked.text)
    rows = queries.list_instruments(asked.span, clock.now(), catalogue, wanted)
    return sort_rows(rows, asked.sort, OF_ONE)


@requires("fleet.figures")
@never_cache
def fleet_figures_instruments(request: HttpRequest) -> HttpResponseBase:
    """Show the same of single instruments, a page at a time."""
    catalogue = queries.read_catalogue()
    asked = _narrowed(read(request, catalogue), catalogue)
    rows = _instruments(asked, catalogue)
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    context = {
        **frame(request, "fleet_figures_instruments"),
        "asked": asked,
        "kinds": catalogue.kinds,
        "columns": OF_ONE,
        "page": page,
        "rows": listed(list(page), OF_ONE),
        "total": written(queries.total(rows), OF_ONE),
        "csv_url": reverse("fleet_figures_instruments_csv"),
    }
    return render(request, "billing/earning/instruments.html", context)


@requires("fleet.figures")
@limited("export", per_minute=EXPORTS)
def fleet_figures_instruments_csv(request: HttpRequest) -> HttpResponseBase:
    """Give all of these instruments in the same order as a file."""
    catalogue = queries.read_catalogue()
    asked = read(request, catalogue)
    header = ["Asset tag", "Kind", "Model", "Bought", *(column.label for column in OF_ONE)]
    rows = csv_rows(_instruments(asked, catalogue), OF_ONE, lambda row: [row.name, row.kind, row.model, row.acquired_on])
    return stream_csv(f"fleet-by-instrument-{asked.span.code}.csv", header, rows)
