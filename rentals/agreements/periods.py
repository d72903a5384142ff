"""Which days each period of an agreement covers and what it costs, from its terms. Pure functions of dates and Decimal amounts.

An agreement's terms are segments, in order. A period of the last segment ends a whole number of months after it began; where the
next segment begins earlier, the period before it is a bridge and costs its share by actual days. So periods tile the calendar.
"""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from rentals.agreements.rules import period_begins_on
from rentals.runtime.money import ZERO, cents


class Segment(NamedTuple):
    """What holds from period `first_period` on: its days are counted from `anchor_on`, `offset` months after which it begins.

    `months` is the length of one period; `rent` and `protection` are for one whole period, before tax.
    """

    first_period: int
    begins_on: date
    anchor_on: date
    offset: int
    months: int
    rent: Decimal
    protection: Decimal
    reason: str = "signed"

    @property
    def is_introductory(self) -> bool:
        """Whether it is the introductory period: one price, as it was signed, for all of its days."""
        return self.reason == "intro" or self.months > 1

    def day_of(self, n: int) -> date:
        """Return the day period `n` of this segment begins, or would begin were there no other after it."""
        return period_begins_on(self.anchor_on, self.offset + (n - self.first_period) * self.months)


class PeriodToBill(NamedTuple):
    """One period: its days (`until_on` exclusive), where it would end by itself, and what it costs before tax.

    `whole_rent` and `whole_protection` are what it would cost up to its natural end: every share is taken, and rounded, of these.
    """

    number: int
    begins_on: date
    until_on: date
    natural_until_on: date
    months: int
    rent: Decimal
    protection: Decimal
    whole_rent: Decimal
    whole_protection: Decimal

    @property
    def days(self) -> int:
        """How many days it has."""
        return (self.until_on - self.begins_on).days

    @property
    def last_on(self) -> date:
        """Its last day (inclusive), as people say it."""
        return date.fromordinal(self.until_on.toordinal() - 1)

    @property
    def natural_days(self) -> int:
        """How many days it would have had."""
        return (self.natural_until_on - self.begins_on).days

    @property
    def total(self) -> Decimal:
        """Rent and protection together, before tax."""
        return self.rent + self.protection

    @property
    def is_part(self) -> bool:
        """Whether it is shorter than it would be by itself: a bridge to another due day, or cut by a return."""
        return self.until_on < self.natural_until_on

    @property
    def note(self) -> str:
        """What a bill adds to the word "Rent": nothing for a plain month."""
        if self.is_part:
            return f", {self.days} of {self.natural_days} days"
        return f", first {self.months} months" if self.months > 1 else ""

    def cut(self, until_on: date) -> "PeriodToBill":
        """Return the period as it ends on a day within it (exclusive, at least one day), with its share by actual days."""
        until_on = max(min(until_on, self.until_on), date.fromordinal(self.begins_on.toordinal() + 1))
        days = (until_on - self.begins_on).days
        return self._replace(
            until_on=until_on,
            rent=prorated(self.whole_rent, days, self.natural_days),
            protection=prorated(self.whole_protection, days, self.natural_days),
        )


def prorated(amount: Decimal, days: int, of_days: int) -> Decimal:
    """Return the share of an amount for `days` of `of_days` actual days, half up to the cent.

    >>> prorated(Decimal("1200.00"), 15, 31), prorated(Decimal("1000.00"), 12, 31)
    (Decimal('580.65'), Decimal('387.10'))
    """
    return cents(amount * days / of_days)


def period_at(segments: Sequence[Segment], n: int) -> PeriodToBill:
    """Return period `n` (0 is the first). Raises ValueError for a negative `n` or without segments."""
    position = next((i for i in reversed(range(len(segments))) if segments[i].first_period <= n), None)
    if position is None:
        message = f"no terms hold for period {n}"
        raise ValueError(message)
    segment = segments[position]
    begins_on, natural = segment.day_of(n), segment.day_of(n + 1)
    until_on = natural
    if position + 1 < len(segments) and segments[position + 1].first_period == n + 1:
        until_on = min(natural, segments[position + 1].begins_on)
    costs = segment.rent, segment.protection
    whole = PeriodToBill(n, begins_on, natural, natural, segment.months, *costs, *costs)
    return whole if until_on == natural else whole.cut(until_on)


