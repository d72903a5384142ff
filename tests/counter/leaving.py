"""What the tests of leaving share: a family with a clarinet and months of rent, and how an act is sent."""

import datetime
import uuid
from decimal import Decimal
from typing import Any

from billing import charges, payments
from rentals.agreements import life
from rentals.agreements.models import Agreement
from rentals.counter.life import ends
from tests.agreements.factories import AgreementFactory, OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.factories import SpecialistFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, kind

TODAY = datetime.date(2026, 3, 10)
NOW = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)


def shop(**plan: Any) -> Any:
    """An office with a tax area, prices, and a plan with these terms; returns the plan's version."""
    OfficeFactory()
    TaxAreaFactory()
    for code in ("clarinet", "flute", "violin"):
        RateFactory(kind=kind(code))
    return PlanVersionFactory(number=7, **{"early_purchase_discount": 0, "step_up_share": Decimal("0.6"), **plan})


def rental(*, months: int = 0, **fields: Any) -> Agreement:
    """A clarinet with a family since January 31 at 30.00 and 5.00 for protection (taxed 8.25 %), `months` billed and paid."""
    agreement = AgreementFactory(unit=True, **fields)
    clerk = SpecialistFactory()
    for n in range(months):
        charges.charge_period(agreement=agreement, period=n, acting_user=clerk, now=NOW)
    if months:
        pay(agreement, Decimal("37.89") * months)
    return agreement


def pay(agreement: Agreement, amount: Any) -> Any:
    """A check from the family."""
    return payments.record_payment(
        household=agreement.household,
        method="cheque",
        cheque_number="1",
        amount=Decimal(amount),
        received_on=TODAY,
        acting_user=SpecialistFactory(),
        now=NOW,
    )


def sent(agreement: Agreement) -> life.Sent:
    """A form opened just now."""
    return life.Sent(uuid.uuid4(), life.last_seen(agreement))


def who(**changes: Any) -> dict[str, Any]:
    """A specialist, today."""
    return {"acting_user": SpecialistFactory(), "now": NOW, "today": TODAY, **changes}


def condition(**changes: Any) -> ends.Condition:
    """It came back in good order."""
    return ends.Condition(**{"grade": "good", "location": LocationFactory(), **changes})


def unit_of(agreement: Agreement) -> Any:
    """The rented instrument, out or back."""
    return agreement.units.get(role="rented").instrument


def with_loaner(agreement: Agreement) -> Any:
    """Lend a loaner from the shelf while the rented one is in the shop."""
    from rentals.agreements import operations

    loaner = InstrumentFactory(item=agreement.item)
    operations.assign_loaner(agreement=agreement, instrument=loaner, acting_user=SpecialistFactory(), now=NOW)
    return loaner
