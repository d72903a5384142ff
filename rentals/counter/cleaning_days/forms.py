"""What is asked when a school's cleaning day is planned."""

import datetime
from typing import Any

from django import forms

from rentals.inventory.models import Location
from rentals.runtime.forms import DayField, OfficeForm
from schools.models import School

LOOKS_AHEAD = 30


class DayForm(OfficeForm):
    """Which school, when, where, and what counts as due."""

    school = forms.ModelChoiceField(
        label="School",
        queryset=School.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the school",
        error_messages={"required": "Choose whose instruments come."},
    )
    on = DayField(label="Day", error_messages={"required": "Write the day on which they are cleaned."})
    due_until = DayField(
        label="Due on or before",
        help_text="Whose cleaning is due by then is expected, so that nobody brings it twice.",
        error_messages={"required": "Write up to which day a cleaning counts as due."},
    )
    location = forms.ModelChoiceField(
        label="Shop",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop where they are cleaned."},
    )

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_on(self) -> datetime.date:
        """A day gone by is not planned."""
        on: datetime.date = self.cleaned_data["on"]
        if on < self.today:
            raise forms.ValidationError("That day is past: choose today or a later one.")
        return on

    def clean(self) -> dict[str, Any]:
        """What is due is counted from the day itself on."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        on, until = cleaned.get("on"), cleaned.get("due_until")
        if on and until and until < on:
            self.add_error("due_until", "That is before the cleaning day: choose that day or a later one.")
        if on and until and until > on + datetime.timedelta(days=366):
            self.add_error("due_until", "That is more than a year ahead: choose an earlier day.")
        return cleaned
