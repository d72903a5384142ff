"""What is asked about a talk with a school. Forms clean what was typed and never write."""

import datetime
from typing import Any
from uuid import uuid4

from django import forms

from rentals.runtime.forms import DayField, OfficeForm
from schools.contacts import ContactFacts
from schools.models import Contact


class ContactForm(OfficeForm):
    """A talk, and what comes next."""

    with_whom = forms.CharField(
        label="Spoke with", max_length=120, error_messages={"required": "Write the name of whom you spoke with."}
    )
    how = forms.ChoiceField(label="How", choices=Contact.How.choices)
    on = DayField(label="Day of the talk")
    about = forms.CharField(
        label="About what",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Nothing about single students: that belongs to the family’s own page.",
        error_messages={"required": "Write in a few words what it was about."},
    )
    next_step = forms.CharField(
        label="Next step", max_length=200, required=False, help_text="Leave it empty if nothing is to be done."
    )
    next_on = DayField(label="To be done by", required=False)
    request_key = forms.UUIDField(required=False, widget=forms.HiddenInput, initial=uuid4)

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_on(self) -> datetime.date:
        """Refuse a day that is still to come."""
        on: datetime.date = self.cleaned_data["on"]
        if on > self.today:
            message = "This day is still to come: write the day on which you spoke."
            raise forms.ValidationError(message)
        return on

    def clean(self) -> dict[str, Any]:
        """Ask for the step and its day together, the day not before the talk."""
        cleaned = super().clean() or {}
        step, by, on = cleaned.get("next_step"), cleaned.get("next_on"), cleaned.get("on")
        if step and not by and "next_on" not in self.errors:
            self.add_error("next_on", "Write by which day the next step is to be done.")
        if by and not step:
            self.add_error("next_step", "Write what is to be done by that day, or leave the day empty.")
        if by and on and by < on:
            self.add_error("next_on", "That is before the talk: choose a later day.")
        return cleaned

    def facts(self) -> ContactFacts:
        """Return what was answered."""
        names = ("with_whom", "how", "on", "about", "next_step", "next_on")
        return ContactFacts(**{name: self.cleaned_data[name] for name in names})
