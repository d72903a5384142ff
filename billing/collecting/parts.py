"""How a debt is parted into installments, and whether they were kept. Pure; amounts in the office's currency, to the cent."""

import calendar
import datetime
from collections.abc import Sequence
from decimal import Decimal
from enum import StrEnum

MOST_PARTS = 24


class Every(StrEnum):
    """How far apart the installments of a plan are."""

    WEEK = "week"
    TWO_WEEKS = "two_weeks"
    MONTH = "month"


def split_evenly(amount: Decimal, count: int) -> list[Decimal]:
    """Part an amount into `count` parts that add up to it: equal whole cents, and the last takes the cents left over.

    Common practice, no source. The amount must have at least as many cents as there are parts.

    >>> [str(part) for part in split_evenly(Decimal("100.00"), 3)]
    ['33.33', '33.33', '33.34']
    """
    each = Decimal(int(amount * 100) // count) / 100
    return [*[each] * (count - 1), amount - each * (count - 1)]


def list_days(first_on: datetime.date, count: int, every: str) -> list[datetime.date]:
    """Return the days of `count` installments; by month on the same day of the month, or its last one.

    >>> [day.isoformat() for day in list_days(datetime.date(2027, 1, 31), 3, "month")]
    ['2027-01-31', '2027-02-28', '2027-03-31']
    """
    if every == Every.MONTH:
        return [_months_later(first_on, n) for n in range(count)]
    return [first_on + datetime.timedelta(days=n * (7 if every == Every.WEEK else 14)) for n in range(count)]


def _months_later(day: datetime.date, months: int) -> datetime.date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return datetime.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


class Word(StrEnum):
    """How one installment stands."""

    PAID = "paid"
    WAITING = "waiting"
    MISSED = "missed"


def judge(*, due: Decimal, gone: Decimal, counts_until: datetime.date, today: datetime.date) -> Word:
    """Say how an installment stands: `due` is it and all before it, `gone` what of the debt went away by `counts_until`."""
    if gone >= due:
        return Word.PAID
    return Word.MISSED if today > counts_until else Word.WAITING


def ending_of(words: Sequence[Word], *, last_on: datetime.date, is_plan: bool, today: datetime.date) -> str:
    """Say how an arrangement ended by today: "kept", "broken", or "" while it runs.

    A plan ends when its last installment is paid; a promise runs to the end of its day, so that the rest is not asked for before.
    """
    if Word.MISSED in words:
        return "broken"
    is_paid = all(word == Word.PAID for word in words)
    return "kept" if is_paid and (is_plan or today > last_on) else ""
