"""The two filters every amount and every date goes through, and a few small helpers of the components.

No query, no clock: what is shown was read before the template began.
"""

import datetime
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from typing import Any, NamedTuple

import phonenumbers
from babel.numbers import get_currency_precision, get_currency_symbol
from django import template
from django.conf import settings
from django.core.paginator import Page
from django.forms import BaseForm, BoundField
from django.utils import dateformat, timezone
from django.utils.translation import get_language

register = template.Library()

MINUS = "\N{MINUS SIGN}"
DAY_FORMATS = {"": "M j, Y", "short": "M j", "weekday": "D, M j, Y", "month": "F Y"}
SPANISH_DAY_FORMATS = {"": r"j \d\e F \d\e Y", "short": r"j \d\e F", "weekday": r"l, j \d\e F \d\e Y", "month": r"F \d\e Y"}
"""Of what families read in Spanish; the office's own screens are English."""


@register.filter
def money(amount: Any) -> str:
    """Write an amount as the office writes it: "$1,250.50", and "−$12.50" with a real minus sign.

    Takes a Money, a Decimal, a whole number or a decimal string; nothing gives an empty string.
    Half a cent goes up, away from zero.
    """
    if amount is None or amount == "":
        return ""
    currency = str(getattr(amount, "currency", settings.CURRENCY))
    figure = getattr(amount, "amount", amount)
    if isinstance(figure, float):
        raise TypeError("An amount of money is a Decimal, never a float.")
    try:
        figure = Decimal(figure)
    except InvalidOperation as wrong:
        raise ValueError(f"Not an amount: {amount!r}") from wrong
    figure = figure.quantize(Decimal(1).scaleb(-get_currency_precision(currency)), ROUND_HALF_UP)
    sign = MINUS if figure < 0 else ""
    return f"{sign}{get_currency_symbol(currency, locale='en_US')}{abs(figure):,}"


@register.filter
def day(when: datetime.date | None, form: str = "") -> str:
    """Write a day: "Nov 24, 2026"; form "short" "Nov 24", "weekday" "Tue, Nov 24, 2026", "month" "November 2026".

    A moment counts as the day it falls on in the office's time zone. In what families read in Spanish: "24 de noviembre de 2026".
    """
    if not when:
        return ""
    if isinstance(when, datetime.datetime):
        when = _local(when).date()
    formats = SPANISH_DAY_FORMATS if (get_language() or "").startswith("es") else DAY_FORMATS
    return dateformat.format(when, formats[form])


@register.filter
def moment(when: datetime.date | None, form: str = "") -> str:
    """Write a moment in the office's time zone: "Nov 24, 2026, 3:05 PM".

    Form "short" leaves out the year, "clock" the day. A plain day is written as a day. In what families read in Spanish:
    "24 de noviembre de 2026, 3:05 p.m." (Unicode CLDR, es-US).
    """
    if not isinstance(when, datetime.datetime):
        return day(when, "" if form == "clock" else form)
    if (get_language() or "").startswith("es"):
        local = _local(when)
        clock = f"{dateformat.format(local, 'g:i')} {'a.m.' if local.hour < 12 else 'p.m.'}"
        return clock if form == "clock" else f"{day(when, form)}, {clock}"
    return dateformat.format(_local(when), {"": "M j, Y, g:i A", "short": "M j, g:i A", "clock": "g:i A"}[form])


@register.filter
def hours(minutes: int) -> str:
    """Write minutes of work as people say them.

    >>> hours(45), hours(120), hours(150)
    ('45 min', '2 h', '2 h 30 min')
    """
    whole, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{whole:,} h" if whole else "", f"{rest} min" if rest or not whole else "") if part)


@register.filter
def machine_time(when: datetime.date | None) -> str:
    """Give the day or moment in the form the datetime attribute of a time element wants."""
    if isinstance(when, datetime.datetime):
        when = _local(when)
    return when.isoformat() if when else ""


@register.filter
def phone(number: Any) -> str:
    """Write a stored telephone number as people read it: "(312) 555-0142", other countries with their code."""
    if not number:
        return ""
    try:
        parsed = phonenumbers.parse(str(number), "US")
    except phonenumbers.NumberParseException:
        return str(number)
    style = phonenumbers.PhoneNumberFormat.NATIONAL if parsed.country_code == 1 else phonenumbers.PhoneNumberFormat.INTERNATIONAL
    return str(phonenumbers.format_number(parsed, style))


@register.filter
def page_numbers(page: Page[Any]) -> list[int]:
    """List the numbers to show for a list's pages; 0 stands for a gap."""
    numbers = page.paginator.get_elided_page_range(page.number, on_each_side=2, on_ends=1)
    return [number if isinstance(number, int) else 0 for number in numbers]


class ErrorLine(NamedTuple):
    """One line of the error summary: what to say, and the id to jump to ("" when it is about the whole form)."""

    text: str
    anchor: str


@register.filter
def error_lines(form: BaseForm | None, others: Iterable[BaseForm] | None = None) -> list[ErrorLine]:
    """List every error of a form (and of further forms) in the order of the page, each with the id of its control."""
    lines: list[ErrorLine] = []
    for each in [form, *(others or ())]:
        if not each or not each.is_bound:
            continue
        lines += [ErrorLine(str(text), "") for text in each.non_field_errors()]
        for field in each:
            target = "" if field.is_hidden else anchor(field)
            lines += [ErrorLine(str(text), target) for text in field.errors]
    return lines


@register.filter
def anchor(field: BoundField) -> str:
    """Give the id of a field's first control: radio buttons and tick lists have several."""
    return field.id_for_label or f"{field.auto_id}_0"


def _local(when: datetime.datetime) -> datetime.datetime:
    return timezone.localtime(when) if timezone.is_aware(when) else when
