"""Arithmetic of agreements: periods, rental credit, the price to buy. Pure functions of dates and Decimal amounts."""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_CEILING, Decimal
from typing import NamedTuple

from rentals.runtime.money import ZERO, cents, tax_on

REINSTATEMENT_DAYS = 60
"""So many days a family may take up an agreement again that it gave back, and keeps its credit, whatever the plan says.

As the agreement's text promises; where the law of a state gives more time, the shop's lawyer has this changed. The database
knows the number too: function billing_credit_lives_until.
"""


class Period(NamedTuple):
    """One month of an agreement; `until_on` is the first day that no longer belongs to it."""

    number: int
    begins_on: date
    until_on: date


def period_begins_on(anchor: date, n: int) -> date:
    """Return the first day of period `n` (0 is the first): `n` months after the anchor, or that month's last day.

    Counted from the anchor every time and never from the period before, so that a short month does not pull the later ones
    with it. The day equals PostgreSQL's `anchor + n * interval '1 month'`. Raises ValueError for a negative `n`.

    >>> [f"{period_begins_on(date(2026, 1, 31), n):%b %d}" for n in range(4)]
    ['Jan 31', 'Feb 28', 'Mar 31', 'Apr 30']
    >>> period_begins_on(date(2028, 1, 31), 1)
    datetime.date(2028, 2, 29)
    """
    if n < 0:
        message = f"a period is counted from 0, not {n}"
        raise ValueError(message)
    years, month = divmod(anchor.month - 1 + n, 12)
    year, month = anchor.year + years, month + 1
    return date(year, month, min(anchor.day, calendar.monthrange(year, month)[1]))


def period(anchor: date, n: int) -> Period:
    """Return period `n` with its first day and the first day after it.

    >>> period(date(2026, 1, 31), 1)
    Period(number=1, begins_on=datetime.date(2026, 2, 28), until_on=datetime.date(2026, 3, 31))
    """
    return Period(n, period_begins_on(anchor, n), period_begins_on(anchor, n + 1))


def period_of(anchor: date, day: date) -> int:
    """Return the number of the period in which `day` falls. Raises ValueError for a day before the anchor.

    >>> period_of(date(2026, 1, 31), date(2026, 2, 27)), period_of(date(2026, 1, 31), date(2026, 2, 28))
    (0, 1)
    """
    if day < anchor:
        message = f"{day} lies before the agreement began on {anchor}"
        raise ValueError(message)
    n = (day.year - anchor.year) * 12 + day.month - anchor.month
    return n if period_begins_on(anchor, n) <= day else n - 1


def months_between(first: date, last: date) -> int:
    """Return how many whole months lie between two days, 0 when `last` comes first.

    >>> months_between(date(2026, 2, 28), date(2026, 3, 31)), months_between(date(2026, 3, 31), date(2026, 4, 29))
    (1, 0)
    """
    return period_of(first, last) if last >= first else 0


def periods_due(anchor: date, through: date, ended_on: date | None = None) -> range:
    """Return the numbers of the periods that have begun by `through` (inclusive); none that begins on or after `ended_on`.

    The first period is due even when the agreement ended on the day it began.

    >>> list(periods_due(date(2026, 1, 31), date(2026, 3, 31)))
    [0, 1, 2]
    >>> list(periods_due(date(2026, 1, 31), date(2026, 6, 1), ended_on=date(2026, 3, 31)))
    [0, 1]
    """
    if through < anchor:
        return range(0)
    last = period_of(anchor, through)
    if ended_on is not None and ended_on <= through:
        ended_in = period_of(anchor, max(ended_on, anchor))
        last = max(ended_in - 1 if period_begins_on(anchor, ended_in) == ended_on else ended_in, 0)
    return range(last + 1)


def rent_credit(rent_paid: Decimal, share: Decimal, cap: Decimal) -> Decimal:
    """Return how much of the rent paid counts toward a purchase: its share, half up to the cent, between nothing and `cap`.

    Common practice of the trade, no source: tax, protection and fees never count.

    >>> rent_credit(Decimal("275.50"), Decimal("1"), Decimal("1080")), rent_credit(Decimal("2000"), Decimal(".5"), Decimal("900"))
    (Decimal('275.50'), Decimal('900.00'))
    """
    return max(min(cents(rent_paid * share), cents(cap)), ZERO)


