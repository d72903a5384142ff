"""A school whose students rent instruments that are due for cleaning, for tests."""

import datetime
from typing import Any

from rentals.agreements.models import Agreement
from rentals.inventory.models import Custody, Instrument
from schools.models import Programme
from tests.agreements.factories import AgreementFactory
from tests.families.factories import HouseholdFactory, StudentFactory

RENTED_ON = datetime.date(2025, 9, 10)
DUE_ON = datetime.date(2026, 9, 10)


def rent(programme: Programme | None, *, tag: str = "", starts_on: datetime.date = RENTED_ON, **more: Any) -> Agreement:
    """Let a student of the programme rent an instrument, never cleaned, from a day on."""
    household = HouseholdFactory()
    student = StudentFactory(household=household, programme=programme)
    agreement = AgreementFactory(
        household=household, student=student, programme=programme, starts_on=starts_on, unit=True, **more
    )
    unit = instrument_of(agreement)
    began_at = datetime.datetime.combine(starts_on, datetime.time(17), datetime.UTC)
    Custody.objects.filter(instrument=unit).update(began_at=began_at)
    if tag:
        Instrument.objects.filter(pk=unit.pk).update(asset_tag=tag)
    return agreement


def instrument_of(agreement: Agreement) -> Instrument:
    """Return what is rented on an agreement."""
    return agreement.units.get(role="rented").instrument
