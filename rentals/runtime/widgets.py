"""Form controls as our templates draw them. Never type=number: it drops characters and turns with the scroll wheel."""

from collections.abc import Mapping
from typing import Any

from babel.numbers import get_currency_symbol
from django import forms
from django.conf import settings


class MoneyInput(forms.TextInput):
    """An amount, with the currency's sign before it."""

    template_name = "components/widgets/money_input.html"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"inputmode": "decimal", "autocomplete": "off", "spellcheck": "false", **(attrs or {})})

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        """Add the currency's sign."""
        context = super().get_context(name, value, attrs)
        context["widget"]["sign"] = get_currency_symbol(settings.CURRENCY, locale="en_US")
        return context


class NumberText(forms.TextInput):
    """A whole number as text."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {"inputmode": "numeric", "autocomplete": "off", "spellcheck": "false", "class": "w-short", **(attrs or {})}
        )


class PhoneInput(forms.TextInput):
    """A telephone number; brings up the keypad on a tablet."""

    input_type = "tel"


class CodeInput(forms.TextInput):
    """A code: no corrections, no capitals at random. What is scanned while it has the focus is meant for it."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {
                "spellcheck": "false",
                "autocapitalize": "characters",
                "autocorrect": "off",
                "class": "w-code",
                "data-takes-scan": True,
                **(attrs or {}),
            }
        )


class DayInput(forms.DateInput):
    """A day typed month first."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {
                "inputmode": "text",
                "autocomplete": "off",
                "spellcheck": "false",
                "class": "w-code",
                "placeholder": "MM/DD/YYYY",
                **(attrs or {}),
            },
            format="%m/%d/%Y",
        )


class _Described:
    """Notes and asides beside the choices: notes say more about one, asides stand at the far end (a price)."""

    notes: Mapping[str, str]
    asides: Mapping[str, str]

    def create_option(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        option: dict[str, Any] = super().create_option(*args, **kwargs)  # type: ignore[misc]
        option["note"] = self.notes.get(str(option["value"]), "")
        option["aside"] = self.asides.get(str(option["value"]), "")
        return option


class ChoiceCards(_Described, forms.RadioSelect):
    """Radio buttons as cards, for a choice that deserves a sentence each."""

    template_name = "components/widgets/choices.html"
    cards = True

    def __init__(
        self,
        attrs: dict[str, Any] | None = None,
        choices: Any = (),
        *,
        notes: Mapping[str, str] | None = None,
        asides: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(attrs, choices)
        self.notes, self.asides = notes or {}, asides or {}

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        """Tell the template whether the choices are drawn as cards."""
        context = super().get_context(name, value, attrs)
        context["widget"]["cards"] = self.cards
        return context


class Checklist(_Described, forms.CheckboxSelectMultiple):
    """A list to tick, with a note beside an entry where there is one."""

    template_name = "components/widgets/choices.html"

    def __init__(
        self,
        attrs: dict[str, Any] | None = None,
        choices: Any = (),
        *,
        notes: Mapping[str, str] | None = None,
        asides: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(attrs, choices)
        self.notes, self.asides = notes or {}, asides or {}
