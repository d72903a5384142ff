"""The list of instruments, one instrument's page, and its facts added and changed. Where it goes: `custody`."""

import datetime
from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.core.paginator import Page, Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory import operations, queries
from rentals.inventory.filters import InstrumentFilter
from rentals.inventory.forms import InstrumentForm, show_version
from rentals.inventory.models import Custody, Instrument
from rentals.inventory.operations.tag_series import NoTagSeriesError
from rentals.inventory.queries import chain
from rentals.inventory.queries.cleanings import with_cleaning_due
from rentals.inventory.queries.counts import get_missing_mark, list_missing_marks
from rentals.inventory.queries.photos import list_photos
from rentals.inventory.views import custody_actions
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import may, requires

PAGE = 50
CHAIN_PAGE = 12
COLUMNS = [
    "Asset tag", "Serial number", "Kind", "Maker", "Model", "Size", "Tier", "Condition", "Place", "Location", "Acquired on",
    "Last cleaned on", "Notes",
]  # fmt: skip


@requires("instruments.view")
def instruments(request: HttpRequest) -> HttpResponseBase:
    """List the instruments, narrowed and sorted as the address says."""
    narrowed = InstrumentFilter.read(request.GET)
    page = Paginator(narrowed.apply(), PAGE).get_page(request.GET.get("page"))
    marks = list_missing_marks(unit.pk for unit in page)
    rows = [
        {"instrument": unit, "where": queries.describe(unit.here) if unit.here else None, "missing": marks.get(unit.pk)}  # type: ignore[attr-defined]
        for unit in page
    ]
    actions = [{"label": "Export as CSV", "url": f"{reverse('instruments_export')}?{request.GET.urlencode()}"}]
    if may(request.user, "instruments.label") and page.object_list:
        actions.append({"label": "Print labels of these", "url": f"{reverse('labels_print')}?{request.GET.urlencode()}"})
    if may(request.user, "fleet.import"):
        actions.append({"label": "Take in a spreadsheet", "url": reverse("fleet_import")})
    if may(request.user, "instruments.edit"):
        actions.append({"label": "Add an instrument", "url": reverse("instrument_add"), "main": True})  # type: ignore[dict-item]
    context = {"page": page, "rows": rows, "narrowed": narrowed, "boxes": narrowed.choices(), "actions": actions}
    context |= {"further": narrowed.further_choices(), "days": narrowed.days()}
    return render(request, "inventory/instruments.html", context)


@requires("instruments.view")
@limited("export", per_minute=EXPORTS)
def instruments_export(request: HttpRequest) -> HttpResponseBase:
    """Send the same list, all of it, as a CSV file."""
    return stream_csv("instruments.csv", COLUMNS, _export(InstrumentFilter.read(request.GET)))


def _export(narrowed: InstrumentFilter) -> Iterator[list[Any]]:
    for unit in narrowed.apply().iterator(chunk_size=2000):
        here = unit.here  # type: ignore[attr-defined]
        yield [
            unit.asset_tag,
            unit.serial_number,
            unit.item.kind.name,
            unit.item.maker,
            unit.item.model,
            unit.item.size,
            unit.item.get_tier_display(),
            unit.get_grade_display(),
            here.get_place_display() if here else "",
            here.location.name if here and here.location else "",
            unit.acquired_on,
            unit.last_cleaned_on,
            unit.notes,
        ]


@requires("instruments.view")
def instrument(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Show one instrument: where it is and was, what may be done now, what it is, and the work done on it."""
    unit: Any = get_object_or_404(with_cleaning_due(chain.list_for_page()), pk=instrument_id)
    here: Custody | None = unit.here
    units = chain.list_units(unit)
    open_unit = next((each for each in units if each.ended_at is None), None)
    stays = Paginator(queries.list_custodies(unit), CHAIN_PAGE)
    stays.count = unit.stays or 0  # known already: no query for it
    page, now = stays.get_page(request.GET.get("page")), clock.now()
    context = {
        "instrument": unit,
        "where": queries.describe(here) if here else None,
        "page": page,
        "chain": chain.list_chain(list(page), units, now),
        "now_line": chain.list_chain([here], units, now)[0] if here else None,
        "may_undo": _may_undo(request, page, open_unit, now),
        "hold": unit.held,
        "missing": get_missing_mark(unit),
        "unit": open_unit,
        "orders": list(queries.list_work_orders(unit)),
        "due_on": unit.cleaning_due_on,
        "today": clock.today(),
        "photos": list(list_photos(unit)),
        "actions": custody_actions.list_actions(request.user, unit, here, open_unit, unit.held),
    }
    return render(request, "inventory/instrument.html", context)


def _may_undo(request: HttpRequest, page: Page[Custody], open_unit: Any, now: datetime.datetime) -> bool:
    newest = [*page, None, None][:2] if page.number == 1 else [None, None]
    moved = newest[0] is not None and operations.may_undo(newest[0], newest[1], now)
    return moved and open_unit is None and may(request.user, "instruments.move")


@requires("instruments.edit")
def instrument_add(request: HttpRequest) -> HttpResponseBase:
    """Take one instrument into the fleet."""
    form = InstrumentForm(request.POST or None, initial={"asset_tag": request.GET.get("tag", ""), "acquired_on": clock.today()})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            added = operations.receive_instrument(**data, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
        except operations.AssetTagTakenError as error:
            form.add_error("asset_tag", str(error))
        except operations.SerialNumberTakenError as error:
            form.add_error("serial_number", str(error))
        except NoTagSeriesError as error:
            form.add_error("asset_tag", str(error))
        except RequestKeyReusedError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"{added.asset_tag} is in the fleet, on the shelf at {data['location']}.")
            return redirect("instrument", instrument_id=added.pk)
    status = 422 if form.errors else 200
    return render(request, "inventory/instrument_form.html", {"form": form, "instrument": None}, status=status)


@requires("instruments.edit")
def instrument_change(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Change the facts of one instrument; a 409 shows what somebody else changed meanwhile."""
    unit = get_object_or_404(Instrument.objects.select_related("item__kind"), pk=instrument_id)
    form = InstrumentForm(request.POST or None, instrument=unit, initial=InstrumentForm.initial_of(unit))
    context: dict[str, Any] = {"form": form, "instrument": unit}
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                operations.change_instrument(instrument=unit, acting_user=request.user, **form.cleaned_data)  # type: ignore[arg-type]
            except operations.AssetTagTakenError as error:
                form.add_error("asset_tag", str(error))
            except operations.SerialNumberTakenError as error:
                form.add_error("serial_number", str(error))
            except operations.InstrumentChangedError as error:
                status = 409
                context |= {"conflict": str(error), "theirs": _differences(error.current, form)}
                show_version(form, error.current.version)
            else:
                messages.success(request, f"{form.cleaned_data['asset_tag']} is changed.")
                return redirect("instrument", instrument_id=unit.pk)
    return render(request, "inventory/instrument_form.html", context, status=status)


def _differences(current: Instrument, form: InstrumentForm) -> list[dict[str, str]]:
    shown = {
        "asset_tag": current.asset_tag,
        "serial_number": current.serial_number,
        "item": current.item,
        "grade": current.grade,
        "cost": current.cost,
        "acquired_on": current.acquired_on,
        "notes": current.notes,
    }
    words = {**shown, "grade": current.get_grade_display()}
    return [
        {"label": str(form.fields[name].label), "value": str(words[name])}
        for name in shown
        if shown[name] != form.cleaned_data[name]
    ]
