"""What every form of the house shares: how it is drawn, and what its controls tell the browser."""

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from django import forms
from django.forms.renderers import TemplatesSetting
from django.forms.utils import pretty_name
from djmoney.forms.fields import MoneyField as PairOfAmountAndCurrency

from rentals.runtime import refill
from rentals.runtime.fields import (
    CodeField,
    DayField,
    MoneyField,
    PhoneField,
    PostcodeField,
    StateField,
    StrokesField,
    WholeNumberField,
)
from rentals.runtime.widgets import Checklist, ChoiceCards, CodeInput, DayInput, MoneyInput, NumberText, PhoneInput

__all__ = [
    "Checklist",
    "ChoiceCards",
    "CodeField",
    "CodeInput",
    "DayField",
    "DayInput",
    "MoneyField",
    "MoneyInput",
    "NumberText",
    "OfficeForm",
    "OfficeFormMixin",
    "OfficeModelForm",
    "OfficeRenderer",
    "PhoneField",
    "PhoneInput",
    "PostcodeField",
    "StateField",
    "StrokesField",
    "WholeNumberField",
]

# The purposes of HTML's autocomplete attribute (WCAG 2.2, 1.3.5), by field name.
TOKENS: Mapping[str, str] = {
    "name": "name",
    "first_name": "given-name",
    "given_name": "given-name",
    "last_name": "family-name",
    "family_name": "family-name",
    "email": "email",
    "phone": "tel",
    "mobile": "tel",
    "street": "address-line1",
    "street_2": "address-line2",
    "address_line_1": "address-line1",
    "address_line_2": "address-line2",
    "city": "address-level2",
    "state": "address-level1",
    "postcode": "postal-code",
    "postal_code": "postal-code",
    "zip_code": "postal-code",
}
UNSPELLED = {"name", "given-name", "family-name", "email", "tel", "postal-code"}


def _our_kind(field: forms.Field) -> forms.Field:
    """Take our amount and day fields where a model's form would make Django's."""
    common: dict[str, Any] = {"label": field.label, "help_text": field.help_text, "required": field.required}
    common |= {"initial": field.initial, "disabled": field.disabled}
    if isinstance(field, PairOfAmountAndCurrency):
        return MoneyField(**common)
    return DayField(**common) if type(field) is forms.DateField else field


def _missing(field: forms.Field, label: object) -> str:
    """Say what is missing by its label: the summary lists many of these under each other."""
    label = str(label).rstrip(".:?")
    if isinstance(field, forms.BooleanField):
        return f"Tick “{label}”."
    return f"Choose an answer for “{label}”." if isinstance(field, forms.ChoiceField) else f"Fill in “{label}”."


class OfficeRenderer(TemplatesSetting):
    """Draws every field with our own component and every form as rows under an error summary."""

    form_template_name = "django/forms/office_form.html"
    field_template_name = "components/field.html"


class OfficeFormMixin:
    """No browser validation, no number inputs, autocomplete told to every personal field.

    on_shared_device: True (the office's machines and tablets) says "off", so that a tablet never offers the family before;
    the family's own door sets False and gets the tokens. purposes adds tokens for fields with other names.
    """

    on_shared_device: ClassVar[bool] = True
    purposes: ClassVar[Mapping[str, str]] = {}
    asked_together: ClassVar[frozenset[str]] = frozenset()
    """Fields that only the whole form can require (one of two; all of a line once it is begun): they are not marked optional."""
    use_required_attribute = False
    fields: dict[str, forms.Field]
    add_prefix: Callable[[str], str]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            self.fields[name] = _our_kind(field)
            self._tell_browser(name, self.fields[name])
            self.fields[name].asked_together = name in self.asked_together  # type: ignore[attr-defined]

    def get_initial_for_field(self, field: forms.Field, field_name: str) -> Any:
        """Begin with what was typed before the session ended, if this is the form it was typed into."""
        typed, name = refill.typed_before(), self.add_prefix(field_name)
        if typed is None or not any(self.add_prefix(each) in typed for each in self.fields):
            return super().get_initial_for_field(field, field_name)  # type: ignore[misc]
        if field.widget.value_omitted_from_data(typed, {}, name):
            return super().get_initial_for_field(field, field_name)  # type: ignore[misc]
        return field.widget.value_from_datadict(typed, {}, name)

    def _tell_browser(self, name: str, field: forms.Field) -> None:
        widget = field.widget
        widget.is_required = False
        if str(field.error_messages.get("required")) == str(forms.Field.default_error_messages["required"]):
            field.error_messages["required"] = _missing(field, field.label or pretty_name(name))
        if widget.attrs.get("rows") == "10":
            widget.attrs["rows"] = "4"
        if isinstance(widget, forms.NumberInput):
            whole = not isinstance(field, forms.DecimalField | forms.FloatField)
            attrs = {key: value for key, value in widget.attrs.items() if key not in {"min", "max", "step"}}
            field.widget = NumberText({**attrs, "inputmode": "numeric" if whole else "decimal"})
            return
        token = self.purposes.get(name) or TOKENS.get(name)
        if not token or not isinstance(widget, forms.TextInput | forms.EmailInput | forms.Textarea | forms.Select):
            return
        widget.attrs.setdefault("autocomplete", "off" if self.on_shared_device else token)
        if token in UNSPELLED:
            widget.attrs.setdefault("spellcheck", "false")
        # Long names and addresses are told to be too long in a sentence; the browser must not cut them off silently.
        widget.attrs.pop("maxlength", None)


class OfficeForm(OfficeFormMixin, forms.Form):
    """A form of the house."""


class OfficeModelForm(OfficeFormMixin, forms.ModelForm):  # type: ignore[type-arg]
    """A form of the house over one model; it cleans, the room's operation writes."""
