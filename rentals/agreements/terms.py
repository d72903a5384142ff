"""Every write about terms: the rate card, tax areas and rates, plans. What is past stays as it is. Versions are in `plans.py`."""

from dataclasses import dataclass, fields
from datetime import date
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.utils.text import slugify
from moneyed import Money

from rentals.agreements.models import Plan, Rate, TaxArea, TaxAreaPostalCode, TaxRate
from rentals.inventory.models import InstrumentKind
from rentals.runtime import locks
from rentals.runtime.templatetags.office import day
from rentals.staff.models import User
from rentals.staff.policy import require

CAPABILITY = "terms.manage"


class EffectiveInThePastError(Exception):
    """A price or a rate cannot begin before today: what was agreed or taxed before would look different."""

    def __init__(self, today: date) -> None:
        super().__init__(f"It can begin today, {day(today)}, at the earliest.")


class AlreadyThatDayError(Exception):
    """There is a row that begins on the same day."""

    def __init__(self, effective_from: date) -> None:
        super().__init__(f"There is one that begins on {day(effective_from)} already. Choose another day.")


class NameTakenError(Exception):
    """A plan or an area of this name is there already."""

    def __init__(self, name: str) -> None:
        super().__init__(f"“{name}” is there already.")


@dataclass(frozen=True)
class RateLine:
    """A line of the rate card from a day on; no `plan` is every plan, no `intro_rent` the monthly rent for each of its months."""

    kind: InstrumentKind
    tier: str
    monthly_rent: Money
    monthly_protection: Money
    effective_from: date
    plan: Plan | None = None
    condition: str = Rate.Condition.ANY
    intro_rent: Money | None = None


@transaction.atomic
def add_rate(*, line: RateLine, acting_user: User, today: date) -> Rate:
    """Add a line to the rate card from a day on. Outermost. Raises EffectiveInThePastError, AlreadyThatDayError."""
    require(acting_user, CAPABILITY)
    _check_day(line.effective_from, today)
    try:
        with transaction.atomic():
            return Rate.objects.create(**{field.name: getattr(line, field.name) for field in fields(line)})
    except IntegrityError as error:
        raise AlreadyThatDayError(line.effective_from) from error


@transaction.atomic
def add_tax_rate(
    *, area: TaxArea, applies_to: str, rate: Decimal, effective_from: date, acting_user: User, today: date
) -> TaxRate:
    """Add an area's rate (a fraction) from a day on. Outermost. Raises EffectiveInThePastError, AlreadyThatDayError."""
    require(acting_user, CAPABILITY)
    _check_day(effective_from, today)
    try:
        with transaction.atomic():
            return TaxRate.objects.create(area=area, applies_to=applies_to, rate=rate, effective_from=effective_from)
    except IntegrityError as error:
        raise AlreadyThatDayError(effective_from) from error


@transaction.atomic
def add_tax_area(*, name: str, acting_user: User) -> TaxArea:
    """Add a tax area. Outermost. Raises NameTakenError."""
    require(acting_user, CAPABILITY)
    code = slugify(name)[:20]
    if not code or TaxArea.objects.filter(code=code).exists():
        raise NameTakenError(name)
    return TaxArea.objects.create(code=code, name=name)


@transaction.atomic
def put_postal_code(*, postal_code: str, area: TaxArea, acting_user: User) -> TaxAreaPostalCode:
    """Say in which area a ZIP code (its first five digits) lies from now on; agreements signed before keep theirs. Outermost."""
    require(acting_user, CAPABILITY)
    return TaxAreaPostalCode.objects.update_or_create(postal_code=postal_code[:5], defaults={"area": area})[0]


@transaction.atomic
def add_plan(*, name: str, acting_user: User) -> Plan:
    """Add a plan; it is offered once a version of it is published. Outermost. Raises NameTakenError."""
    require(acting_user, CAPABILITY)
    code = slugify(name)[:20]
    if not code or Plan.objects.filter(code=code).exists():
        raise NameTakenError(name)
    return Plan.objects.create(code=code, name=name)


@transaction.atomic
def offer_plan(*, plan: Plan, is_offered: bool, acting_user: User) -> Plan:
    """Offer a plan to new families, or no longer. Outermost."""
    require(acting_user, CAPABILITY)
    locked: Plan = locks.lock_one(Plan.objects.filter(pk=plan.pk))
    locked.is_offered = is_offered
    locked.save(update_fields=["is_offered"])
    return locked


def _check_day(effective_from: date, today: date) -> None:
    if effective_from < today:
        raise EffectiveInThePastError(today)
