"""What is typed at the door, and what tablets report."""

import re
from typing import Any
from uuid import uuid4

from django import forms

from rentals.runtime.forms import OfficeForm

NOT_A_NOTE = re.compile(r"[^A-Z0-9-]")


class NumberForm(OfficeForm):
    """A number for whoever comes in: with the code of the form from home, with initials, or with nothing."""

    note = forms.CharField(
        label="Family code or initials",
        required=False,
        max_length=12,
        help_text="The code from the form filled in at home, or two or three initials. Never a name. May stay empty.",
    )
    request_key = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def clean_note(self) -> str:
        """Take it as it is kept: capitals, digits and a hyphen, eight at most."""
        note = "".join(self.cleaned_data["note"].upper().split()).replace(".", "")
        if len(note) > 8 or NOT_A_NOTE.search(note):
            raise forms.ValidationError("Write a family code like K7QX, or initials like MK: letters and digits only, no name.")
        return note


class BeatForm(forms.Form):
    """What a tablet says it still holds."""

    device = forms.UUIDField()
    waiting = forms.IntegerField(min_value=0, max_value=5000)
    attention = forms.IntegerField(min_value=0, max_value=5000, required=False)
    oldest_minutes = forms.IntegerField(min_value=0, max_value=100_000, required=False)

    def said(self) -> dict[str, Any]:
        """Give it as `line.report` takes it."""
        return {name: self.cleaned_data.get(name) or 0 for name in ("waiting", "attention", "oldest_minutes")}


class DeviceForm(forms.Form):
    """Which tablet asks, if it is one."""

    device = forms.UUIDField(required=False)
    heard = forms.IntegerField(required=False, min_value=1)


class CloseForm(OfficeForm):
    """What the lead knows about what differs."""

    note = forms.CharField(
        label="What you know about what differs",
        required=False,
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Needed when a line differs; it stands on the sheet. No names of families.",
    )


class HandOverForm(OfficeForm):
    """Who has the file of a tablet now."""

    note = forms.CharField(label="Who has the file now", max_length=200)


def fresh_number_form() -> NumberForm:
    """Return the form of the next tap."""
    return NumberForm(initial={"request_key": uuid4()})
