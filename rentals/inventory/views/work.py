"""The bench queue, closing a work order, and the annual cleanings that are due."""

import datetime

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from rentals.inventory import operations, queries, rules
from rentals.inventory.forms import WorkDoneForm
from rentals.inventory.models import Instrument, Location, WorkOrder
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day
from rentals.staff.policy import requires

AHEAD = {"0": 0, "30": 30, "90": 90}


@requires("instruments.move")
def bench_queue(request: HttpRequest) -> HttpResponseBase:
    """Show the open work orders, longest waiting first, large enough to read across the workshop."""
    location = request.GET.get("location", "")
    today = clock.today()
    orders = [
        {"order": order, "days": (today - clock_day(order.opened_at)).days} for order in queries.list_bench_queue(location)[:200]
    ]
    context = {"orders": orders, "locations": Location.objects.filter(is_active=True).order_by("name"), "location": location}
    return render(request, "inventory/bench_queue.html", context)


def clock_day(moment: datetime.datetime) -> datetime.date:
    """Return the office's calendar date of a moment."""
    from django.utils import timezone

    return timezone.localtime(moment).date()


@requires("instruments.move")
def work_order_close(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Close a work order with what was done; the instrument stays in the shop until it is scanned out."""
    order = get_object_or_404(WorkOrder.objects.select_related("instrument__item__kind", "opened_by"), pk=order_id)
    form = WorkDoneForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            operations.close_work_order(order=order, acting_user=request.user, now=clock.now(), **form.cleaned_data)  # type: ignore[arg-type]
        except operations.WorkOrderClosedError as error:
            messages.info(request, str(error))
        else:
            messages.success(request, f"The work on {order.instrument.asset_tag} is done.")
        return redirect("bench_queue")
    status = 422 if form.errors else 200
    return render(request, "inventory/work_order_close.html", {"form": form, "order": order}, status=status)


@requires("instruments.move")
def cleanings(request: HttpRequest) -> HttpResponseBase:
    """List the instruments whose annual cleaning is due, today or soon."""
    ahead = request.GET.get("ahead", "0")
    ahead = ahead if ahead in AHEAD else "0"
    due = queries.list_cleanings_due(clock.today() + datetime.timedelta(days=AHEAD[ahead]))
    page = Paginator(due, 50).get_page(request.GET.get("page"))
    rows = [
        {
            "instrument": unit,
            "where": queries.describe(unit.here),  # type: ignore[attr-defined]
            "due_on": rules.cleaning_due_on(last_cleaned_on=unit.last_cleaned_on, acquired_on=unit.acquired_on),
        }
        for unit in page
    ]
    context = {"page": page, "rows": rows, "ahead": ahead, "today": clock.today(), "hygiene": rules.HYGIENE}
    return render(request, "inventory/cleanings.html", context)


@require_POST
@requires("instruments.move")
def cleaned_today(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Note the annual cleaning of one instrument as done today."""
    unit = get_object_or_404(Instrument, pk=instrument_id)
    today = clock.today()
    operations.record_cleaning(instrument=unit, cleaned_on=today, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    messages.success(request, f"{unit.asset_tag} is noted as cleaned on {day(today)}.")
    return redirect("cleanings")
