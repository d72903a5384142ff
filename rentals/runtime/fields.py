"""Form fields that take what people really write: amounts, telephone numbers, days, postcodes, codes.

Each cleans to one typed value and refuses with one sentence that says what to write instead.
What was typed is shown again as typed.
"""

import datetime
import re
from decimal import Decimal
from typing import Any

import phonenumbers
from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from moneyed import Money

from rentals.runtime.templatetags.office import phone as written_phone
from rentals.runtime.widgets import CodeInput, DayInput, MoneyInput, NumberText, PhoneInput

_AMOUNT = re.compile(
    r"(?P<sign>[-−]? ?\$?|\$ ?[-−]) ?(?P<whole>\d{1,3}(?:,\d{3})+|\d{1,3}(?: \d{3})+|\d+)?(?:\.(?P<cents>\d*))?", re.ASCII
)
_STROKES = re.compile(r"(?:M\d{1,3} \d{1,3}(?:L\d{1,3} \d{1,3})+)+", re.ASCII)
# Two-letter abbreviations of the United States Postal Service, Publication 28, appendix B.
STATES = frozenset(
    re.findall(
        "..",
        "ALAKASAZARCACOCTDEDCFMFLGAGUHIIDILINIAKSKYLAMEMHMDMAMIMNMSMOMT"
        "NENVNHNJNMNYNCNDMPOHOKORPWPAPRRISCSDTNTXUTVTVIVAWAWVWIWYAAAEAP",
    )
)
_SPACES = re.compile(r"[\s\u00a0\u202f]+")
MOST_DIGITS = 12
FIRST_DAY, LAST_DAY = datetime.date(1900, 1, 1), datetime.date(2100, 12, 31)
"""What lies beyond these is a slip of the keyboard, and the calendar's own ends are no days to count from."""


def is_likely(day: datetime.date) -> bool:
    """Tell whether an office can mean this day."""
    return FIRST_DAY <= day <= LAST_DAY


