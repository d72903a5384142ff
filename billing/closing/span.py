"""A calendar month of the books."""

import datetime
import re
from dataclasses import dataclass

from django.db.models import Min

from billing import ledger
from billing.models import JournalEntry
from rentals.runtime.fields import is_likely
from rentals.runtime.templatetags.office import day as written_day


@dataclass(frozen=True)
class Month:
    """A month by its first day; whoever writes one checks nothing, `month_of` and `read_month` make only good ones."""

    first_day: datetime.date

    @property
    def ends_before(self) -> datetime.date:
        """The first day of the next month."""
        return ledger.month_after(self.first_day)

    @property
    def last_day(self) -> datetime.date:
        """Its last day."""
        return self.ends_before - datetime.timedelta(days=1)

    @property
    def day_before(self) -> datetime.date:
        """The last day of the month before."""
        return self.first_day - datetime.timedelta(days=1)

    @property
    def code(self) -> str:
        """How it stands in addresses and names of files: 2026-10."""
        return f"{self.first_day:%Y-%m}"

    def __str__(self) -> str:
        return written_day(self.first_day, "month")


def month_of(day: datetime.date) -> Month:
    """Return the month a day lies in.

    >>> month_of(datetime.date(2026, 2, 11)).last_day
    datetime.date(2026, 2, 28)
    """
    return Month(day.replace(day=1))


def read_month(text: str | None) -> Month | None:
    """Read a month from an address, None where it is none, or none that an office means.

    >>> read_month("2026-10"), read_month("2026-13"), read_month("9999-12"), read_month("October")
    (Month(first_day=datetime.date(2026, 10, 1)), None, None, None)
    """
    if not text or not re.fullmatch(r"[0-9]{4}-[0-9]{2}", text):
        return None
    try:
        first_day = datetime.date.fromisoformat(f"{text}-01")
    except ValueError:
        return None
    return Month(first_day) if is_likely(first_day) else None


def first_month(today: datetime.date) -> Month:
    """Return the month in which the books began, or this one where nothing was posted yet."""
    first = JournalEntry.objects.aggregate(first=Min("entry_on"))["first"]
    return month_of(min(first or today, today))


def list_months(today: datetime.date) -> list[Month]:
    """List the months of the books, this one first."""
    months, first = [month_of(today)], first_month(today)
    while months[-1].first_day > first.first_day:
        months.append(month_of(months[-1].day_before))
    return months