def period_containing(segments: Sequence[Segment], day: date) -> int:
    """Return the number of the period in which `day` falls. Raises ValueError for a day before the first."""
    segment = next((each for each in reversed(segments) if each.begins_on <= day), None)
    if segment is None:
        message = f"{day} lies before the first period"
        raise ValueError(message)
    whole = (day.year - segment.anchor_on.year) * 12 + day.month - segment.anchor_on.month
    n = segment.first_period + max((whole - segment.offset) // segment.months, 0)
    return n if segment.day_of(n) <= day else n - 1


def periods_begun(segments: Sequence[Segment], through: date, ended_on: date | None = None) -> range:
    """Return the numbers of the periods begun by `through` (inclusive); none that begins on or after `ended_on`.

    The first is among them even when the agreement ended on the day it began.
    """
    if not segments or through < segments[0].begins_on:
        return range(0)
    last = period_containing(segments, through)
    if ended_on is not None and ended_on <= through:
        if ended_on < segments[0].begins_on:
            return range(0)
        last = period_containing(segments, ended_on)
        if period_at(segments, last).begins_on == ended_on and last > 0:
            last -= 1
    return range(last + 1)


def first_segments(
    *,
    starts_on: date,
    rent: Decimal,
    protection: Decimal,
    intro_months: int = 0,
    intro_rent: Decimal | None = None,
    due_day: int | None = None,
) -> tuple[Segment, ...]:
    """Return the terms of a new agreement: an introductory period if there is one, a bridge to a fixed due day, then months.

    `rent` and `protection` are for a month. Without `intro_rent` the introductory months cost their monthly rent.

    >>> [f"{s.first_period} {s.begins_on} {s.months} {s.rent}" for s in first_segments(
    ...     starts_on=date(2026, 8, 20), rent=Decimal("30"), protection=Decimal("0"), intro_months=3, intro_rent=Decimal("45"))]
    ['0 2026-08-20 3 45', '1 2026-11-20 1 30']
    """
    segments: tuple[Segment, ...]
    if intro_months:
        price = rent * intro_months if intro_rent is None else intro_rent
        intro = Segment(0, starts_on, starts_on, 0, intro_months, price, protection * intro_months, "intro")
        begins_on = period_begins_on(starts_on, intro_months)
        segments = (intro, Segment(1, begins_on, starts_on, intro_months, 1, rent, protection))
    else:
        segments = (Segment(0, starts_on, starts_on, 0, 1, rent, protection),)
    return segments if due_day is None else moved_due_day(segments, len(segments) - 1, due_day)


def moved_due_day(segments: Sequence[Segment], from_period: int, due_day: int) -> tuple[Segment, ...]:
    """Return the terms with rent falling due on `due_day` (1 to 28) from the first such day after `from_period` begins.

    `from_period` is the first that is not billed yet: it becomes a bridge of actual days, unless it begins on that day anyway.
    An introductory period is not cut: its price was agreed for all of it, so the bridge waits for its end.
    Terms that were to begin later are replaced.

    >>> moved = moved_due_day(first_segments(starts_on=date(2026, 1, 31), rent=Decimal("31"), protection=Decimal("0")), 1, 15)
    >>> bridge, first = period_at(moved, 1), period_at(moved, 2)
    >>> bridge.begins_on.isoformat(), bridge.until_on.isoformat(), str(bridge.rent), first.begins_on.isoformat()
    ('2026-02-28', '2026-03-15', '15.00', '2026-03-15')
    """
    if not 1 <= due_day <= 28:
        message = f"a due day is a day of every month, 1 to 28, not {due_day}"
        raise ValueError(message)
    from_period = past_introduction(segments, from_period)
    begins_on, last = period_at(segments, from_period).begins_on, segments[-1]
    kept = [each for each in segments if each.first_period <= from_period]
    day = begins_on.replace(day=due_day)
    if day < begins_on:
        day = period_begins_on(day, 1)
    number = from_period + (day > begins_on)
    kept = [each for each in kept if each.first_period < number]
    moved = Segment(number, day, day, 0, 1, _a_month(last.rent, last), _a_month(last.protection, last), "due_day")
    return (*kept, moved)


def past_introduction(segments: Sequence[Segment], n: int) -> int:
    """Return `n`, or the period after it where `n` is the introductory one."""
    current = next(each for each in reversed(segments) if each.first_period <= n)
    return n + 1 if current.is_introductory else n


def _a_month(amount: Decimal, segment: Segment) -> Decimal:
    return amount if segment.months == 1 else cents(amount / segment.months)


def with_protection(segments: Sequence[Segment], from_period: int, protection: Decimal) -> tuple[Segment, ...]:
    """Return the terms with another monthly protection (nothing drops it) from a period on that is not billed yet."""
    begins_on = period_at(segments, from_period).begins_on
    current = next(each for each in reversed(segments) if each.first_period <= from_period)
    offset = current.offset + (from_period - current.first_period) * current.months
    here = current._replace(
        first_period=from_period,
        begins_on=begins_on,
        offset=offset,
        protection=protection * current.months,
        reason=current.reason if current.is_introductory else "protection",
    )
    before = [each for each in segments if each.first_period < from_period]
    later = [each._replace(protection=protection * each.months) for each in segments if each.first_period > from_period]
    return (*before, here, *later)


def continued(segments: Sequence[Segment], from_period: int, rent: Decimal, protection: Decimal) -> tuple[Segment, ...]:
    """Return the terms of an agreement that goes on where another stops being billed: same days, new monthly prices.

    Its first period begins when `from_period` of the one before would have.
    """
    current = next(each for each in reversed(segments) if each.first_period <= from_period)
    offset = current.offset + (from_period - current.first_period) * current.months
    first = Segment(
        0, period_at(segments, from_period).begins_on, current.anchor_on, offset, current.months, rent, protection, "continued"
    )
    later = (
        each._replace(first_period=each.first_period - from_period, rent=rent, protection=protection)
        for each in segments
        if each.first_period > from_period
    )
    return (first._replace(rent=rent * current.months, protection=protection * current.months), *later)


def sum_rent(segments: Sequence[Segment], periods: range) -> Decimal:
    """Return the rent of some periods together, before tax."""
    return sum((period_at(segments, n).rent for n in periods), ZERO)


def rent_between(segments: Sequence[Segment], from_on: date, until_on: date) -> Decimal:
    """Return the rent for the days from one day to another (exclusive), before tax: each period's share by its actual days.

    >>> terms = first_segments(starts_on=date(2026, 9, 1), rent=Decimal("30"), protection=Decimal("5"))
    >>> str(rent_between(terms, date(2026, 9, 16), date(2026, 11, 1)))
    '45.00'
    """
    total, day = ZERO, from_on
    while day < until_on:
        each = period_at(segments, period_containing(segments, day))
        end = min(each.until_on, until_on)
        total += prorated(each.whole_rent, (end - day).days, each.natural_days)
        day = end
    return total


def minimum_until(starts_on: date, minimum_term: str, school_year_ends: int) -> date | None:
    """Return the day (exclusive) through which rent is owed at least; None without a minimum term.

    A school year ends on the last day of month `school_year_ends`; what begins in the month itself or later runs to the next.

    >>> minimum_until(date(2026, 9, 4), "school_year", 5), minimum_until(date(2026, 9, 4), "none", 5)
    (datetime.date(2027, 6, 1), None)
    """
    if minimum_term != "school_year":
        return None
    year = starts_on.year + (starts_on.month >= school_year_ends)
    return period_begins_on(date(year, school_year_ends, 1), 1)
