"""Cents, rounding and shares. Pure functions of Decimal; no database, no clock."""

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

from django.conf import settings
from djmoney.models.fields import MoneyField
from moneyed import Money

CENT = Decimal("0.01")
ZERO = Decimal("0.00")


def cents(amount: Decimal) -> Decimal:
    """Round an exact amount to the cent, half up (away from zero).

    Agrees with PostgreSQL's `round(numeric, 2)`. Streamlined Sales and Use Tax Agreement, section 324: carry to the
    third decimal and round up when it is greater than 4; so the exact figure is rounded once, never in two steps.

    >>> cents(Decimal("0.625")), cents(Decimal("0.04499")), cents(Decimal("-2.675"))
    (Decimal('0.63'), Decimal('0.04'), Decimal('-2.68'))
    """
    return amount.quantize(CENT, rounding=ROUND_HALF_UP)


def tax_on(net: Decimal, rate: Decimal) -> Decimal:
    """Return the tax on one line, `rate` as a fraction (0.0825 is 8.25 %), half up to the cent.

    >>> tax_on(Decimal("10.00"), Decimal("0.0625"))
    Decimal('0.63')
    """
    return cents(net * rate)


def split_by_weights(total: Decimal, weights: Sequence[int]) -> list[Decimal]:
    """Split `total` into cents in proportion to `weights` by largest remainder; ties go to the earlier share.

    The parts always add up to the whole. Raises ValueError when the weights do not add up to more than zero.

    >>> [str(part) for part in split_by_weights(Decimal("100.00"), [1, 1, 1])]
    ['33.34', '33.33', '33.33']
    """
    whole = sum(weights)
    if whole <= 0 or any(weight < 0 for weight in weights):
        message = "weights must not be negative and must add up to more than zero"
        raise ValueError(message)
    total_cents = int(total / CENT)
    quotas = [Fraction(total_cents * weight, whole) for weight in weights]
    parts = [int(quota // 1) for quota in quotas]
    by_remainder = sorted(range(len(weights)), key=lambda i: (parts[i] - quotas[i], i))
    for i in by_remainder[: total_cents - sum(parts)]:
        parts[i] += 1
    return [part * CENT for part in parts]


def money(amount: Decimal | int | str) -> Money:
    """Return `amount` in the installation's one currency."""
    return Money(amount, settings.CURRENCY)


def price_field(verbose_name: str = "", **options: Any) -> Any:
    """A price that people type, read or sign: twelve digits, two of them cents, in the installation's currency."""
    return MoneyField(verbose_name or None, max_digits=12, decimal_places=2, default_currency=settings.CURRENCY, **options)
