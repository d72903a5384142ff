"""Days and amounts as banks write them in lists: nothing is guessed, what does not fit one way of writing is no amount."""

import datetime
import re
from decimal import Decimal

from billing.banking.readers.found import day_of

ORDERS = {"mdy": "month, day, year", "dmy": "day, month, year", "ymd": "year, month, day"}
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
DAY = re.compile(
    r"(?:(?P<a>\d{1,4})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,4})|(?P<plain>\d{8})"
    r"|(?P<d>\d{1,2})[ -](?P<m>[A-Za-z]{3})[a-z]*\.?[ -](?P<y>\d{4}|\d\d)"
    r"|(?P<m2>[A-Za-z]{3})[a-z]*\.? (?P<d2>\d{1,2}),? (?P<y2>\d{4}))"
    r"(?:$|[ T]\d{1,2}:\d\d)",
    re.ASCII,
)


def as_day(text: str, order: str) -> datetime.date | None:
    """Read a day written in an order of `ORDERS`, or with the month's name; a time after it is left aside. None when it is none.

    >>> as_day("11/01/2026", "mdy"), as_day("01.11.26", "dmy"), as_day("1 Nov 2026", "mdy"), as_day("13/01/2026", "mdy")
    (datetime.date(2026, 11, 1), datetime.date(2026, 11, 1), datetime.date(2026, 11, 1), None)
    """
    found = DAY.match(text)
    if found is None:
        return None
    if found["m"] or found["m2"]:
        name = (found["m"] or found["m2"]).lower()
        month = _MONTHS.index(name) + 1 if name in _MONTHS else 0
        return _day(found["y"] or found["y2"], month, int(found["d"] or found["d2"]))
    if found["plain"]:
        cuts = {"ymd": (0, 4, 6), "mdy": (4, 0, 2), "dmy": (4, 2, 0)}[order]
        wide = dict(zip("ymd", (4, 2, 2), strict=True))
        parts = {part: found["plain"][cut : cut + wide[part]] for part, cut in zip("ymd", cuts, strict=True)}
    else:
        parts = dict(zip(order, (found["a"], found["b"], found["c"]), strict=True))
    return _day(parts["y"], int(parts["m"]), int(parts["d"]))


def _day(year: str, month: int, day: int) -> datetime.date | None:
    if len(year) not in {2, 4}:
        return None
    return day_of(int(year) + (2000 if len(year) == 2 else 0), month, day)


_SIGNS = re.compile(r"[$€£]|\b[A-Z]{3}\b")


def as_amount(text: str, decimal: str) -> Decimal | None:
    """Read an amount with `decimal` ("." or ",") before its cents. None when it is none.

    Money out is written with a minus before or after, in brackets, or with DR behind it; CR stays positive.

    >>> as_amount("(1,075.00)", "."), as_amount("75,00-", ","), as_amount("$8.85 DR", "."), as_amount("8,85", ".")
    (Decimal('-1075.00'), Decimal('-75.00'), Decimal('-8.85'), None)
    """
    plain = text.strip().replace("−", "-").replace("\u00a0", " ")
    found = re.fullmatch(r"(.*[^A-Z])(DR|CR|D|C)\.?", plain, re.IGNORECASE)
    side = found[2][0].upper() if found else ""
    plain = _SIGNS.sub("", found[1] if found else plain).strip()
    bracketed = re.fullmatch(r"\((.*)\)", plain)
    plain = (bracketed[1] if bracketed else plain).strip()
    signed = re.fullmatch(r"([+-]?)\s*(.*?)\s*(-?)", plain)
    if signed is None or not re.fullmatch(_figure(decimal), signed[2], re.ASCII):
        return None
    minuses = [bool(bracketed), signed[1] == "-", signed[3] == "-", side == "D"]
    if sum(minuses) > 1 or (side == "C" and any(minuses)):
        return None
    other = re.sub(rf"[^\d{re.escape(decimal)}]", "", signed[2])
    figure = Decimal(other.replace(",", "."))
    return -figure if any(minuses) else figure


def _figure(decimal: str) -> str:
    point, between = (r"\.", r"[, '’]") if decimal == "." else (",", r"[. '’]")
    return rf"(\d{{1,3}}({between}\d{{3}})+|\d+)({point}\d*)?|{point}\d+"
