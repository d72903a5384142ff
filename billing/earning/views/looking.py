"""What to look at: instruments that stand idle, and those that may not be worth their repair."""

from collections.abc import Iterator
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache

from billing.earning import advice, idle, judging, queries
from billing.earning.judging import Judged
from billing.earning.views.common import frame
from rentals.inventory.models import InstrumentKind, Location
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires

PAGE = 50
IDLE_HEADER = ["Asset tag", "Kind", "Model", "Shop", "Idle since", "Days", "Put aside for", "Condition", "Cost"]
ADVICE_HEADER = [
    "Asset tag", "Kind", "Model", "Work order", "Condition", "Repair", "Repair by", "Rent a month", "Upkeep a month", "Months",
    "Repairing is worth", "Used price", "Letting go is worth", "Book value", "Loss in the books", "Advice",
]  # fmt: skip


def _wanted(request: HttpRequest) -> dict[str, Any]:
    kinds = list(InstrumentKind.objects.values_list("code", "name"))
    places = list(Location.objects.order_by("name").values_list("code", "name"))
    kind, location, sort = (request.GET.get(name, "") for name in ("kind", "location", "sort"))
    return {
        "days": idle.read_days(request.GET.get("days", "")),
        "kind": kind if kind in dict(kinds) else "",
        "location": location if location in dict(places) else "",
        "sort": sort if sort.removeprefix("-") in idle.SORTS else "since",
        "kinds": kinds,
        "places": places,
    }


def _idle(wanted: dict[str, Any]) -> Any:
    narrowed = {name: wanted[name] for name in ("days", "kind", "location", "sort")}
    return idle.list_idle(clock.now(), **narrowed)


@requires("fleet.figures")
@never_cache
def fleet_idle(request: HttpRequest) -> HttpResponseBase:
    """List what has stood on a shelf for longer than the address says."""
    wanted, now = _wanted(request), clock.now()
    page = Paginator(_idle(wanted), PAGE).get_page(request.GET.get("page"))
    context = {
        **frame(request, "fleet_idle"),
        "wanted": wanted,
        "narrowed": bool(wanted["kind"] or wanted["location"]),
        "page": page,
        "rows": [{"unit": unit, "days": (now - unit.idle_since).days} for unit in page],
    }
    return render(request, "billing/earning/idle.html", context)


@requires("fleet.figures")
@limited("export", per_minute=EXPORTS)
def fleet_idle_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the same instruments in the same order as a file."""
    return stream_csv("fleet-idle.csv", IDLE_HEADER, _idle_rows(_wanted(request)))


def _idle_rows(wanted: dict[str, Any]) -> Iterator[list[Any]]:
    now = clock.now()
    for unit in _idle(wanted).iterator(chunk_size=2000):
        since, item = unit.idle_since, unit.item
        yield [
            unit.asset_tag, item.kind.name, str(item), unit.here.location.name, timezone.localdate(since), (now - since).days,
            unit.held, unit.get_grade_display(), unit.cost,
        ]  # fmt: skip


ADVICE_SORTS = {
    "tag": lambda each: each.instrument.asset_tag,
    "repair": lambda each: each.case.repair,
    "keep": lambda each: each.advice.keep,
    "gain": lambda each: each.advice.gain,
}


def _judged(request: HttpRequest) -> tuple[list[Judged], dict[str, Any]]:
    catalogue = queries.read_catalogue()
    kinds = catalogue.kinds
    kind, word, sort = (request.GET.get(name, "") for name in ("kind", "advice", "sort"))
    wanted: dict[str, Any] = {
        "kind": kind if kind in dict(kinds) else "",
        "advice": word if word in WORDS else "",
        "sort": sort if sort.removeprefix("-") in ADVICE_SORTS else "gain",
        "kinds": kinds,
        "words": WORDS,
    }
    judged = judging.list_judged(judging.stand_on(catalogue, clock.today(), clock.now(), wanted["kind"]), wanted["kind"])
    if wanted["advice"]:
        judged = [each for each in judged if (each.advice.word if each.advice else advice.UNKNOWN) == wanted["advice"]]
    return _in_order(judged, wanted["sort"]), wanted


WORDS = (advice.REPAIR, advice.TWICE, advice.LET_GO, advice.UNKNOWN)


def _in_order(judged: list[Judged], sort: str) -> list[Judged]:
    known = [each for each in judged if each.advice] if sort.removeprefix("-") != "tag" else judged
    blank = [each for each in judged if not each.advice] if sort.removeprefix("-") != "tag" else []
    return sorted(known, key=ADVICE_SORTS[sort.removeprefix("-")], reverse=sort.startswith("-")) + blank


@requires("fleet.figures")
@never_cache
def fleet_advice(request: HttpRequest) -> HttpResponseBase:
    """List what may not be worth its repair, with the arithmetic of each: least worth repairing first."""
    judged, wanted = _judged(request)
    context = {
        **frame(request, "fleet_advice"),
        "wanted": wanted,
        "narrowed": bool(wanted["kind"] or wanted["advice"]),
        "page": Paginator(judged, PAGE).get_page(request.GET.get("page")),
        "rule": advice.RULE,
    }
    return render(request, "billing/earning/advice.html", context)


@requires("fleet.figures")
@limited("export", per_minute=EXPORTS)
def fleet_advice_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the same instruments in the same order as a file."""
    return stream_csv("repair-or-let-go.csv", ADVICE_HEADER, (_advice_row(each) for each in _judged(request)[0]))


def _advice_row(each: Judged) -> list[Any]:
    unit, case, found = each.instrument, each.case, each.advice
    known = [unit.asset_tag, unit.item.kind.name, str(unit.item), each.order, unit.get_grade_display()]
    if case is None or found is None:
        return [*known, None, each.repair_by, *[None] * 8, advice.UNKNOWN]
    return [
        *known, case.repair, each.repair_by, case.rent, case.upkeep, case.months, found.keep, case.used, found.let_go,
        case.book_value, found.loss, found.word,
    ]  # fmt: skip
