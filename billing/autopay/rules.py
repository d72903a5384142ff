"""Routing numbers, banking days and the spans that the network's rules count in them. Pure functions of dates and digits.

Sources: Nacha Operating Rules 2013; 12 CFR 229 appendix A (routing prefixes), 12 CFR 1005.10(d) (notice of a varying amount);
Federal Reserve K.8 (holidays). The bank's own calendar and contract decide.
"""

import datetime
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import holidays

WEIGHTS = (3, 7, 1, 3, 7, 1, 3, 7)
DAY = datetime.timedelta(days=1)
NOTICE_DAYS = 10
"""Calendar days ahead that a family is told a varying amount (12 CFR 1005.10(d)(1); Nacha 2013, 2.3.2.6)."""
TOLD_DAYS = 7
"""A debit settles at most so many days after the day the family was told; later it is told anew. Common practice, no source."""
FURTHEST_DAYS = 30
"""A run is made for no day further ahead: banks keep files for about so long at most. Common practice, no source."""
RETRY_DAYS = 180
MOST_RETRIES = 2
"""What came back for lack of money may be presented twice more, within 180 days of its settlement (Nacha 2013, 2.12.4)."""
RATE_DAYS = 60
"""Return rates are counted over so many days, by the date of the original entry (secondary sources; the bank decides)."""


class RoutingNumberError(ValueError):
    """No routing number of a bank; the message says why, without repeating it."""


def check_digit(eight: str) -> int:
    """Return the ninth digit of a routing number: weights 3 7 1, up to the next multiple of ten.

    Nacha 2013 Operating Rules, appendix 3, Check Digit.

    >>> check_digit("07640125")
    1
    """
    return -sum(int(digit) * weight for digit, weight in zip(eight, WEIGHTS, strict=True)) % 10


def clean_routing_number(text: str) -> str:
    """Return the nine digits of a routing number, blanks and dashes dropped. Raises RoutingNumberError.

    First two digits: 01 to 12 banks, 21 to 32 thrifts (12 CFR 229 appendix A), 61 to 72 electronic (from memory). The checksum
    alone proves little: 000000000 passes it.
    """
    digits = text.replace(" ", "").replace("-", "")
    if not (digits.isascii() and digits.isdecimal()):
        raise RoutingNumberError("A routing number has digits only. It is the first nine digits at the bottom of a check.")
    if len(digits) != 9:
        raise RoutingNumberError(f"A routing number has nine digits, this one has {len(digits)}. Look at the bottom of a check.")
    if check_digit(digits[:8]) != int(digits[8]):
        raise RoutingNumberError("This is no routing number: its last digit does not fit the others. Compare it with a check.")
    if not is_bank_prefix(digits):
        raise RoutingNumberError("No bank has a routing number that begins like this. Compare it with a check.")
    return digits


def is_bank_prefix(digits: str) -> bool:
    """Tell whether the first two digits are those of a bank or thrift where a family may have an account."""
    prefix = int(digits[:2])
    return 1 <= prefix <= 12 or 21 <= prefix <= 32 or 61 <= prefix <= 72


@cache
def _closed() -> holidays.HolidayBase:
    """The Reserve Banks' holidays. Never `country_holidays`: the Reserve Banks work on the Friday before a Saturday holiday."""
    return holidays.financial_holidays("FED")


@cache
def is_banking_day(day: datetime.date) -> bool:
    """Tell whether the Reserve Banks settle on this day."""
    return day.weekday() < 5 and day not in _closed()


def on_or_after(day: datetime.date) -> datetime.date:
    """Return the day itself, or the next banking day. A date shifted like this is no change of date for the family."""
    while not is_banking_day(day):
        day += DAY
    return day


def banking_day_after(day: datetime.date, count: int) -> datetime.date:
    """Return the `count`th banking day after a day, which need not be one itself.

    >>> banking_day_after(datetime.date(2026, 11, 25), 2)
    datetime.date(2026, 11, 30)
    """
    for _ in range(count):
        day = on_or_after(day + DAY)
    return day


def banking_day_before(day: datetime.date) -> datetime.date:
    """Return the banking day before a day: on it a file leaves whose debits settle on the day."""
    day -= DAY
    while not is_banking_day(day):
        day -= DAY
    return day


def effective_on(*, sent_on: datetime.date, wanted_on: datetime.date) -> datetime.date:
    """Return the effective entry date of debits wanted on a day: a banking day, and one at least after the file leaves."""
    return max(on_or_after(wanted_on), banking_day_after(sent_on, 1))


def return_due(settled_on: datetime.date, *, within_sixty_days: bool) -> datetime.date:
    """Return until when a return reaches the office's bank: the opening of this banking day (Nacha 2013, appendix 4).

    Two banking days after settlement; or the banking day after the 60th calendar day, for debits that nobody authorised.
    """
    if within_sixty_days:
        return banking_day_after(settled_on + 60 * DAY, 1)
    return banking_day_after(settled_on, 2)


def correction_due(received_on: datetime.date) -> datetime.date:
    """Return by when a correction is to be used: six banking days, or before the next entry if that is later."""
    return banking_day_after(received_on, 6)


def live_after_prenote(settled_on: datetime.date) -> datetime.date:
    """Return the first day for a debit after a test entry of no amount settled: the third banking day."""
    return banking_day_after(settled_on, 3)


def latest_notice(debit_on: datetime.date) -> datetime.date:
    """Return the last day on which the family can be told the amount of a debit."""
    return debit_on - NOTICE_DAYS * DAY


def latest_debit(told_for: datetime.date) -> datetime.date:
    """Return the last day on which a debit may settle that the family was told for a day."""
    return told_for + TOLD_DAYS * DAY


def latest_retry(settled_on: datetime.date) -> datetime.date:
    """Return the last day on which an entry may be presented again."""
    return settled_on + RETRY_DAYS * DAY


@dataclass(frozen=True)
class Rate:
    """So many of the debits came back, against the line the network draws; `limit` in thousandths."""

    name: str
    returned: int
    debits: int
    limit: int

    @property
    def share(self) -> Fraction:
        """The exact share; nothing when nothing was debited."""
        return Fraction(self.returned, self.debits) if self.debits else Fraction(0)

    @property
    def is_at_line(self) -> bool:
        """Whether the line is reached. Sources differ on "exceeds" and "below": the alarm is at the line."""
        return self.debits > 0 and self.share >= Fraction(self.limit, 1000)

    @property
    def percent(self) -> str:
        """The share to three places of a percent, rounded up so that it never looks better than it is.

        >>> Rate("unauthorised", 11, 2000, 5).percent
        '0.550%'
        """
        thousandths = -(-self.share * 100_000 // 1)
        return f"{thousandths // 1000}.{thousandths % 1000:03}%"

    @property
    def line(self) -> str:
        """The line in words.

        >>> Rate("unauthorised", 0, 0, 5).line
        '0.5%'
        """
        return f"{self.limit / 10:g}%"
