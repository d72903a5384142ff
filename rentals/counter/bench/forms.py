"""What the technician says when an instrument comes in or goes out."""

from typing import Any

from django import forms

from rentals.counter.bench.queries import BenchSheet
from rentals.inventory.forms import TagField
from rentals.inventory.models import Location
from rentals.runtime.forms import OfficeForm


class ShopForm(OfficeForm):
    """In which shop this happens."""

    location = forms.ModelChoiceField(
        label="Shop",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop where it stands."},
    )


class TakeInForm(ShopForm):
    """What is wrong, and which loaner goes out meanwhile."""

    problem = forms.CharField(
        label="What is wrong",
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Write what is wrong, in a few words."},
    )
    loaner = TagField(label="Loaner that goes out", required=False)
    field_order = ["problem", "location", "loaner"]

    def __init__(self, *args: Any, sheet: BenchSheet, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["problem"].widget.attrs["data-keep"] = f"in {sheet.instrument.asset_tag}"
        if not sheet.loaners:
            del self.fields["loaner"]
            return
        names = [(unit.asset_tag, f"{unit.asset_tag}: {unit.item}, {unit.get_grade_display().lower()}") for unit in sheet.loaners]
        self.fields["loaner"].widget = forms.Select(choices=[("", "None"), *names])


class GoOutForm(ShopForm):
    """What was done, and whether the loaner came back."""

    work_done = forms.CharField(
        label="What was done",
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Write what was done, in a few words."},
    )
    loaner_is_back = forms.BooleanField(label="The loaner has come back", required=False, initial=True)
    field_order = ["work_done", "loaner_is_back", "location"]

    def __init__(self, *args: Any, sheet: BenchSheet, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["work_done"].widget.attrs["data-keep"] = f"out {sheet.instrument.asset_tag}"
        self.fields["work_done"].required = sheet.order is not None
        if sheet.holder is None or sheet.holder.loaner is None:
            del self.fields["loaner_is_back"]
        else:
            self.fields["loaner_is_back"].label = f"The loaner {sheet.holder.loaner.asset_tag} has come back"
