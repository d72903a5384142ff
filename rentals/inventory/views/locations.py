"""The shops of the office, where instruments stand."""

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory import operations
from rentals.inventory.forms import LocationForm
from rentals.inventory.models import Location
from rentals.staff.policy import may, requires

FACTS = ["name", "street", "city", "state", "postal_code", "is_active"]


@requires("instruments.view")
def locations(request: HttpRequest) -> HttpResponseBase:
    """List the shops and how many instruments stand in each."""
    shops = Location.objects.annotate(units=Count("custodies", filter=Q(custodies__ended_at=None))).order_by("name")
    actions = [{"label": "Add a shop", "url": reverse("location_add"), "main": True}]
    shown = actions if may(request.user, "catalogue.edit") else []
    return render(request, "inventory/locations.html", {"shops": shops, "actions": shown})


@requires("catalogue.edit")
def location_add(request: HttpRequest) -> HttpResponseBase:
    """Add a shop."""
    form = LocationForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            added = operations.add_location(facts=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        except operations.LocationTakenError as error:
            form.add_error("name", str(error))
        else:
            messages.success(request, f"{added} is on the list.")
            return redirect("locations")
    return render(request, "inventory/location_form.html", {"form": form, "shop": None}, status=422 if form.errors else 200)


@requires("catalogue.edit")
def location_change(request: HttpRequest, code: str) -> HttpResponseBase:
    """Change a shop."""
    shop = get_object_or_404(Location, pk=code)
    form = LocationForm(request.POST or None, initial={name: getattr(shop, name) for name in FACTS})
    if request.method == "POST" and form.is_valid():
        operations.change_location(location=shop, facts=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        messages.success(request, f"{form.cleaned_data['name']} is changed.")
        return redirect("locations")
    return render(request, "inventory/location_form.html", {"form": form, "shop": shop}, status=422 if form.errors else 200)
