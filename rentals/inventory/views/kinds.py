"""A kind of instrument: its sizes and models, what must come back with it, what the bench does to it; and these lists changed."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render

from rentals.inventory import kind_forms, queries, reference
from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.inventory.operations import kinds as operations
from rentals.inventory.queries import kinds as lists
from rentals.inventory.queries.catalogue import count_units, group_catalogue
from rentals.inventory.queries.deliveries import find_tag_series
from rentals.inventory.receiving_rules import series_tag
from rentals.staff.policy import requires

PARTS = "What goes out with it, what must come back, and what a new one costs."
SERVICES = "What the bench chooses from when it writes down its work."


@requires("instruments.view")
def kind(request: HttpRequest, kind_code: str) -> HttpResponseBase:
    """Show what belongs to a kind."""
    found = get_object_or_404(InstrumentKind, pk=kind_code)
    series = find_tag_series(found.pk)
    items = CatalogueItem.objects.filter(kind=found).select_related("kind")
    groups = [group for family in group_catalogue(items, count_units(found.pk)) for group in family.kinds]
    context = {
        "kind": found,
        "sizes": reference.list_sizes(found.pk),
        "parts": list(queries.list_parts(found.pk)),
        "services": list(queries.list_services(found.pk)),
        "checks": reference.list_condition_checks(found.pk),
        "group": groups[0] if groups else None,
        "next_tag": series_tag(series.prefix, series.width, series.next_number) if series else "",
    }
    return render(request, "inventory/kind.html", context)


@requires("catalogue.edit")
def kind_parts(request: HttpRequest, kind_code: str) -> HttpResponseBase:
    """Change which parts go out with a kind, which must come back, and what a new one costs."""
    found = get_object_or_404(InstrumentKind, pk=kind_code)
    rows = kind_forms.rows_for(kind_forms.PartForm, list(lists.list_all_parts(found.pk)), _sent(request))
    return _list(request, found, rows, operations.save_parts, {"title": "Parts", "subtitle": PARTS})


@requires("catalogue.edit")
def kind_services(request: HttpRequest, kind_code: str) -> HttpResponseBase:
    """Change what the bench does to a kind, and how many minutes it usually takes."""
    found = get_object_or_404(InstrumentKind, pk=kind_code)
    rows = kind_forms.rows_for(kind_forms.ServiceForm, list(lists.list_all_services(found.pk)), _sent(request))
    return _list(request, found, rows, operations.save_services, {"title": "Services", "subtitle": SERVICES})


def _list(request: HttpRequest, found: InstrumentKind, rows: Any, save: Any, words: dict[str, Any]) -> HttpResponseBase:
    status = 200
    if request.method == "POST":
        status = 422
        if rows.is_valid():
            changed = [form for form in rows if form.has_changed()]
            last = max((form.cleaned_data.get("order") or 0 for form in rows), default=0)
            try:
                save(kind=found, rows=[form.row(last) for form in changed], acting_user=request.user)
            except operations.KindListChangedError as error:
                status = 409
                for form in changed:
                    if now := error.now.get(form.cleaned_data.get("key")):
                        form.tell_theirs(now)
            except operations.NameOnListError as error:
                changed[error.place].add_error("name", str(error))
            else:
                messages.success(request, f"The {words['title'].lower()} of the {found.name.lower()} are saved.")
                return redirect("kind", kind_code=found.pk)
    context = {**words, "kind": found, "rows": rows}
    return render(request, "inventory/kind_list.html", context, status=status)


def _sent(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None
