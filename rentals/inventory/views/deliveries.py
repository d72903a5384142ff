"""Deliveries: received in one form, looked up later, each with a page of its own."""

from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory.models import Delivery, Location
from rentals.inventory.operations import deliveries as operations
from rentals.inventory.operations.tag_series import NoTagSeriesError
from rentals.inventory.queries import deliveries as queries
from rentals.inventory.receiving_forms import MOST_LINES, DeliveryForm, lines_for
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.runtime.locks import RowsBusyError
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import may, requires

PAGE = 50
COLUMNS = ["Received at", "Supplier", "Order number", "Location", "Instruments", "Cost", "Received by", "Note"]


@requires("instruments.edit")
def receive(request: HttpRequest) -> HttpResponseBase:
    """Receive a delivery: what came, line by line, with serial numbers. All of it, or nothing and every word kept."""
    wants_line = "add_line" in request.POST
    form = DeliveryForm(request.POST or None, initial=_known(request))
    lines = lines_for(request.POST if request.method == "POST" else None, more=int(wants_line))
    status = 200
    if wants_line:
        form, lines = _unchecked(form), _unchecked(lines)
    elif request.method == "POST":
        status = 422
        if form.is_valid() & lines.is_valid():
            received = _receive(request, form, lines)
            if received is not None:
                count = received.instruments.count()
                messages.success(
                    request, f"{count} instrument{'' if count == 1 else 's'} received, on the shelf at {received.location}."
                )
                return redirect("delivery", delivery_id=received.pk)
    context = {"form": form, "lines": lines, "may_add_line": len(lines.forms) < MOST_LINES}
    return render(request, "inventory/receive.html", context, status=status)


def _known(request: HttpRequest) -> dict[str, Any]:
    """What the address says of the order, and what is known without asking."""
    shops = list(Location.objects.filter(is_active=True)[:2])
    last = Delivery.objects.filter(received_by=request.user.pk).order_by("-pk").first()
    location = request.GET.get("location") or (shops[0].pk if len(shops) == 1 else last.location_id if last else "")
    told = {name: request.GET.get(name, "").replace("\0", "") for name in ("supplier", "order_number")}
    return {**told, "location": location, "acquired_on": clock.today()}


def _unchecked(form: Any) -> Any:
    """Show what was typed without checking it: the person has only asked for another line."""
    for each in getattr(form, "forms", [form]):
        each._errors, each.cleaned_data = {}, {}
    return form


def _receive(request: HttpRequest, form: DeliveryForm, lines: Any) -> Delivery | None:
    """Receive what was told; None, with every reason in the forms, when it cannot be."""
    told = lines.told()
    if not told:
        form.add_error(None, "Nothing stands on the lines yet: choose which model came and how many.")
        return None
    try:
        return operations.receive_delivery(
            facts=form.facts(),
            lines=[line.line() for line in told],
            request_key=form.cleaned_data["request_key"],
            acting_user=request.user,  # type: ignore[arg-type]
            now=clock.now(),
        )
    except operations.DeliveryRefusedError as error:
        for place, line in enumerate(told):
            line.tell([problem for problem in error.problems if problem.line == place])
    except NoTagSeriesError as error:
        for line in told:
            if line.cleaned_data["item"].kind_id == error.kind.pk:
                line.add_error("tags", str(error))
    except (RequestKeyReusedError, RowsBusyError) as error:
        form.add_error(None, str(error))
    return None


@requires("instruments.view")
def deliveries(request: HttpRequest) -> HttpResponseBase:
    """List what was received, newest first, narrowed as the address says."""
    text, location = _narrowing(request)
    page = Paginator(queries.list_deliveries(text, location), PAGE).get_page(request.GET.get("page"))
    actions: list[dict[str, Any]] = []
    if may(request.user, "instruments.edit"):
        actions = [{"label": "Receive a delivery", "url": reverse("receive"), "main": True}]
    actions.insert(0, {"label": "Export as CSV", "url": f"{reverse('deliveries_export')}?{request.GET.urlencode()}"})
    context = {"page": page, "text": text, "location": location, "shops": Location.objects.order_by("name"), "actions": actions}
    return render(request, "inventory/deliveries.html", context)


def _narrowing(request: HttpRequest) -> tuple[str, str]:
    return tuple(request.GET.get(name, "").replace("\0", "").strip() for name in ("text", "location"))  # type: ignore[return-value]


@requires("instruments.view")
@limited("export", per_minute=EXPORTS)
def deliveries_export(request: HttpRequest) -> HttpResponseBase:
    """Send the same list, all of it, as a CSV file; what they cost only to those who may see it."""
    shows_cost = may(request.user, "catalogue.edit")
    columns = [name for name in COLUMNS if shows_cost or name != "Cost"]
    return stream_csv("deliveries.csv", columns, _export(*_narrowing(request), shows_cost=shows_cost))


def _export(text: str, location: str, *, shows_cost: bool) -> Iterator[list[Any]]:
    for each in queries.list_deliveries(text, location).iterator(chunk_size=2000):
        pieces, cost = each.pieces, each.cost  # type: ignore[attr-defined]
        row = [each.received_at, each.supplier, each.order_number, each.location.name, pieces]
        yield [*row, *([cost] if shows_cost else []), each.received_by.name, each.note]


@requires("instruments.view")
def delivery(request: HttpRequest, delivery_id: int) -> HttpResponseBase:
    """Show one delivery: what came in it, under which tags, and what else came of the same order."""
    received = get_object_or_404(Delivery.objects.select_related("location", "received_by"), pk=delivery_id)
    parts = queries.list_delivery_parts(received)
    context = {
        "delivery": received,
        "parts": parts,
        "pieces": sum(len(part.instruments) for part in parts),
        "total": sum(part.total for part in parts),
        "same_order": list(queries.list_same_order(received)),
    }
    return render(request, "inventory/delivery.html", context)
