"""Terms and agreements for tests: an area with rates, a rate card, a published plan, an agreement as if it had been signed."""

import datetime
from decimal import Decimal
from typing import Any

import factory
from django.db import transaction

from rentals.agreements import life
from rentals.agreements.models import (
    Agreement,
    AgreementUnit,
    Plan,
    PlanVersion,
    Rate,
    TaxArea,
    TaxAreaPostalCode,
    TaxRate,
    UnitPromise,
)
from rentals.agreements.periods import first_segments
from rentals.staff.models import Office
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory

LONG_AGO = datetime.date(2020, 1, 1)
SIGNED_AT = datetime.datetime(2026, 1, 31, 17, 0, tzinfo=datetime.UTC)
POSTAL_CODE = "62704"


class OfficeFactory(factory.django.DjangoModelFactory):
    """The shop; there is one."""

    class Meta:
        model = Office
        django_get_or_create = ("id",)

    id = 1
    name = "Sample Music House"
    street = "12 Main Street"
    city = "Springdale"
    state = "IL"
    postal_code = POSTAL_CODE
    phone = "+13125550100"
    email = "rentals@example.com"


class TaxAreaFactory(factory.django.DjangoModelFactory):
    """A tax area with its rates (`rates={"rent": "0.0825"}`) and postal codes (`postal_codes=["62704"]`)."""

    class Meta:
        model = TaxArea
        django_get_or_create = ("code",)
        skip_postgeneration_save = True

    code = "springdale"
    name = "Springdale"

    @factory.post_generation
    def rates(self: TaxArea, create: bool, rates: dict[str, str] | None, **_: Any) -> None:
        """8.25 % on everything unless told."""
        told = rates if rates is not None else dict.fromkeys(TaxRate.AppliesTo.values, "0.0825")
        for sort, rate in told.items():
            TaxRate.objects.get_or_create(area=self, applies_to=sort, effective_from=LONG_AGO, defaults={"rate": Decimal(rate)})

    @factory.post_generation
    def postal_codes(self: TaxArea, create: bool, codes: list[str] | None, **_: Any) -> None:
        """The shop's own unless told."""
        for code in [POSTAL_CODE] if codes is None else codes:
            TaxAreaPostalCode.objects.get_or_create(postal_code=code, defaults={"area": self})


class PlanFactory(factory.django.DjangoModelFactory):
    """A plan."""

    class Meta:
        model = Plan
        django_get_or_create = ("code",)

    code = "school-year"
    name = "Rent to own"


class PlanVersionFactory(factory.django.DjangoModelFactory):
    """A published version: all rent counts, a quarter off for buying early, no late fee."""

    class Meta:
        model = PlanVersion
        django_get_or_create = ("plan", "number")

    plan = factory.SubFactory(PlanFactory)
    number = 1
    title = "Rent to own"
    terms = "You rent the instrument month by month.\n\nAll rent you pay counts toward buying it."
    early_purchase_discount = Decimal("0.25")
    protection_covers = "Repairs of damage in normal playing; not loss, not theft."
    published_at = datetime.datetime(2025, 6, 1, 12, 0, tzinfo=datetime.UTC)


class RateFactory(factory.django.DjangoModelFactory):
    """A line of the rate card; give it a `kind`."""

    class Meta:
        model = Rate
        django_get_or_create = ("kind", "tier", "effective_from")

    tier = "beginner"
    monthly_rent = Decimal("30.00")
    monthly_protection = Decimal("5.00")
    effective_from = LONG_AGO


def write_terms(agreement: Agreement, segments: Any = None) -> None:
    """Put terms in force: these segments, or plain months at the prices that were signed."""
    plain = first_segments(
        starts_on=agreement.starts_on, rent=_decimal(agreement.monthly_rent), protection=_decimal(agreement.monthly_protection)
    )
    life.write_terms(agreement=agreement, segments=segments or plain, acting_user=agreement.signed_by, now=agreement.signed_at)


def create_with_terms(fields: dict[str, Any], segments: Any = None) -> Agreement:
    """Write an agreement and what it bills, `terms=` or plain months, at one moment: the database wants both."""
    with transaction.atomic():
        agreement = Agreement.objects.create(**fields)
        write_terms(agreement, segments)
    return agreement


def _decimal(price: Any) -> Decimal:
    return Decimal(getattr(price, "amount", price))


class AgreementFactory(factory.django.DjangoModelFactory):
    """An agreement as if it had been signed; no unit (`unit=True` gives it one from the family's hands), no charge, no document.

    All people on it are of one household. `protection=False` leaves protection out.
    """

    class Meta:
        model = Agreement
        skip_postgeneration_save = True

    class Params:
        protection = True

    number = factory.Sequence(lambda n: f"A-9{n:05d}")
    household = factory.SubFactory(HouseholdFactory)
    guardian = factory.LazyAttribute(lambda made: made.household.guardians.get(is_primary=True))
    student = factory.LazyAttribute(lambda made: StudentFactory(household=made.household))
    programme = None
    item = factory.SubFactory(CatalogueItemFactory)
    plan_version = factory.SubFactory(PlanVersionFactory)
    signed_at = SIGNED_AT
    starts_on = datetime.date(2026, 1, 31)
    monthly_rent = Decimal("30.00")
    monthly_protection = factory.LazyAttribute(lambda made: Decimal("5.00") if made.protection else Decimal("0.00"))
    purchase_price = factory.LazyAttribute(lambda made: made.item.purchase_price)
    replacement_value = factory.LazyAttribute(lambda made: made.item.replacement_value)
    received_at = Agreement.ReceivedAt.COUNTER
    tax_area = factory.SubFactory(TaxAreaFactory)
    signed_by = factory.SubFactory(UserFactory)

    @classmethod
    def _create(cls, model_class: type[Agreement], *args: Any, terms: Any = None, **kwargs: Any) -> Agreement:
        return create_with_terms(kwargs, terms)

    @factory.post_generation
    def unit(self: Agreement, create: bool, unit: bool | None, **_: Any) -> None:
        """Put an instrument on the agreement and with the family."""
        if unit:
            instrument = InstrumentFactory(item=self.item, place="family", place__household=self.household)
            AgreementUnit.objects.create(agreement=self, instrument=instrument, began_at=self.signed_at)


class UnitPromiseFactory(factory.django.DjangoModelFactory):
    """An agreement that was signed without an instrument and waits for one."""

    class Meta:
        model = UnitPromise

    agreement = factory.SubFactory(AgreementFactory)
    item = factory.SelfAttribute("agreement.item")
    why = "Somebody else was faster"
    made_at = SIGNED_AT
