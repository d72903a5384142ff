"""The board of open work orders, read from across the workshop."""

from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_safe

from rentals.counter.bench import board
from rentals.inventory.models import Location
from rentals.runtime import clock
from rentals.staff.models import Role, User
from rentals.staff.policy import CAPABILITIES, requires


@requires("instruments.move")
@require_safe
def bench_queue(request: HttpRequest) -> HttpResponseBase:
    """Show the open work orders in columns by state; asked for by the page itself, only the columns."""
    location, technician = request.GET.get("location", ""), request.GET.get("technician", "")
    columns = board.list_columns(today=clock.today(), location=location, technician=technician)
    context: dict[str, Any] = {
        "columns": columns,
        "count": sum(len(column.cards) for column in columns),
        "as_of": clock.now(),
        "location": location,
        "technician": technician,
        "is_narrowed": bool(location or technician),
    }
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "counter/bench/board_columns.html", context)
    roles: list[Role] = sorted(CAPABILITIES["bench.work"])
    context |= {
        "locations": Location.objects.filter(is_active=True).order_by("name"),
        "technicians": User.objects.filter(is_active=True, role__in=roles).order_by("name"),
        "nobody": board.NOBODY,
    }
    return render(request, "counter/bench/board.html", context)
