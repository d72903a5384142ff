"""Which annual cleanings are due, and how much work lies in the weeks ahead; both as lists and as files."""

import datetime
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from rentals.counter.cleaning_days import workload
from rentals.inventory import cautions, queries
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import may, requires
from schools.models import School

AHEAD = {"0": 0, "30": 30, "90": 90}
PLACES = {
    "family": "With a family",
    "school": "At a school",
    "shelf": "On the shelf",
    "bench": "In the shop",
    "van": "In the van",
}
MOST_HOURS = 200


def _narrowing(request: HttpRequest) -> dict[str, str]:
    """Read what the list is narrowed to; unknown values narrow nothing."""
    ahead, school, place = (request.GET.get(name, "") for name in ("ahead", "school", "place"))
    return {
        "ahead": ahead if ahead in AHEAD else "0",
        "school": school if school.isdecimal() and len(school) < 10 else "",
        "place": place if place in PLACES else "",
    }


def _due(narrowed: dict[str, str]) -> Any:
    until = clock.today() + datetime.timedelta(days=AHEAD[narrowed["ahead"]])
    return workload.list_due(on=until, school=int(narrowed["school"] or 0) or None, place=narrowed["place"])


@requires("instruments.move")
@require_safe
def cleanings(request: HttpRequest) -> HttpResponseBase:
    """List the instruments whose annual cleaning is due, today or soon, of one school or place or of all."""
    narrowed = _narrowing(request)
    page = Paginator(_due(narrowed), 50).get_page(request.GET.get("page"))
    rows = [{"instrument": unit, "where": queries.describe(unit.here), "due_on": unit.cleaning_due_on} for unit in page]
    context = {
        "page": page,
        "rows": rows,
        "today": clock.today(),
        "schools": School.objects.order_by("name").values_list("pk", "name"),
        "places": PLACES,
        "is_narrowed": bool(narrowed["school"] or narrowed["place"]),
        "cautions": cautions.for_cleaning({row["instrument"].item.kind.family for row in rows}),
        "actions": [
            {"label": "Cleaning days", "url": reverse("cleaning_days")},
            {"label": "Weeks ahead", "url": reverse("cleanings_ahead")},
        ],
        **narrowed,
    }
    return render(request, "counter/cleanings/due.html", context)


@requires("instruments.move")
@limited("export", per_minute=EXPORTS)
@require_safe
def cleanings_csv(request: HttpRequest) -> HttpResponseBase:
    """The same list as a file, in the same order."""
    names_families = may(request.user, "households.view")
    header = ["Asset tag", "Kind", "Model", "Place", "Who has it", "School", "Last cleaned", "Due"]

    def keeper(unit: Any) -> str:
        where = queries.describe(unit.here)
        return where.keeper if where.place != "family" or names_families else ""

    rows = (
        [
            unit.asset_tag,
            unit.item.kind.name,
            str(unit.item),
            queries.describe(unit.here).words,
            keeper(unit),
            unit.school_name or "",
            unit.last_cleaned_on,
            unit.cleaning_due_on,
        ]
        for unit in _due(_narrowing(request)).iterator(chunk_size=2000)
    )
    return stream_csv("cleanings-due.csv", header, rows)


@requires("instruments.move")
@require_safe
def cleanings_ahead(request: HttpRequest) -> HttpResponseBase:
    """Show how many cleanings, and how many hours of them, are overdue and lie in each week ahead; by school, too."""
    hours = request.GET.get("hours", "").strip()
    hours = hours if hours.isdecimal() and 0 < int(hours[:6]) <= MOST_HOURS else ""
    load = workload.measure_workload(today=clock.today(), minutes_of=workload.list_usual_minutes())
    capacity = int(hours) * 60 if hours else 0
    weeks = [{"monday": monday, "load": each, "over": max(0, each.minutes - capacity)} for monday, each in load.weeks.items()]
    context = {
        "load": load,
        "weeks": weeks,
        "hours": hours,
        "capacity": capacity,
        "weeks_for_overdue": -(-load.overdue.minutes // capacity) if capacity else 0,
        "usual_minutes": workload.USUAL_MINUTES,
    }
    return render(request, "counter/cleanings/ahead.html", context)


@requires("instruments.move")
@limited("export", per_minute=EXPORTS)
@require_safe
def cleanings_ahead_csv(request: HttpRequest) -> HttpResponseBase:
    """The weeks ahead by school as a file: one line a school, one column a week."""
    load = workload.measure_workload(today=clock.today(), minutes_of=workload.list_usual_minutes())
    header = ["School", "Overdue", *(f"Week of {monday}" for monday in load.weeks), "Together", "Minutes"]
    rows = [
        [school.name or "No school", school.overdue.count]
        + [school.weeks[monday].count if monday in school.weeks else 0 for monday in load.weeks]
        + [school.count, school.minutes]
        for school in load.schools
    ]
    return stream_csv("cleanings-ahead.csv", header, rows)
