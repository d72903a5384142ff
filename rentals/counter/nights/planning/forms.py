"""What is asked when a sign-up night is planned or changed."""

import datetime
import re
from typing import Any
from uuid import uuid4

from django import forms

from rentals.inventory.models import Location
from rentals.runtime.forms import Checklist, CodeInput, DayField, OfficeForm, WholeNumberField
from schools import nights
from schools.models import Night, School


def read_time(written: str) -> datetime.time | None:
    """Read a time of day as people write it; None when it is none.

    >>> read_time("5:30 pm"), read_time("17:30"), read_time("6pm"), read_time("25:00")
    (datetime.time(17, 30), datetime.time(17, 30), datetime.time(18, 0), None)
    """
    found = re.fullmatch(r"(\d{1,2})(?:[:.](\d{2}))?\s*([ap])?\.?(?:m\.?)?", written.strip().lower())
    if not found:
        return None
    hour, minute, half = int(found[1]), int(found[2] or 0), found[3]
    if minute > 59 or hour > (12 if half else 23) or (half and hour == 0):
        return None
    return datetime.time(hour % 12 + 12 * (half == "p") if half else hour, minute)


def write_time(time: datetime.time) -> str:
    """Write a time of day as `read_time` takes it: "5:30 PM"."""
    return f"{time.hour % 12 or 12}:{time.minute:02} {'PM' if time.hour >= 12 else 'AM'}"


class TimeOfDayField(forms.CharField):
    """A time of day as people write it; gives a datetime.time."""

    widget = CodeInput

    def clean(self, value: Any) -> Any:
        """Read it, or say how to write it."""
        written = super().clean(value)
        if not written:
            return None
        time = read_time(written)
        if time is None:
            raise forms.ValidationError("Write a time of day, like 5:30 PM.")
        return time

    def prepare_value(self, value: Any) -> Any:
        """Write it as it is read."""
        return write_time(value) if isinstance(value, datetime.time) else value


class HostForm(OfficeForm):
    """At which school."""

    school = forms.ModelChoiceField(
        label="School",
        queryset=School.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the school",
        help_text="Where the night takes place. Programmes of its district may be asked too.",
        error_messages={"required": "Choose the school where the night takes place."},
    )


class NightForm(OfficeForm):
    """When, where, for whom, and who works there."""

    on = DayField(label="Day", error_messages={"required": "Write the day of the night."})
    begins_at = TimeOfDayField(label="Doors open", help_text="Like 5:30 PM.")
    ends_at = TimeOfDayField(label="Doors close")
    room = forms.CharField(label="Room", required=False, max_length=80, help_text="Gym, band room, cafeteria.")
    programmes = forms.ModelMultipleChoiceField(
        label="Programmes asked",
        queryset=School.objects.none(),
        widget=Checklist,
        error_messages={"required": "Tick at least one programme: its families are asked to come."},
    )
    expected_families = WholeNumberField(
        label="Families expected",
        min_value=1,
        max_value=2000,
        help_text="How many you think will sign up that evening. The allotment goes by it.",
    )
    location = forms.ModelChoiceField(
        label="Van leaves from",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop its instruments leave from."},
    )
    staff = forms.ModelMultipleChoiceField(
        label="Who works there", queryset=School.objects.none(), widget=Checklist, required=False
    )
    lead = forms.ModelChoiceField(
        label="Lead",
        queryset=School.objects.none(),
        required=False,
        empty_label="Not decided yet",
        help_text="Opens and closes the night. One of those ticked above.",
    )
    notes = forms.CharField(label="Notes", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    request_key = forms.UUIDField(required=False, widget=forms.HiddenInput, initial=uuid4)

    def __init__(self, *args: Any, school: School, today: datetime.date, night: Night | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.school, self.today, self.night = school, today, night
        programmes: Any = self.fields["programmes"]
        programmes.queryset = nights.list_programmes_for(school)
        for name in ("staff", "lead"):
            people: Any = self.fields[name]
            people.queryset = nights.list_staff()
            people.label_from_instance = lambda user: user.name

    def clean_on(self) -> datetime.date:
        """A day gone by is not planned; a night that took place may keep its day."""
        on: datetime.date = self.cleaned_data["on"]
        if on < self.today and (self.night is None or on != self.night.on):
            raise forms.ValidationError("That day is past: choose today or a later one.")
        if on > self.today + datetime.timedelta(days=731):
            raise forms.ValidationError("That is more than two years ahead: look at the year again.")
        return on

    def clean(self) -> dict[str, Any]:
        """Doors close after they open; the lead works there."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        begins, ends = cleaned.get("begins_at"), cleaned.get("ends_at")
        if begins and ends and ends <= begins:
            self.add_error("ends_at", "Doors close after they open: write a later time.")
        lead = cleaned.get("lead")
        if lead and "staff" in cleaned and lead not in cleaned["staff"]:
            self.add_error("lead", f"{lead.name} is not ticked among those who work there: tick them, or choose another lead.")
        return cleaned

    def facts(self) -> nights.NightFacts:
        """Give what was answered."""
        names = ("on", "begins_at", "ends_at", "room", "expected_families", "location", "lead", "notes")
        given = {name: self.cleaned_data[name] for name in names}
        return nights.NightFacts(
            **given, programmes=list(self.cleaned_data["programmes"]), staff=list(self.cleaned_data["staff"])
        )


def initial_of(night: Night) -> dict[str, Any]:
    """Give what is written about a night, as the form takes it."""
    names = ("on", "begins_at", "ends_at", "room", "expected_families", "notes", "version")
    people = list(night.staff.values_list("user", "is_lead"))
    return {
        **{name: getattr(night, name) for name in names},
        "location": night.location_id,
        "programmes": list(night.night_programmes.values_list("programme", flat=True)),
        "staff": [user for user, _ in people],
        "lead": next((user for user, is_lead in people if is_lead), None),
    }
