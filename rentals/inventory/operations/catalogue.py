"""The catalogue and the products: what the shop rents and sells, at which price. Each function is one transaction."""

from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from rentals.inventory.models import CatalogueItem, InstrumentKind, Location, Product
from rentals.inventory.operations.errors import (
    CatalogueChangedError,
    CatalogueItemTakenError,
    LocationTakenError,
    ProductCodeTakenError,
)
from rentals.runtime import locks
from rentals.staff.models import User


@dataclass(frozen=True)
class ItemFacts:
    """What the catalogue says about one model in one size. Prices are in the office's currency."""

    kind: InstrumentKind
    maker: str
    model: str
    size: str
    tier: str
    purchase_price: Decimal
    replacement_value: Decimal
    is_active: bool = True
    used_price: Decimal | None = None


@transaction.atomic
def add_catalogue_item(*, facts: ItemFacts, acting_user: User) -> CatalogueItem:
    """Add a model to the catalogue. Raises CatalogueItemTakenError."""
    try:
        with transaction.atomic():
            return CatalogueItem.objects.create(**_columns(facts))
    except IntegrityError as error:
        raise CatalogueItemTakenError(facts.maker, facts.model, facts.size) from error


@transaction.atomic
def change_catalogue_item(*, item: CatalogueItem, version: int, facts: ItemFacts, acting_user: User) -> CatalogueItem:
    """Change a model of the catalogue; agreements keep the prices they were signed with.

    Raises CatalogueChangedError, CatalogueItemTakenError.
    """
    current: CatalogueItem = locks.lock_one(CatalogueItem.objects.filter(pk=item.pk))
    if current.version != version:
        raise CatalogueChangedError
    try:
        with transaction.atomic():
            _write(current, _columns(facts))
    except IntegrityError as error:
        raise CatalogueItemTakenError(facts.maker, facts.model, facts.size) from error
    return current


@transaction.atomic
def add_product(*, sku: str, name: str, price: Decimal, is_active: bool, acting_user: User) -> Product:
    """Add something to sell. Raises ProductCodeTakenError."""
    try:
        with transaction.atomic():
            return Product.objects.create(sku=sku, name=name, price=price, is_active=is_active)
    except IntegrityError as error:
        raise ProductCodeTakenError(sku) from error


@transaction.atomic
def change_product(*, product: Product, version: int, name: str, price: Decimal, is_active: bool, acting_user: User) -> Product:
    """Change a product; its code stays. Raises CatalogueChangedError."""
    current: Product = locks.lock_one(Product.objects.filter(pk=product.pk))
    if current.version != version:
        raise CatalogueChangedError
    _write(current, {"name": name, "price": price, "is_active": is_active})
    return current


@transaction.atomic
def add_location(*, facts: dict[str, Any], acting_user: User) -> Location:
    """Add a shop; its code is made from its name and stays. `facts`: name, street, city, state, postal_code, is_active.

    Raises LocationTakenError.
    """
    code = slugify(facts["name"])[:20].strip("-") or "shop"
    try:
        with transaction.atomic():
            return Location.objects.create(code=code, **facts)
    except IntegrityError as error:
        raise LocationTakenError(facts["name"]) from error


@transaction.atomic
def change_location(*, location: Location, facts: dict[str, Any], acting_user: User) -> Location:
    """Change a shop's name and address, or whether it is in use; what stands there stays there."""
    current: Location = locks.lock_one(Location.objects.filter(pk=location.pk))
    for name, value in facts.items():
        setattr(current, name, value)
    current.save(update_fields=[*facts])
    return current


def _columns(facts: ItemFacts) -> dict[str, Any]:
    return {field.name: getattr(facts, field.name) for field in fields(facts)}


def _write(row: CatalogueItem | Product, columns: dict[str, Any]) -> None:
    columns = {**columns, "version": row.version + 1}
    for name, value in columns.items():
        setattr(row, name, value)
    row.save(update_fields=[*columns])
