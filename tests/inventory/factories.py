"""The fleet, made for tests: a unit comes with its catalogue item and stands on a shelf unless a test says otherwise."""

import datetime
from decimal import Decimal
from typing import Any

import factory

from rentals.inventory.models import (
    CatalogueItem,
    Custody,
    Hold,
    Instrument,
    InstrumentKind,
    Location,
    MoveBatch,
    Product,
    RepairPart,
    WorkLine,
    WorkOrder,
)
from rentals.staff.operations import take_number
from tests.factories import UserFactory

RECEIVED_AT = datetime.datetime(2025, 6, 2, 15, 0, tzinfo=datetime.UTC)


class LocationFactory(factory.django.DjangoModelFactory):
    """A shop of the office."""

    class Meta:
        model = Location
        django_get_or_create = ("code",)

    code = "main"
    name = "Main Street shop"
    street = "12 Main Street"
    city = "Springfield"
    state = "IL"
    postal_code = "62701"


def kind(code: str) -> InstrumentKind:
    """Return a kind of the reference data."""
    return InstrumentKind.objects.get(code=code)


class CatalogueItemFactory(factory.django.DjangoModelFactory):
    """A model of instrument; `CatalogueItemFactory(kind__code="violin", size="1/2")`."""

    class Meta:
        model = CatalogueItem

    class Params:
        kind_code = "clarinet"

    kind = factory.LazyAttribute(lambda item: kind(item.kind_code))
    maker = "Harrow"
    model = factory.Sequence(lambda number: f"Model {number}")
    purchase_price = Decimal("900.00")
    replacement_value = Decimal("850.00")


class ProductFactory(factory.django.DjangoModelFactory):
    """Something sold with an instrument."""

    class Meta:
        model = Product

    sku = factory.Sequence(lambda number: f"reeds-{number}")
    name = factory.Sequence(lambda number: f"Reeds, box {number}")
    price = Decimal("24.50")


class InstrumentFactory(factory.django.DjangoModelFactory):
    """A unit on the shelf of the main shop; `place="family", place__household=…` puts it elsewhere, `place="nowhere"` nowhere."""

    class Meta:
        model = Instrument
        skip_postgeneration_save = True

    asset_tag = factory.Sequence(lambda number: f"FL-{1000 + number}")
    serial_number = factory.Sequence(lambda number: f"S{number:06d}")
    item = factory.SubFactory(CatalogueItemFactory)
    cost = Decimal("400.00")
    acquired_on = datetime.date(2025, 6, 2)

    @factory.post_generation
    def place(self: Instrument, create: bool, place: str | None = "shelf", **keeper: Any) -> None:
        """Open the unit's custody; `place__location=…`, `place__household=…`, `place__began_at=…` say more."""
        if not create or place == "nowhere":
            return
        place = place or "shelf"
        if place in {"shelf", "bench", "van"}:
            keeper.setdefault("location", LocationFactory())
        keeper.setdefault("moved_by", None)
        keeper["moved_by"] = keeper["moved_by"] or UserFactory(role="technician")
        keeper.setdefault("began_at", RECEIVED_AT)
        keeper.setdefault("reason", "Received")
        Custody.objects.create(instrument=self, place=place, **keeper)


class WorkOrderFactory(factory.django.DjangoModelFactory):
    """An open repair."""

    class Meta:
        model = WorkOrder

    number = factory.LazyFunction(lambda: f"W-{take_number('work_order'):05d}")
    instrument = factory.SubFactory(InstrumentFactory, place="bench")
    kind = "repair"
    problem = "A key sticks"
    paid_by = "shop"
    outcome = factory.LazyAttribute(lambda order: "repaired" if order.state in {"ready", "done"} else "")
    state = "look"
    state_since = factory.SelfAttribute("opened_at")
    opened_at = RECEIVED_AT
    opened_by = factory.SubFactory(UserFactory, role="technician")


class HoldFactory(factory.django.DjangoModelFactory):
    """An instrument put aside until somebody releases it."""

    class Meta:
        model = Hold

    instrument = factory.SubFactory(InstrumentFactory)
    reason = "For the band night"
    began_at = RECEIVED_AT
    made_by = factory.SubFactory(UserFactory, role="manager")


class RepairPartFactory(factory.django.DjangoModelFactory):
    """A part in a drawer of the bench."""

    class Meta:
        model = RepairPart

    sku = factory.Sequence(lambda number: f"pad-{number}")
    name = factory.Sequence(lambda number: f"Pad {number}")
    cost = Decimal("0.85")
    price = Decimal("3.50")
    on_hand = 10


class WorkLineFactory(factory.django.DjangoModelFactory):
    """Half an hour on a work order."""

    class Meta:
        model = WorkLine

    order = factory.SubFactory(WorkOrderFactory)
    kind = "labour"
    what = "Seat one pad"
    minutes = 30
    cost = Decimal("18.00")
    price = Decimal("32.00")
    done_at = RECEIVED_AT
    done_by = factory.SubFactory(UserFactory, role="technician")


class MoveBatchFactory(factory.django.DjangoModelFactory):
    """A round of moves to the shelf of the main shop."""

    class Meta:
        model = MoveBatch

    place = "shelf"
    location = factory.SubFactory(LocationFactory)
    reason = "Back from the band night"
    made_at = RECEIVED_AT
    made_by = factory.SubFactory(UserFactory, role="technician")
