"""How the bench works: its hourly rates by date, the parts it keeps, warranty and estimates. Each function is one transaction."""

import datetime
from decimal import Decimal
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import F

from rentals.inventory.models import BenchRate, BenchSetting, RepairPart
from rentals.inventory.operations.work_errors import BenchSettingChangedError, PartTakenError, RateInThePastError
from rentals.runtime import locks
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


@transaction.atomic
def change_settings(
    *, version: int, warranty_days: int, estimate_above: Decimal, estimate_days: int, tax_labour: bool, acting_user: User
) -> BenchSetting:
    """Change how long the shop answers for its work, and from which sum a family is asked. Raises BenchSettingChangedError."""
    BenchSetting.objects.get_or_create(pk=1)
    current: BenchSetting = locks.lock_one(BenchSetting.objects.filter(pk=1))
    if current.version != version:
        raise BenchSettingChangedError
    facts = {
        "warranty_days": warranty_days,
        "estimate_above": estimate_above,
        "estimate_days": estimate_days,
        "tax_labour": tax_labour,
        "version": version + 1,
    }
    for name, value in facts.items():
        setattr(current, name, value)
    current.save(update_fields=[*facts])
    return current


@transaction.atomic
def set_rate(
    *,
    from_on: datetime.date,
    cost_per_hour: Decimal,
    price_per_hour: Decimal,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> BenchRate:
    """Set the hourly rates from a day on, today or later; the same day said again replaces what was said.

    What is written on orders keeps its cost. Raises RateInThePastError.
    """
    if from_on < today:
        raise RateInThePastError(today)
    rate, __ = BenchRate.objects.update_or_create(
        from_on=from_on,
        defaults={"cost_per_hour": cost_per_hour, "price_per_hour": price_per_hour, "set_at": now, "set_by": acting_user},
    )
    return rate


@transaction.atomic
def add_part(*, sku: str, name: str, cost: Decimal, price: Decimal, on_hand: int, acting_user: User) -> RepairPart:
    """Add a part that the bench keeps. Raises PartTakenError."""
    try:
        with transaction.atomic():
            return RepairPart.objects.create(sku=sku, name=name, cost=cost, price=price, on_hand=on_hand)
    except IntegrityError as error:
        raise PartTakenError(sku) from error


@transaction.atomic
def change_part(
    *,
    part: RepairPart,
    version: int,
    name: str,
    cost: Decimal,
    price: Decimal,
    on_hand: int,
    is_active: bool,
    acting_user: User,
) -> RepairPart:
    """Change a part, or how many were counted of it. Raises BenchSettingChangedError when some were used or added meanwhile."""
    current: RepairPart = locks.lock_one(RepairPart.objects.filter(pk=part.pk))
    if current.version != version:
        raise BenchSettingChangedError
    facts = {"name": name, "cost": cost, "price": price, "on_hand": on_hand, "is_active": is_active, "version": version + 1}
    for field, value in facts.items():
        setattr(current, field, value)
    current.save(update_fields=[*facts])
    return current


@transaction.atomic
def receive_parts(*, part: RepairPart, quantity: int, request_key: UUID, acting_user: User) -> RepairPart:
    """Put pieces that arrived to those on hand; the same request sent again adds nothing. Raises RequestKeyReusedError."""
    request = {"part": part.pk, "quantity": quantity}
    if claim_request(key=request_key, purpose="receive_parts", request=request, acting_user=acting_user) is not None:
        part.refresh_from_db()
        return part
    RepairPart.objects.filter(pk=part.pk).update(on_hand=F("on_hand") + quantity, version=F("version") + 1)
    part.refresh_from_db()
    keep_answer(key=request_key, answer={"on_hand": part.on_hand})
    return part