def credit_lives_until(ended_on: date, lives_months: int) -> date:
    """Return the last day on which an agreement that was returned or written off can be taken up again with its credit.

    `lives_months` months after it ended, at least REINSTATEMENT_DAYS days. The same day the database works out.

    >>> credit_lives_until(date(2026, 1, 31), 13).isoformat(), credit_lives_until(date(2026, 1, 31), 0).isoformat()
    ('2027-02-28', '2026-04-01')
    """
    return max(period_begins_on(ended_on, lives_months), ended_on + timedelta(days=REINSTATEMENT_DAYS))


SLEEPS = frozenset({"returned", "written_off"})
"""Ends after which credit waits to be taken up again; after any other it has gone on to the next agreement, is used or ended."""


def credit_left(earned: Decimal, end_reason: str, lives_until: date | None, on: date | None) -> Decimal:
    """Return what is left of a credit: all of it while an agreement runs, and after a return until `lives_until` (inclusive).

    `end_reason` is "" while it runs; without a day `on`, a credit that waits is told as it stands. Common practice, no source.

    >>> [str(credit_left(Decimal("80"), reason, date(2026, 9, 1), date(2026, 9, 2))) for reason in ("", "returned", "bought")]
    ['80', '0', '0']
    """
    if not end_reason:
        return earned
    waits = end_reason in SLEEPS and (on is None or lives_until is None or on <= lives_until)
    return earned if waits else Decimal(0)


def credit_short(used: Decimal, earned: Decimal) -> Decimal:
    """Return how much of a credit used for a purchase proved unpaid since: nothing as long as it is still earned.

    >>> credit_short(Decimal("300"), Decimal("275.50")), credit_short(Decimal("300"), Decimal("310"))
    (Decimal('24.50'), Decimal('0'))
    """
    return max(used - earned, Decimal(0))


@dataclass(frozen=True)
class Payoff:
    """What it costs to buy the instrument today, step by step; `total` is what the family pays."""

    purchase_price: Decimal
    credit: Decimal
    discount: Decimal
    net: Decimal
    tax: Decimal
    past_due: Decimal

    @property
    def total(self) -> Decimal:
        """The discounted remainder, its tax and what is past due."""
        return self.net + self.tax + self.past_due


def payoff(
    *, purchase_price: Decimal, credit: Decimal, early_discount: Decimal, tax_rate: Decimal, past_due: Decimal = ZERO
) -> Payoff:
    """Return the price to buy today: price less credit, less the early discount on what remains, plus tax and past due.

    `early_discount` and `tax_rate` are fractions. No step ever falls below nothing, and an amount paid ahead is not set off
    here: it stays on the household's account.

    >>> bought = payoff(purchase_price=Decimal("1080"), credit=Decimal("280"), early_discount=Decimal("0.25"),
    ...                 tax_rate=Decimal("0.0825"), past_due=Decimal("31.50"))
    >>> bought.discount, bought.net, bought.tax, bought.total
    (Decimal('200.00'), Decimal('600.00'), Decimal('49.50'), Decimal('681.00'))
    """
    used = min(max(cents(credit), ZERO), cents(purchase_price))
    remains = cents(purchase_price) - used
    discount = cents(remains * early_discount)
    net = remains - discount
    return Payoff(cents(purchase_price), used, discount, net, tax_on(net, tax_rate), max(cents(past_due), ZERO))


def months_until_owned(
    purchase_price: Decimal, monthly_rent: Decimal, share: Decimal, cap_share: Decimal, rent_paid: Decimal = ZERO
) -> int | None:
    """Return how many more monthly rents make the instrument the family's own; None when rent alone never does.

    `share` is the part of rent that counts, `cap_share` the part of the price that credit may cover at most, `rent_paid` the
    rent before these months (of a bridge, or of an introductory period).

    >>> months_until_owned(Decimal("1080"), Decimal("31"), Decimal("1"), Decimal("1"))
    35
    >>> months_until_owned(Decimal("1080"), Decimal("31"), Decimal("1"), Decimal("1"), rent_paid=Decimal("45"))
    34
    >>> months_until_owned(Decimal("1080"), Decimal("31"), Decimal("1"), Decimal("0.8")) is None
    True
    """
    if purchase_price <= 0 or rent_credit(rent_paid, share, purchase_price) >= purchase_price:
        return 0
    if cap_share < 1 or monthly_rent * share <= 0:
        return None
    missing = purchase_price - rent_paid * share
    least = max(int((missing / (monthly_rent * share)).to_integral_value(ROUND_CEILING)), 1)
    # The credit is rounded to the cent once, over all rent paid: half a cent may already be enough one month earlier.
    while least > 1 and rent_credit(rent_paid + monthly_rent * (least - 1), share, purchase_price) >= purchase_price:
        least -= 1
    return least
