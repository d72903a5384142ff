"""Closing a work order, and noting an annual cleaning."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from rentals.inventory import operations
from rentals.inventory.forms import WorkDoneForm
from rentals.inventory.models import Instrument, WorkOrder
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import day
from rentals.staff.policy import requires

STILL_OPEN = (
    operations.StateNotPossibleError,
    operations.PayerNotDecidedError,
    operations.NotReadyError,
    RowsBusyError,
)


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
            return redirect("bench_queue")
        except STILL_OPEN as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"The work on {order.instrument.asset_tag} is done.")
            return redirect("bench_queue")
    status = 422 if form.errors else 200
    return render(request, "inventory/work_order_close.html", {"form": form, "order": order}, status=status)


@require_POST
@requires("instruments.move")
def cleaned_today(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Note the annual cleaning of one instrument as done today."""
    unit = get_object_or_404(Instrument, pk=instrument_id)
    today = clock.today()
    operations.record_cleaning(instrument=unit, cleaned_on=today, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    messages.success(request, f"{unit.asset_tag} is noted as cleaned on {day(today)}.")
    return redirect("cleanings")
