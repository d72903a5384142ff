"""The lists of a kind as forms: a row a part or a service, and empty rows for new ones."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.http import QueryDict

from rentals.inventory.models import KindPart, KindService
from rentals.inventory.operations.kinds import ListRow
from rentals.runtime import refill
from rentals.runtime.forms import MoneyField, OfficeForm, WholeNumberField

NEW_ROWS = 2
MOST_ROWS = 60


class _RowForm(OfficeForm):
    """What every list's rows share. A new row without a name is no row."""

    columns: tuple[str, ...] = ()

    key = forms.IntegerField(required=False, widget=forms.HiddenInput)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    order = WholeNumberField(label="Place", required=False, min_value=0, max_value=9999)
    is_active = forms.BooleanField(label="On the list", required=False, initial=True)

    def clean(self) -> dict[str, Any]:
        """Ask for a name where something else was told."""
        data = super().clean() or self.cleaned_data
        if "name" not in self.errors and not data.get("name") and self.has_changed():
            self.add_error("name", "Write what it is called, or leave the row as it was.")
        return data

    def row(self, last: int) -> ListRow:
        """Return the row that was sent; one without a place comes after `last`."""
        given = self.cleaned_data
        values = {name: given[name] for name in ("name", "is_active", *self.columns)}
        values["order"] = last + 10 if given["order"] is None else given["order"]
        return ListRow(values, given.get("key"), given.get("version") or 0)

    def tell_theirs(self, now: KindPart | KindService) -> None:
        """Say how the row stands since somebody else changed it, and let the next save win."""
        place = "on the list" if now.is_active else "off the list"
        told = f"Somebody else changed this row meanwhile. It now says: {now.name}, {_told(now)}, {place}."
        self.add_error("name", f"{told} Save again to put yours in its place.")
        data: Any = self.data
        self.data = data = data.copy()
        data[self.add_prefix("version")] = str(now.version)


def _told(now: KindPart | KindService) -> str:
    """Return a row's own columns in words: its minutes, or whether it must come back and its price."""
    if isinstance(now, KindService):
        return f"{now.usual_minutes} minutes"
    back = "must come back" if now.must_come_back else "need not come back"
    return f"{back}, {'not priced' if now.replacement_price is None else f'{now.replacement_price.amount:,.2f}'}"


class PartForm(_RowForm):
    """One part."""

    columns = ("must_come_back", "replacement_price")
    field_order = ("name", "must_come_back", "replacement_price", "order", "is_active")

    name = forms.CharField(label="Part", max_length=60, required=False)
    must_come_back = forms.BooleanField(label="Must come back", required=False, initial=True)
    replacement_price = MoneyField(label="A new one costs", required=False)

    def row(self, last: int) -> ListRow:
        """Return the row with the price as an amount."""
        row = super().row(last)
        price = row.values["replacement_price"]
        row.values["replacement_price"] = None if price is None else Decimal(price.amount)
        return row


class ServiceForm(_RowForm):
    """One service."""

    columns = ("usual_minutes",)
    field_order = ("name", "usual_minutes", "order", "is_active")

    name = forms.CharField(label="Work", max_length=80, required=False)
    usual_minutes = WholeNumberField(label="Usual minutes", required=False, min_value=1, max_value=2400)

    def clean(self) -> dict[str, Any]:
        """Ask for the minutes of work that has a name."""
        data = super().clean()
        if data.get("name") and data.get("usual_minutes") is None and "usual_minutes" not in self.errors:
            self.add_error("usual_minutes", "Write how many minutes it usually takes.")
        return data


def rows_for(form: type[_RowForm], found: Iterable[KindPart] | Iterable[KindService], sent: QueryDict | None = None) -> Any:
    """Return the rows of a list: those there are, and a few to fill.

    What was sent is compared row by row with the row of the same key, however the list was ordered or has grown since.
    """
    names = [name for name in form.base_fields if name != "key"]
    initial = [{"key": each.pk, **{name: getattr(each, name) for name in names}} for each in found]
    typed: Any = sent or refill.typed_before() or {}
    told = str(typed.get("rows-TOTAL_FORMS", ""))
    count = min(int(told), MOST_ROWS) if told.isascii() and told.isdigit() and len(told) < 4 else 0
    if count:
        by_key = {str(each["key"]): each for each in initial}
        initial = [by_key.get(str(typed.get(f"rows-{place}-key", "")), {}) for place in range(count)]
    formset = forms.formset_factory(form, extra=0 if count else NEW_ROWS, max_num=MOST_ROWS, absolute_max=MOST_ROWS)
    if sent is not None:
        return formset(sent, initial=initial, prefix="rows")
    return formset(initial=initial, prefix="rows")
