"""What is asked when a run is planned, when the van is asked for at a family's door, and at a stop."""

import datetime
from decimal import Decimal
from typing import Any

from django import forms

from rentals.counter.runs.operations import Handover
from rentals.inventory import queries
from rentals.inventory.models import Location
from rentals.runtime.forms import ChoiceCards, DayField, OfficeForm, StrokesField
from rentals.staff.models import User
from rentals.staff.policy import CAPABILITIES
from schools.spots import SpotUnreadError, read_spot


class RunForm(OfficeForm):
    """Which day, who drives, from which shop."""

    on = DayField(label="Day", error_messages={"required": "Write the day of the run."})
    driver = forms.ModelChoiceField(
        label="Driver",
        queryset=User.objects.filter(is_active=True, role__in=CAPABILITIES["runs.drive"]).order_by("name"),
        empty_label="Choose who drives",
        error_messages={"required": "Choose who drives."},
    )
    location = forms.ModelChoiceField(
        label="Shop the van leaves from",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop the van leaves from."},
    )
    ends_at_shop = forms.BooleanField(
        label="The way back to the shop counts", required=False, initial=True, help_text="When stops are put in order."
    )
    notes = forms.CharField(label="Note for the driver", max_length=200, required=False, help_text="No names of students.")
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_on(self) -> datetime.date:
        """A day gone by is not planned."""
        on: datetime.date = self.cleaned_data["on"]
        if on < self.today:
            raise forms.ValidationError("That day is past: choose today or a later one.")
        return on


class HomeErrandForm(OfficeForm):
    """Bring or fetch at a family's door, from which day on, and where it may be left."""

    kind = forms.ChoiceField(
        label="The van is to",
        choices=[
            ("drop_off", "Bring it to the family"),
            ("pick_up", "Fetch it for repair"),
            ("return", "Fetch it: the family gives it back"),
        ],
    )
    wanted_from = DayField(label="Not before", error_messages={"required": "Write the first day on which it may go along."})
    address = forms.CharField(
        label="Another address, at work for example",
        max_length=160,
        required=False,
        help_text="Leave it empty for the household’s own address.",
    )
    safe_place = forms.CharField(
        label="Where it may be left when nobody is there",
        max_length=120,
        required=False,
        help_text="Only where the family said so. Leave it empty: then it comes back.",
    )
    what = forms.CharField(
        label="What is wrong, or what the driver must know", max_length=160, required=False, help_text="No names."
    )

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean(self) -> dict[str, Any]:
        """What is fetched for repair comes in with what is wrong; nothing is asked for in the past."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("kind") == "pick_up" and not cleaned.get("what"):
            self.add_error("what", "Write what is wrong, in a few words: the bench reads it.")
        if cleaned.get("wanted_from") and cleaned["wanted_from"] < self.today:
            self.add_error("wanted_from", "That day is past: choose today or a later one.")
        return cleaned

    def facts(self) -> dict[str, Any]:
        """Give what was answered as `schools.errands.ask_for_home` takes it."""
        cleaned = dict(self.cleaned_data)
        kind = cleaned.pop("kind")
        is_return = kind == "return"
        return {**cleaned, "kind": "pick_up" if is_return else kind, "is_return": is_return, "at_work": bool(cleaned["address"])}


class PromisedForm(OfficeForm):
    """Which instrument goes to a family that waits, and whether to its school or its door. Gives it as `instrument`."""

    tag = forms.CharField(
        label="Asset tag", max_length=40, error_messages={"required": "Scan or type the tag of the instrument."}
    )
    to = forms.ChoiceField(choices=[("school", "To the school"), ("home", "To the home")])
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def clean_tag(self) -> str:
        """It must be one of ours."""
        tag: str = self.cleaned_data["tag"]
        self.found = queries.get_by_tag(tag)
        if self.found is None:
            raise forms.ValidationError(f"No instrument has the tag {tag}. Look at its label again.")
        return tag

    def clean(self) -> dict[str, Any]:
        """Give the instrument in place of its tag."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        return {"instrument": self.found, "to_school": cleaned["to"] == "school", "request_key": cleaned["request_key"]}

    @property
    def why(self) -> str:
        """Say in one line what is wrong."""
        return " ".join(str(word) for words in self.errors.values() for word in words)


class SpotForm(OfficeForm):
    """Where a place lies."""

    written = forms.CharField(
        label="Latitude and longitude",
        max_length=60,
        help_text="In degrees, as a map shows them, like 40.1106, -88.2073. They are kept here and sent nowhere.",
        error_messages={"required": "Write latitude and longitude, like 40.1106, -88.2073."},
    )

    def clean_written(self) -> tuple[Decimal, Decimal]:
        """Read both numbers."""
        try:
            return read_spot(self.cleaned_data["written"])
        except SpotUnreadError as error:
            raise forms.ValidationError(str(error)) from error


class HandoverForm(OfficeForm):
    """Who takes it and signs, or the safe place it is left in."""

    how = forms.ChoiceField(
        label="How",
        choices=[("signed", "Somebody takes it and signs"), ("safe", "Left in a safe place")],
        initial="signed",
        widget=ChoiceCards,
    )
    receiver = forms.CharField(
        label="Name of the adult who takes it", max_length=120, required=False, help_text="A typed name is a signature too."
    )
    strokes = StrokesField()
    safe_place = forms.CharField(
        label="Which safe place", max_length=120, required=False, help_text="Only where the family or the school said so."
    )
    key = forms.UUIDField(widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """One or the other, with its words."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("how") == "signed" and not cleaned.get("receiver"):
            self.add_error("receiver", "Write the name of the adult who takes it.")
        if cleaned.get("how") == "safe" and not cleaned.get("safe_place"):
            self.add_error("safe_place", "Write where it is left, so that the family finds it.")
        return cleaned

    def handover(self) -> Handover:
        """Give what was answered as `operations.hand_over` takes it."""
        said = self.cleaned_data
        if said["how"] == "signed":
            return Handover(receiver=said["receiver"], strokes=said["strokes"])
        return Handover(safe_place=said["safe_place"])
