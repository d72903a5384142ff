"""Pure rules of what an instrument earns: whose rent a period's is, how much it is used, and when it has paid for itself."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from rentals.runtime.money import ZERO, cents

DAYS_A_MONTH = Decimal("30.436875")
"""Days of a month on the average of the Gregorian calendar: 365.2425 / 12."""


@dataclass(frozen=True)
class Stay:
    """The rented instrument of an agreement from a day on, until another (exclusive; None while it lasts)."""

    instrument: int
    began_on: datetime.date
    ended_on: datetime.date | None


def days_within(stay: Stay, begins_on: datetime.date, ends_on: datetime.date) -> int:
    """Return how many days of a period a stay takes up."""
    last = ends_on if stay.ended_on is None else min(stay.ended_on, ends_on)
    return max(0, (last - max(stay.began_on, begins_on)).days)


def share_rent(amount: Decimal, begins_on: datetime.date, ends_on: datetime.date, stays: Sequence[Stay]) -> dict[int, Decimal]:
    """Share a period's amount among the instruments by the days each was on the agreement, or on the one that followed it.

    One instrument takes all of it, also for days before it came or after it went. Several take their days' share of all their
    days, rounded half up so that the running sums are right: the shares add up to the amount to the cent. The day of an exchange
    counts for the new one. Where none was there in the period, the one whose time began nearest to it takes all of it.
    A loaner never has a share: the rent is the rented instrument's. Common practice, no source.

    >>> days = [datetime.date(2026, 3, day) for day in (1, 11)]
    >>> after = datetime.date(2026, 4, 1)
    >>> share_rent(Decimal("31.00"), days[0], after, [Stay(1, days[0], days[1]), Stay(2, days[1], None)])
    {1: Decimal('10.00'), 2: Decimal('21.00')}
    """
    if not stays:
        return {}
    ordered = sorted(stays, key=lambda stay: stay.began_on)
    days = [days_within(stay, begins_on, ends_on) for stay in ordered]
    if len(ordered) == 1 or not sum(days):
        nearest = min(ordered, key=lambda stay: (stay.began_on >= ends_on, abs((stay.began_on - begins_on).days)))
        return {nearest.instrument: amount}
    shares: dict[int, Decimal] = {}
    gone = 0
    for stay, taken in zip(ordered, days, strict=True):
        share = cents(amount * (gone + taken) / sum(days)) - cents(amount * gone / sum(days))
        gone += taken
        if taken:
            shares[stay.instrument] = shares.get(stay.instrument, ZERO) + share
    return shares


@dataclass(frozen=True)
class Use:
    """How long instruments were out with families, ready for one, and at the bench; in days, parts of days counted."""

    out: float = 0.0
    ready: float = 0.0
    bench: float = 0.0

    @property
    def fit(self) -> float:
        """Days on which it was out, or could have been."""
        return self.out + self.ready

    @property
    def owned(self) -> float:
        """Days it was the shop's and somewhere."""
        return self.fit + self.bench

    @property
    def share(self) -> float | None:
        """Utilisation: days out of the days it was fit to be rented; None when there were none.

        An instrument at the bench is not fit, one that is lost, sold or retired is not there, one on the shelf or packed for a
        school is ready. The definition is ours.
        """
        return self.out / self.fit if self.fit > 0 else None

    @property
    def months_out(self) -> float:
        """Months with families."""
        return self.out / float(DAYS_A_MONTH)

    @property
    def months_owned(self) -> float:
        """Months it was the shop's."""
        return self.owned / float(DAYS_A_MONTH)

    def __add__(self, other: "Use") -> "Use":
        return Use(self.out + other.out, self.ready + other.ready, self.bench + other.bench)


def months_to_pay(cost: Decimal, earned: Decimal, months_owned: float) -> Decimal | None:
    """Return how many months of rent at the pace of some time pay a cost: cost over what was earned a month, to one place.

    None where nothing was earned, or nothing was paid for it.

    >>> months_to_pay(Decimal("600.00"), Decimal("240.00"), 12)
    Decimal('30.0')
    """
    if cost <= 0 or earned <= 0 or months_owned <= 0:
        return None
    return (cost * Decimal(months_owned) / earned).quantize(Decimal("0.1"))


@dataclass(frozen=True)
class Payback:
    """How far rent has paid for an instrument: of its cost so much, the month in which it was reached, else when at this pace."""

    cost: Decimal
    earned: Decimal
    reached: datetime.date | None
    months_left: Decimal | None

    @property
    def share(self) -> Decimal | None:
        """The part of the cost that is earned; None without a cost."""
        return self.earned / self.cost if self.cost > 0 else None


def pay_back(cost: Decimal, by_month: Iterable[tuple[datetime.date, Decimal]], *, last_year: Decimal) -> Payback:
    """Tell when the rent of an instrument reached its cost.

    by_month: (first day, earned in the month) in order. last_year: what it earned in the last twelve months, for the pace.
    Where a later month took rent back below the cost, it is reached when it stood above for good.

    >>> months = [(datetime.date(2026, month, 1), Decimal(20)) for month in (1, 2, 3)]
    >>> pay_back(Decimal(40), months, last_year=Decimal(60)).reached
    datetime.date(2026, 2, 1)
    """
    so_far, reached = ZERO, None
    for month, amount in by_month:
        so_far += amount
        reached = (reached or month) if so_far >= cost > 0 else None
    left = cost - so_far
    months_left = (left / (last_year / 12)).quantize(Decimal("0.1")) if reached is None and left > 0 and last_year > 0 else None
    return Payback(cost, so_far, reached, months_left)