class MoneyField(forms.Field):
    """An amount in the office's currency; cleans "1,250.50", "$1250.5" and " 1250 " to Money. Empty and optional gives None.

    least and most are included amounts. Negative amounts are refused unless least says otherwise.
    """

    widget = MoneyInput

    def __init__(self, *, least: Decimal | int = 0, most: Decimal | int | None = None, **options: Any) -> None:
        self.least = Decimal(least)
        self.most = None if most is None else Decimal(most)
        super().__init__(**options)

    def to_python(self, value: Any) -> Money | None:
        """Read what was typed; raise ValidationError with what to write instead."""
        if isinstance(value, Money):
            return value
        if value in self.empty_values or not str(value).strip():
            return None
        text = _SPACES.sub(" ", str(value)).strip().removesuffix(settings.CURRENCY).strip()
        found = _AMOUNT.fullmatch(text)
        if not found or not (found["whole"] or found["cents"]):
            raise ValidationError("Write the amount in digits, like 1,250.50.", code="invalid")
        cents, whole = found["cents"] or "", re.sub("[, ]", "", found["whole"] or "0").lstrip("0") or "0"
        if len(cents) > 2:
            raise ValidationError("An amount has at most two digits after the point, like 1,250.50.", code="invalid")
        if len(whole) > MOST_DIGITS:
            raise ValidationError("That amount is larger than the books can hold.", code="most")
        figure = Decimal(f"{whole}.{cents or '0'}").quantize(Decimal("0.01"))
        return Money(-figure if {"-", "−"} & set(found["sign"]) else figure, settings.CURRENCY)

    def validate(self, value: Any) -> None:
        """Hold the amount between least and most."""
        super().validate(value)
        if value is None:
            return
        if value.amount < self.least:
            raise ValidationError(f"The amount must be at least {self.least:,.2f}.", code="least")
        if self.most is not None and value.amount > self.most:
            raise ValidationError(f"The amount must be at most {self.most:,.2f}.", code="most")
        if abs(value.amount) >= Decimal(10) ** 10:
            raise ValidationError("That amount is larger than the books can hold.", code="most")

    def prepare_value(self, value: Any) -> Any:
        """Write a stored amount as a person would type it; leave what was typed as it is."""
        if isinstance(value, Money):
            value = value.amount
        return f"{value:,.2f}" if isinstance(value, Decimal) else value

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare amounts, not spellings."""
        try:
            return bool(self.to_python(initial) != self.to_python(data))
        except ValidationError:
            return True


class PhoneField(forms.CharField):
    """A telephone number in any usual spelling, cleaned to E.164 ("+13125550142"); without a country code it is a US number."""

    widget = PhoneInput

    def __init__(self, *, region: str = "US", **options: Any) -> None:
        self.region = region
        super().__init__(**options)

    def to_python(self, value: Any) -> str:
        """Read what was typed; raise ValidationError with what to write instead."""
        text = super().to_python(value)
        if not text:
            return ""
        try:
            number = phonenumbers.parse(text, self.region)
        except phonenumbers.NumberParseException:
            number = None
        possible = phonenumbers.ValidationResult.IS_POSSIBLE
        if number is None or phonenumbers.is_possible_number_with_reason(number) != possible:
            raise ValidationError("Write the telephone number with its area code, like (312) 555-0142.", code="invalid")
        if number.extension:
            raise ValidationError("Leave out the extension and write it into the note.", code="extension")
        return str(phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164))

    def prepare_value(self, value: Any) -> Any:
        """Write a stored number as people read it; leave what was typed as it is."""
        return written_phone(value) if isinstance(value, str) and re.fullmatch(r"\+\d{6,15}", value) else value


class DayField(forms.DateField):
    """A day, typed month first (11/24/2026, 11-24-26, Nov 24, 2026) or as 2026-11-24."""

    widget = DayInput

    def __init__(self, **options: Any) -> None:
        options.setdefault("error_messages", {}).setdefault("invalid", "Write the day as month/day/year, like 11/24/2026.")
        formats = [
            "%m/%d/%Y",
            "%m/%d/%y",
            "%m-%d-%Y",
            "%m-%d-%y",
            "%m.%d.%Y",
            "%Y-%m-%d",
            "%b %d, %Y",
            "%B %d, %Y",
            "%b %d %Y",
            "%B %d %Y",
        ]
        super().__init__(input_formats=formats, **options)

    def to_python(self, value: Any) -> datetime.date | None:
        """Read what was typed, whatever spaces stand around it."""
        return super().to_python(" ".join(value.split()) if isinstance(value, str) else value)

    def validate(self, value: Any) -> None:
        """Refuse a day that no office means."""
        super().validate(value)
        if value is not None and not is_likely(value):
            raise ValidationError(f"Check the year: it must be from {FIRST_DAY.year} to {LAST_DAY.year}.", code="year")


class WholeNumberField(forms.IntegerField):
    """A whole number typed as text: "1,200" and " 12 " are fine."""

    widget = NumberText

    def __init__(self, **options: Any) -> None:
        options.setdefault("error_messages", {}).setdefault("invalid", "Write a whole number in digits.")
        super().__init__(**options)

    def to_python(self, value: Any) -> int | None:
        """Read what was typed, without thousands commas and spaces."""
        if isinstance(value, str):
            value = _SPACES.sub("", value)
            if re.fullmatch(r"-?\d{1,3}(,\d{3})+", value):
                value = value.replace(",", "")
        return super().to_python(value)


class PostcodeField(forms.CharField):
    """A US ZIP code, five digits or nine, with or without the dash; cleaned to "62704" or "62704-1234"."""

    widget = CodeInput

    def to_python(self, value: Any) -> str:
        """Read what was typed; raise ValidationError with what to write instead."""
        text = super().to_python(value)
        if not text:
            return ""
        digits = re.sub(r"[\s\u00a0\-–.]+", "", text)
        if not re.fullmatch(r"\d{5}(\d{4})?", digits, re.ASCII):
            raise ValidationError("Write the ZIP code with five digits, like 62704, or nine.", code="invalid")
        return digits if len(digits) == 5 else f"{digits[:5]}-{digits[5:]}"

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        """Bring up the digits on a tablet."""
        return {**super().widget_attrs(widget), "inputmode": "numeric"}


class StrokesField(forms.CharField):
    """A signature drawn on the screen: an SVG path of strokes within 680 by 200, "M40 60L44 58M90 60L91 80"; "" when none."""

    widget = forms.HiddenInput
    WIDTH, HEIGHT, MOST = 680, 200, 60_000

    def __init__(self, **options: Any) -> None:
        options.setdefault("required", False)
        super().__init__(max_length=self.MOST, **options)

    def to_python(self, value: Any) -> str:
        """Take nothing but strokes inside the box: the path is written into pages and papers as it is."""
        path = (super().to_python(value) or "").strip()
        if not path:
            return ""
        points = [point.split(" ") for line in path.split("M")[1:] for point in line.split("L")]
        if not _STROKES.fullmatch(path) or any(int(x) > self.WIDTH or int(y) > self.HEIGHT for x, y in points):
            raise ValidationError("The drawing did not arrive whole. Clear it and sign again, or type the name.", code="invalid")
        return path


class StateField(forms.CharField):
    """A state's two letters."""

    def __init__(self, **options: Any) -> None:
        attrs = {"class": "w-short", "autocapitalize": "characters", "spellcheck": "false"}
        super().__init__(**{"widget": forms.TextInput(attrs), **options})

    def to_python(self, value: Any) -> str:
        """Take small letters and a point; refuse what is no state."""
        text = re.sub(r"[\s.]", "", super().to_python(value) or "").upper()
        if text and text not in STATES:
            raise ValidationError("Write the state with its two letters, like IL.", code="invalid")
        return text


class CodeField(forms.CharField):
    """An asset tag, serial number or the like: no spell check, capitals, inner spaces kept single."""

    widget = CodeInput

    def to_python(self, value: Any) -> str:
        """Trim it and write it in capitals."""
        return " ".join((super().to_python(value) or "").split()).upper()
