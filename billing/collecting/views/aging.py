"""Who owes for how long: by family, by school, by the person who signed the agreement; on screen and as CSV."""

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing.collecting import aged
from billing.collecting.aged import ANY, NONE, Aged, By, Wanted
from billing.views.common import BOOKS, day_of
from rentals.agreements import queries as agreements
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires
from schools import queries as schools

TABS = {By.FAMILY: "By family", By.SCHOOL: "By school", By.SPECIALIST: "By specialist"}
FIRST = {By.FAMILY: "Family", By.SCHOOL: "School", By.SPECIALIST: "Specialist"}
BUCKETS = [("to_30", "1–30 days"), ("to_60", "31–60"), ("to_90", "61–90"), ("older", "Over 90")]
WHOLE = [("not_due", "Not due yet"), ("on_account", "On account"), ("balance", "Balance")]
PAGE_SIZE = 50


def wanted_of(query: dict[str, str]) -> Wanted:
    """Read the address; what it does not understand counts as not asked."""
    by, sort = query.get("by", ""), query.get("sort", "")
    return Wanted(
        on=day_of(query.get("on"), None) or clock.today(),
        by=By(by) if by in set(By) else By.FAMILY,
        only_late=query.get("who") != "all",
        school=_key(query.get("school", "")),
        specialist=_key(query.get("specialist", "")),
        text=query.get("text", "").strip()[:60],
        sort=sort if sort.removeprefix("-") in aged.SORTS else "",
    )


def _key(text: str) -> int:
    if text == "none":
        return NONE
    return int(text) if text.isascii() and text.isdigit() and 0 < len(text) < 10 else ANY


def _columns(wanted: Wanted) -> list[tuple[str, str]]:
    """The columns of amounts: what is past due by age, and what of the balance is not, where all is asked for."""
    return [*BUCKETS, ("past_due", "Past due"), *([] if wanted.only_late else WHOLE)]


@requires("books.view")
@never_cache
def aging(request: HttpRequest) -> HttpResponseBase:
    """Show what is owed by age, as the address asks."""
    wanted, today = wanted_of(request.GET.dict()), clock.today()
    found = aged.list_aged(wanted, today=today)
    page, columns = Paginator(found.rows, PAGE_SIZE).get_page(request.GET.get("page")), _columns(wanted)
    context = {
        "wanted": wanted,
        "page": page,
        "rows": [(row, _link(request, wanted, row), _cells(row, columns)) for row in page],
        "total": found.total,
        "total_cells": _cells(found.total, columns),
        "columns": columns,
        "tie": found.tie,
        "first": FIRST[wanted.by],
        "is_past": wanted.on < today,
        "is_ahead": wanted.on > today,
        "tabs": [{"label": TABS[by], "url": _address(request, by=by.value, sort=""), "current": by == wanted.by} for by in By],
        "schools": schools.list_school_names(),
        "specialists": agreements.list_signers(),
        "actions": [{"label": "Export as CSV", "url": f"{reverse('aging_csv')}?{request.GET.urlencode()}"}],
        "back": BOOKS,
    }
    return render(request, "billing/collecting/aging.html", context)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def aging_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the same rows in the same order as CSV, all pages of them."""
    wanted = wanted_of(request.GET.dict())
    columns, is_family = _columns(wanted), wanted.by == By.FAMILY
    header = [*(["Number"] if is_family else []), FIRST[wanted.by], *([] if is_family else ["Families"]), "Since"]
    found = aged.list_aged(wanted, today=clock.today())

    def lines() -> Iterator[list[Any]]:
        for row in found.rows:
            who = [row.number, row.name] if is_family else [row.name, row.families]
            yield [*who, row.since, *(amount for _, amount in _cells(row, columns))]

    name = f"owed-by-{wanted.by}-{wanted.on:%Y-%m-%d}.csv"
    return stream_csv(name, [*header, *(label for _, label in columns)], lines())


def _cells(row: Aged, columns: list[tuple[str, str]]) -> list[tuple[str, Any]]:
    return [(label, getattr(row, name)) for name, label in columns]


def _link(request: HttpRequest, wanted: Wanted, row: Aged) -> str:
    """A family leads to its page, a group to its families."""
    if wanted.by == By.FAMILY:
        return reverse("household_owing", args=[row.key])
    return _address(request, by=By.FAMILY.value, sort="", **{wanted.by.value: str(row.key or "none")})


def _address(request: HttpRequest, **changes: str) -> str:
    """The address of this view with other parameters, from its first page."""
    query = {**request.GET.dict(), **changes, "page": ""}
    return f"{reverse('aging')}?{urlencode({name: value for name, value in query.items() if value})}"
