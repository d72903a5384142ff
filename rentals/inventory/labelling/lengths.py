"""Lengths as people measure them: millimetres, or inches and their fractions."""

import re
from decimal import Decimal
from fractions import Fraction
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

_LENGTH = re.compile(
    r"(?P<sign>[-−+]?) ?"
    r"(?:(?P<plain>\d{1,4}(?:[.,]\d{1,4})?)(?: (?P<top>\d{1,2}) ?/ ?(?P<under>\d{1,2}))?|(?P<t>\d{1,2}) ?/ ?(?P<u>\d{1,2}))"
    r" ?(?P<unit>mm|in|inch|inches|\"|″|”)?\.?",
    re.IGNORECASE | re.ASCII,
)


def read_length(text: str) -> Decimal | None:
    """Read a length: "66.7", "66,7 mm", "2 5/8 in", '1"'. Returns millimetres to a thousandth; None for anything else.

    >>> [read_length(text) for text in ("66.7", "2 5/8 in", "-1/2 in", "wide")]
    [Decimal('66.700'), Decimal('66.675'), Decimal('-12.700'), None]
    """
    match = _LENGTH.fullmatch(" ".join(text.split()))
    if match is None:
        return None
    whole = Fraction((match["plain"] or "0").replace(",", "."))
    top, under = int(match["top"] or match["t"] or 0), int(match["under"] or match["u"] or 1)
    if under == 0:
        return None
    length = whole + Fraction(top, under)
    if (match["unit"] or "mm").lower() != "mm":
        length *= Fraction("25.4")
    sign = -1 if match["sign"] in {"-", "−"} else 1
    return (Decimal(sign * length.numerator) / Decimal(length.denominator)).quantize(Decimal("0.001"))


def written(length: Decimal) -> str:
    """Write a length, or a share, without the zeros nobody types.

    >>> written(Decimal("66.675")), written(Decimal("100.000")), written(Decimal("-0.800"))
    ('66.675', '100', '−0.8')
    """
    return f"{length.normalize():f}".replace("-", "−")


class LengthField(forms.CharField):
    """A length; cleans to millimetres. `least` and `most` are included."""

    def __init__(self, *, least: float = 0, most: float = 500, **options: Any) -> None:
        self.least, self.most = Decimal(str(least)), Decimal(str(most))
        super().__init__(**options)

    def clean(self, value: Any) -> Any:
        """Read it; say what to write where it cannot be."""
        text = super().clean(value)
        if not text:
            return None
        length = read_length(text)
        if length is None:
            raise ValidationError("Write a length in millimetres, like 66.7, or in inches, like 2 5/8 in.", code="invalid")
        if not self.least <= length <= self.most:
            raise ValidationError(
                f"Write a length from {written(self.least)} to {written(self.most)} mm: this is {written(length)}.", code="range"
            )
        return length

    def prepare_value(self, value: Any) -> Any:
        """Show a stored length without the zeros nobody types."""
        return written(value) if isinstance(value, Decimal) else value
