"""The arithmetic of an allotment, pure: how many of what a night is likely to ask for, and how many cover it.

A night's demand for one kind and size is counted as gamma-Poisson: what a school's families took before is its own evidence, and
the district's mix counts as so many families more. The predictive distribution is then negative binomial (Johnson, Ott and
Dogucu, Bayes Rules!, chapter 5, has the model; the predictive follows from it). How many to pack is the newsvendor's rule:
the least quantity whose chance of being enough reaches the level (Cachon and Terwiesch, Matching Supply with Demand, chapter 12).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

MOST = 2000
"""No line of an allotment goes beyond it."""


class BadLevelError(ValueError):
    """A level of service is a share between a half and almost all."""


def split_whole(total: int, weights: Sequence[int | Fraction]) -> list[int]:
    """Split a whole number by weights into whole numbers that add up to it: largest remainder (Hamilton), ties by order.

    >>> split_whole(10, [6100, 5000, 900])
    [5, 4, 1]

    Nothing to go by gives zeros.
    """
    whole = sum(Fraction(weight) for weight in weights)
    if whole <= 0:
        return [0] * len(weights)
    quotas = [total * Fraction(weight) / whole for weight in weights]
    parts = [math.floor(quota) for quota in quotas]
    by_rest = sorted(range(len(quotas)), key=lambda place: (parts[place] - quotas[place], place))
    for place in by_rest[: total - sum(parts)]:
        parts[place] += 1
    return parts


def blend(own: int, own_total: int, pooled: int, pooled_total: int, weight: int) -> Fraction:
    """Return the share of one line: the school's own count, and the pool's share counted as `weight` families more.

    >>> blend(3, 14, 12, 80, 20)
    Fraction(3, 17)

    Without a pool it is the school's own share, without any history zero.
    """
    if not pooled_total:
        weight = 0
    total = own_total + weight
    return (own + weight * Fraction(pooled, pooled_total or 1)) / total if total else Fraction(0)


def level_of(short: Decimal, spare: Decimal) -> Decimal:
    """Return the level that follows from what one too few and one too many cost: short / (short + spare), to three places.

    >>> level_of(Decimal(40), Decimal(15))
    Decimal('0.727')

    Raises BadLevelError where that is no level between 0.5 and 0.999.
    """
    if short <= 0 or spare <= 0:
        raise BadLevelError("Both costs must be more than nothing.")
    level = (short / (short + spare)).quantize(Decimal("0.001"), ROUND_HALF_UP)
    return check_level(level)


def check_level(level: Decimal) -> Decimal:
    """Return a level as it came. Raises BadLevelError unless it lies between 0.5 and 0.999."""
    if not Decimal("0.5") <= level <= Decimal("0.999"):
        raise BadLevelError(
            f"That comes to a level of {level:.1%}. A level lies between 50% and 99.9%: below half, packing less than the "
            "average would be right; at 100%, no number is ever enough."
        )
    return level


@dataclass(frozen=True)
class Chance:
    """How likely exactly `count` are asked for, and how likely not more than that."""

    count: int
    exactly: float
    at_most: float


def chances(shape: float, rate: float, exposure: float, level: float) -> list[Chance]:
    """List the chances of 0, 1, 2, … up to the first count that is enough with at least `level`: negative binomial.

    `shape`: families that took it so far (own and the pool's share of the weight); `rate`: families counted; `exposure`: families
    expected. The first chance is (rate / (rate + exposure)) to the power of shape; each next one is the one before times
    (shape + k) / (k + 1) times exposure / (rate + exposure). With many families counted it becomes the Poisson distribution.

    >>> [step.count for step in chances(21, 6, 1, 0.9)][-1]
    6

    Nothing expected, or never taken, gives the one chance of none.
    """
    if shape <= 0 or rate <= 0 or exposure <= 0:
        return [Chance(0, 1.0, 1.0)]
    exactly = math.exp(-shape * math.log1p(exposure / rate))
    found = [Chance(0, exactly, exactly)]
    step = exposure / (rate + exposure)
    while found[-1].at_most < level and found[-1].count < MOST:
        before = found[-1]
        exactly = before.exactly * (shape + before.count) / (before.count + 1) * step
        found.append(Chance(before.count + 1, exactly, before.at_most + exactly))
    return found


@dataclass(frozen=True)
class Counted:
    """What families took of one kind and size: at the school's own programmes, and in the pool it leans on."""

    kind: str
    size: str
    own: int
    pooled: int


@dataclass(frozen=True)
class Proposal:
    """One line as proposed: its counts, share, the number expected on average, and how many cover the level."""

    counted: Counted
    share: Fraction
    expected: Decimal
    whole: int
    quantity: int


@dataclass(frozen=True)
class Basis:
    """What lines that share a number of families go by: these, the pool's weight in families, level, how many were counted."""

    families: int
    weight: int
    level: Decimal
    own_total: int
    pooled_total: int

    @property
    def rate(self) -> int:
        """Families counted: the school's own and the pool's weight."""
        return self.own_total + (self.weight if self.pooled_total else 0)

    def share(self, counted: Counted) -> Fraction:
        """Return the share of a line: the school's own, shrunk toward the pool's."""
        return blend(counted.own, self.own_total, counted.pooled, self.pooled_total, self.weight)

    def shape(self, counted: Counted) -> Fraction:
        """Families that took this one: the school's own and the pool's share of the weight."""
        return self.share(counted) * self.rate

    def steps(self, counted: Counted) -> list[Chance]:
        """List the chances that lead to the quantity of a line."""
        return chances(float(self.shape(counted)), self.rate, self.families, float(self.level))
