"""Forms of the fleet. They clean what was typed into typed values; operations write."""

import uuid
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from rentals.inventory import reference, rules
from rentals.inventory.importing.columns import COLUMNS
from rentals.inventory.importing.reading import MOST_BYTES
from rentals.inventory.models import CatalogueItem, ImportDraft, Instrument, InstrumentKind, Location
from rentals.runtime.forms import CodeField, DayField, MoneyField, OfficeForm, PostcodeField


class ItemChoice(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A model of the catalogue, named with its kind."""

    def label_from_instance(self, obj: Any) -> str:
        """Put the kind first: people look for it."""
        return f"{obj.kind.name}: {obj}"


class TagField(CodeField):
    """An asset tag, scanned or typed; cleans to the form tags are kept in."""

    def to_python(self, value: Any) -> str:
        """Read it as a scanner or a person wrote it."""
        text = super().to_python(value)
        try:
            return rules.normalise_tag(text) if text else ""
        except rules.BadAssetTagError as error:
            raise ValidationError(str(error), code="invalid") from error


class InstrumentForm(OfficeForm):
    """The facts of one instrument."""

    asset_tag = TagField(label="Asset tag", help_text="Scan the label, or type it: FL-1042.")
    serial_number = CodeField(label="Serial number", required=False, max_length=40)
    item = ItemChoice(label="Model", queryset=CatalogueItem.objects.none(), empty_label="Choose a model")
    grade = forms.ChoiceField(label="Condition", choices=Instrument.Grade.choices, initial=Instrument.Grade.GOOD)
    cost = MoneyField(label="What the shop paid")
    acquired_on = DayField(label="Acquired on")
    location = forms.ModelChoiceField(
        label="Where it stands", queryset=Location.objects.filter(is_active=True), empty_label="Choose a location"
    )
    notes = forms.CharField(label="Notes", required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: Any, instrument: Instrument | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        items = CatalogueItem.objects.select_related("kind").filter(is_active=True)
        if instrument is None:
            self.fields["asset_tag"].required = False
            self.fields["asset_tag"].help_text = "Scan or type it: FL-1042. Left empty: the next tag of its kind's series."
            self.fields["request_key"] = forms.UUIDField(widget=forms.HiddenInput)
            self.initial.setdefault("request_key", uuid.uuid4())
        else:
            del self.fields["location"]
            self.fields["version"] = forms.IntegerField(widget=forms.HiddenInput)
            items = items | CatalogueItem.objects.select_related("kind").filter(pk=instrument.item_id)
        self.fields["item"].queryset = items  # type: ignore[attr-defined]

    @staticmethod
    def initial_of(instrument: Instrument) -> dict[str, Any]:
        """Return the form's values for an instrument as it stands."""
        names = ["asset_tag", "serial_number", "grade", "cost", "acquired_on", "notes", "version"]
        return {**{name: getattr(instrument, name) for name in names}, "item": instrument.item_id}


class CatalogueItemForm(OfficeForm):
    """One model of the catalogue, in one size, with its prices."""

    kind = forms.ModelChoiceField(label="Kind", queryset=InstrumentKind.objects.all(), empty_label="Choose a kind")
    maker = forms.CharField(label="Maker", max_length=60)
    model = forms.CharField(label="Model", max_length=60)
    size = forms.CharField(
        label="Size", required=False, max_length=20, help_text="For bowed strings only: 1/2, 4/4, or inches for violas."
    )
    tier = forms.ChoiceField(label="Made for", choices=CatalogueItem.Tier.choices)
    purchase_price = MoneyField(
        label="Purchase price", help_text="What a family pays to buy it new. Signed agreements keep theirs."
    )
    used_price = MoneyField(
        label="Price used", required=False, help_text="What one costs that was rented before. Empty: not sold used."
    )
    replacement_value = MoneyField(label="Replacement value", help_text="What it costs the shop to replace a lost one.")
    is_active = forms.BooleanField(label="Offered to families", required=False, initial=True)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """Hold the size to the kind: strings have one, nothing else does."""
        data = super().clean() or {}
        kind, written = data.get("kind"), str(data.get("size") or "").strip()
        if kind and kind.has_sizes:
            size = reference.size_of(kind.code, written)
            if size is None:
                known = ", ".join(row.size for row in reference.list_sizes(kind.code))
                self.add_error("size", f"A {kind.name.lower()} comes in these sizes: {known}.")
            data["size"] = size or ""
        elif kind and written:
            self.add_error("size", f"A {kind.name.lower()} has no sizes: leave this empty.")
        new, used = data.get("purchase_price"), data.get("used_price")
        if new is not None and used is not None and used > new:
            self.add_error("used_price", "A used one cannot cost more than a new one: lower this, or raise the purchase price.")
        return data


class ProductForm(OfficeForm):
    """Something sold with an instrument."""

    sku = forms.SlugField(label="Code", max_length=40, help_text="Small letters, digits and dashes: clarinet-reeds-2.")
    name = forms.CharField(label="Name", max_length=80)
    price = MoneyField(label="Price")
    is_active = forms.BooleanField(label="Sold now", required=False, initial=True)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, is_new: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not is_new:
            del self.fields["sku"]


class WorkDoneForm(OfficeForm):
    """What was done, when a work order is closed."""

    work_done = forms.CharField(label="What was done", widget=forms.Textarea(attrs={"rows": 3}))


class FleetFileForm(OfficeForm):
    """A spreadsheet to take in."""

    file = forms.FileField(
        label="Spreadsheet",
        help_text="CSV or Excel (.xlsx), up to 5 MB and 20,000 rows. The first row names the columns.",
        error_messages={"required": "Choose the spreadsheet to take in.", "empty": "This file is empty: choose another."},
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.xlsx"}),
    )

    def clean_file(self) -> Any:
        """Refuse what is too large before it is read."""
        file = self.cleaned_data["file"]
        if file.size > MOST_BYTES:
            raise ValidationError("The file is larger than 5 MB: split it into several files.", code="large")
        return file


class ColumnsForm(OfficeForm):
    """Which of a file's columns is which of ours, and what holds for rows that leave it out."""

    location = forms.ModelChoiceField(
        label="Location, for rows without one",
        queryset=Location.objects.filter(is_active=True),
        required=False,
        empty_label="None: each row must say it",
    )
    acquired_on = DayField(label="Acquired on, for rows without a date", required=False)

    def __init__(self, *args: Any, draft: ImportDraft, **kwargs: Any) -> None:
        initial = {f"column_{key}": str(place) for key, place in draft.mapping.items()} | draft.settings
        super().__init__(*args, initial=initial, **kwargs)
        names = [(str(place), name) for place, name in enumerate(draft.header)]
        for column in COLUMNS:
            self.fields[f"column_{column.key}"] = forms.ChoiceField(
                label=column.label,
                choices=[("", "Not in this file"), *names],
                required=column.is_required,
                error_messages={"required": f"Choose the column that holds: {column.label}."},
            )

    def column_fields(self) -> list[Any]:
        """Return the fields that map columns, in the order of ours."""
        return [self[f"column_{column.key}"] for column in COLUMNS]

    def clean(self) -> dict[str, Any]:
        """Refuse one of the file's columns standing for two of ours."""
        data = super().clean() or {}
        seen: dict[str, str] = {}
        for column in COLUMNS:
            place = data.get(f"column_{column.key}")
            if place and place in seen:
                self.add_error(f"column_{column.key}", f"This column already stands for: {seen[place]}.")
            elif place:
                seen[place] = column.label
        return data

    def mapping(self) -> dict[str, int]:
        """Return our column to the number of theirs."""
        chosen = {column.key: self.cleaned_data[f"column_{column.key}"] for column in COLUMNS}
        return {key: int(place) for key, place in chosen.items() if place}

    def settings(self) -> dict[str, str]:
        """Return what holds for rows that leave it out, as the draft keeps it."""
        location, acquired_on = self.cleaned_data["location"], self.cleaned_data["acquired_on"]
        return {"location": location.pk if location else "", "acquired_on": acquired_on.isoformat() if acquired_on else ""}


def show_version(form: OfficeForm, version: int) -> None:
    """Put a row's new version into a bound form: the person has been told, and the next save is meant."""
    data: Any = form.data
    form.data = data = data.copy()
    data["version"] = str(version)


class LocationForm(OfficeForm):
    """A shop of the office, where instruments stand."""

    name = forms.CharField(label="Name", max_length=80, help_text="As people call it: Main Street shop.")
    street = forms.CharField(label="Street", max_length=120)
    city = forms.CharField(label="City", max_length=80)
    state = forms.CharField(label="State", max_length=2, help_text="Two letters: IL.")
    postal_code = PostcodeField(label="ZIP code")
    is_active = forms.BooleanField(label="In use", required=False, initial=True)

    def clean_state(self) -> str:
        """Write it in capitals."""
        return str(self.cleaned_data["state"]).upper()
