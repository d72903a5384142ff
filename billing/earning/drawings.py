"""The charts of the fleet's figures: what of them is drawn, and in which words."""

import datetime
from collections.abc import Sequence
from decimal import Decimal

from billing.earning.queries import Row
from billing.earning.rent import Earned
from billing.earning.rules import Use
from billing.earning.worth import OLDEST
from rentals.runtime.charts import Chart, Series, Words, bar_chart, line_chart
from rentals.runtime.templatetags.office import money as written_money


def _percent(share: Decimal | float) -> str:
    return f"{share:.0f}%"


def _dollars(amount: Decimal | float) -> str:
    """Whole units on the axis and in the table: the cents stand in the list."""
    return written_money(round(amount)).removesuffix(".00")


def _month(day: datetime.date) -> str:
    return f"{day:%b} {day:%y}"


def _shares(uses: Sequence[Use]) -> list[float | None]:
    return [None if each.share is None else each.share * 100 for each in uses]


def use_by_month(months: Sequence[datetime.date], whole: Sequence[Use], kind: Sequence[Use] | None, kind_name: str) -> Chart:
    """Draw utilisation from the first month there was any instrument, of one kind beside all where one is chosen."""
    words = Words(
        "use-by-month",
        "In use, month by month",
        "Days with families, of the days on which instruments were fit to be rented. The month that runs counts up to now.",
        "Month",
        _percent,
        most=100,
    )
    first = next((place for place, each in enumerate(whole) if each.fit), len(whole))
    series = [Series("All kinds", _shares(whole[first:]))]
    if kind is not None:
        series.insert(0, Series(kind_name, _shares(kind[first:])))
    return line_chart(words, [_month(month) for month in months[first:]], series)


def rent_and_work(rows: Sequence[Row]) -> Chart:
    """Draw what each row earned beside what work on it cost."""
    words = Words("rent-and-work", "Rent and bench work", "What was earned, and what work at the bench cost.", "Kind", _dollars)
    rent, work = [row.figures.earned.net for row in rows], [row.figures.repairs for row in rows]
    return bar_chart(words, [row.name for row in rows], [Series("Rent", rent), Series("Bench work", work)])


def ages(counts: Sequence[int]) -> Chart:
    """Draw how old the fleet is."""
    words = Words(
        "ages", "How old the fleet is", "Instruments that are here now, by full years since they were bought.", "Years", _count
    )
    labels = [f"{age} or more" if age == OLDEST else "under 1" if age == 0 else str(age) for age in range(len(counts))]
    return bar_chart(words, labels, [Series("Instruments", list(counts))])


def _count(number: Decimal | float) -> str:
    return f"{number:,.0f}"


def payback(cost: Decimal, months: Sequence[tuple[datetime.date, Earned]]) -> Chart:
    """Draw the rent of one instrument as it adds up, beside what it cost."""
    words = Words(
        "payback",
        "Rent beside cost",
        "Rent as it was billed, added up month by month, beside what was paid for it.",
        "Month",
        _dollars,
    )
    sums, so_far = [], Decimal(0)
    for _, earned in months:
        so_far += earned.net
        sums.append(so_far)
    series = [Series("Rent so far", sums), Series("Cost", [cost] * len(sums))]
    return line_chart(words, [_month(month) for month, _ in months], series)
