"""What is asked when something is put on the van's list."""

import datetime
from typing import Any

from django import forms

from rentals.runtime.forms import DayField, OfficeForm
from schools.models import Errand, School


class ErrandForm(OfficeForm):
    """Fetch or bring, at which school, from which day on, and what the driver must know."""

    kind = forms.ChoiceField(
        label="The van is to", choices=[("pick_up", "Fetch it at the school"), ("drop_off", "Bring it to the school")]
    )
    school = forms.ModelChoiceField(
        label="School",
        queryset=School.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the school",
        error_messages={"required": "Choose the school the van goes to."},
    )
    wanted_from = DayField(
        label="Not before",
        help_text="It goes along on the school's next van day from then on.",
        error_messages={"required": "Write the first day on which it may go along."},
    )
    what = forms.CharField(
        label="What is wrong, or what the driver must know",
        max_length=160,
        required=False,
        help_text="No names: the list shows the student's initials.",
    )

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean(self) -> dict[str, Any]:
        """What is fetched comes in with what is wrong with it; nothing is asked for in the past."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("kind") == Errand.Kind.PICK_UP and not cleaned.get("what"):
            self.add_error("what", "Write what is wrong, in a few words: the bench reads it.")
        if cleaned.get("wanted_from") and cleaned["wanted_from"] < self.today:
            self.add_error("wanted_from", "That day is past: choose today or a later one.")
        return cleaned
