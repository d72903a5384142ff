"""The catalogue of models with their prices, and the products sold with them."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory import operations
from rentals.inventory.filters import CatalogueFilter
from rentals.inventory.forms import CatalogueItemForm, ProductForm, show_version
from rentals.inventory.models import CatalogueItem, Product
from rentals.inventory.queries.catalogue import count_units, group_catalogue
from rentals.staff.policy import may, requires


@requires("instruments.view")
def catalogue(request: HttpRequest) -> HttpResponseBase:
    """List the models the programme rents, with prices and how many of each there are."""
    narrowed = CatalogueFilter.read(request.GET)
    families = group_catalogue(narrowed.apply(), count_units())
    actions = [{"label": "Tag series", "url": reverse("tag_series")}]
    if may(request.user, "catalogue.edit"):
        actions.append({"label": "Add a model", "url": reverse("catalogue_add"), "main": True})  # type: ignore[dict-item]
    context = {"families": families, "narrowed": narrowed, "boxes": narrowed.choices(), "actions": actions}
    return render(request, "inventory/catalogue.html", context)


@requires("catalogue.edit")
def catalogue_add(request: HttpRequest) -> HttpResponseBase:
    """Add a model to the catalogue."""
    return _item(request, None)


@requires("catalogue.edit")
def catalogue_change(request: HttpRequest, item_id: int) -> HttpResponseBase:
    """Change a model of the catalogue."""
    return _item(request, get_object_or_404(CatalogueItem, pk=item_id))


def _item(request: HttpRequest, item: CatalogueItem | None) -> HttpResponseBase:
    names = ["maker", "model", "size", "tier", "purchase_price", "used_price", "replacement_value", "is_active", "version"]
    initial = {**{name: getattr(item, name) for name in names}, "kind": item.kind_id} if item else {}
    form = CatalogueItemForm(request.POST or None, initial=initial)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = dict(form.cleaned_data)
            version = data.pop("version") or 0
            used = data.pop("used_price")
            prices = {name: data.pop(name).amount for name in ("purchase_price", "replacement_value")}
            prices["used_price"] = None if used is None else used.amount
            facts = operations.ItemFacts(**data, **prices)
            try:
                saved = _save_item(item, version, facts, request.user)
            except operations.CatalogueItemTakenError as error:
                form.add_error("model", str(error))
            except operations.CatalogueChangedError as error:
                form.add_error(None, str(error))
                status = 409
                _take_version(form, item)
            else:
                messages.success(request, f"{saved} is in the catalogue.")
                return redirect("catalogue")
    return render(request, "inventory/catalogue_form.html", {"form": form, "item": item}, status=status)


def _save_item(item: CatalogueItem | None, version: int, facts: operations.ItemFacts, user: Any) -> CatalogueItem:
    if item is None:
        return operations.add_catalogue_item(facts=facts, acting_user=user)
    return operations.change_catalogue_item(item=item, version=version, facts=facts, acting_user=user)


def _take_version(form: CatalogueItemForm | ProductForm, row: CatalogueItem | Product | None) -> None:
    """Let the next save of the same form win, now that the person has been told."""
    if row is not None:
        row.refresh_from_db(fields=["version"])
        show_version(form, row.version)


@requires("instruments.view")
def products(request: HttpRequest) -> HttpResponseBase:
    """List what is sold with an instrument."""
    actions = [{"label": "Add a product", "url": reverse("product_add"), "main": True}]
    shown = actions if may(request.user, "catalogue.edit") else []
    return render(request, "inventory/products.html", {"products": Product.objects.all(), "actions": shown})


@requires("catalogue.edit")
def product_add(request: HttpRequest) -> HttpResponseBase:
    """Add something to sell."""
    form = ProductForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            operations.add_product(
                sku=data["sku"],
                name=data["name"],
                price=data["price"].amount,
                is_active=data["is_active"],
                acting_user=request.user,  # type: ignore[arg-type]
            )
        except operations.ProductCodeTakenError as error:
            form.add_error("sku", str(error))
        else:
            messages.success(request, f"{data['name']} is on the list.")
            return redirect("products")
    return render(request, "inventory/product_form.html", {"form": form, "product": None}, status=422 if form.errors else 200)


@requires("catalogue.edit")
def product_change(request: HttpRequest, sku: str) -> HttpResponseBase:
    """Change a product's name, price, or whether it is sold."""
    product = get_object_or_404(Product, pk=sku)
    initial = {name: getattr(product, name) for name in ("name", "price", "is_active", "version")}
    form = ProductForm(request.POST or None, is_new=False, initial=initial)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = {**form.cleaned_data, "price": form.cleaned_data["price"].amount}
            data["version"] = data["version"] or 0
            try:
                operations.change_product(product=product, acting_user=request.user, **data)  # type: ignore[arg-type]
            except operations.CatalogueChangedError as error:
                form.add_error(None, str(error))
                status = 409
                _take_version(form, product)
            else:
                messages.success(request, f"{data['name']} is changed.")
                return redirect("products")
    return render(request, "inventory/product_form.html", {"form": form, "product": product}, status=status)
