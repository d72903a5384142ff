"""Forms of where an instrument goes: moved by hand, put aside. They clean what was typed; operations write."""

from typing import Any

from django import forms

from rentals.inventory import rules
from rentals.inventory.models import Custody, Instrument, Location
from rentals.runtime.forms import DayField, OfficeForm

BY_HAND = ("shelf", "bench", "school")


def active_schools() -> Any:
    """Return the schools, by the name of the relation: this room may not import theirs."""
    return Custody._meta.get_field("school").related_model._default_manager.order_by("name")


class PlaceForm(OfficeForm):
    """A place of the shop or a school, and what each of them needs: the shop, or the school."""

    place = forms.ChoiceField(label="Where it is now", choices=[])
    location = forms.ModelChoiceField(
        label="Which shop", queryset=Location.objects.filter(is_active=True), required=False, empty_label="Not at a shop"
    )
    school = forms.ModelChoiceField(
        label="Which school", queryset=Location.objects.none(), required=False, empty_label="Not at a school"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["school"].queryset = active_schools()  # type: ignore[attr-defined]
        self.offer(BY_HAND)

    def offer(self, places: tuple[str, ...] | list[str]) -> None:
        """Offer these places, and ask for a school only where one is among them."""
        names = dict(Custody.Place.choices)
        self.fields["place"].choices = [(each, names[Custody.Place(each)]) for each in places]  # type: ignore[attr-defined]
        if "school" not in places:
            self.fields.pop("school", None)

    def clean(self) -> dict[str, Any]:
        """Ask for the keeper that the place needs, and leave the other out."""
        data = super().clean() or {}
        place = data.get("place")
        if place in {"shelf", "bench"}:
            data["school"] = None
            if not data.get("location"):
                self.add_error("location", "Choose the shop where it stands.")
        elif place == "school":
            data["location"] = None
            if not data.get("school"):
                self.add_error("school", "Choose the school that has it.")
        return data


class MoveForm(PlaceForm):
    """Where one instrument is, when a person says so."""

    reason = forms.CharField(label="Why", max_length=160, help_text="One line for the history: found behind the risers.")

    def __init__(self, *args: Any, place: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offer([other for other in rules.NEXT_PLACES[place] if other in BY_HAND])


class HoldForm(OfficeForm):
    """An instrument put aside."""

    reason = forms.CharField(
        label="What it is held for",
        max_length=160,
        help_text="Technicians read this too: write a number, H-00012 or A-000345, rather than a name.",
    )
    held_until = DayField(
        label="Free again on", required=False, help_text="On this day it is free by itself. Empty: until somebody releases it."
    )


class BatchForm(PlaceForm):
    """A round of moves: where the scanned instruments go, why, and in what condition they are."""

    reason = forms.CharField(label="Why", max_length=140, help_text="For the history of each: back from the band night.")
    grade = forms.ChoiceField(
        label="Condition",
        required=False,
        choices=[("", "As it stands in the books"), *Instrument.Grade.choices],
        help_text="Noted on each that is scanned. Begin another round for those in another condition.",
    )
    from_school = forms.ModelChoiceField(
        label="They come back from",
        queryset=Location.objects.none(),
        required=False,
        empty_label="Anywhere",
        help_text="Choose a school to see what is still there, and to be warned of another school's.",
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)
    field_order = ["place", "location", "school", "from_school", "reason", "grade"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["from_school"].queryset = active_schools()  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """What goes to a school does not come back from one."""
        data = super().clean() or {}
        if data.get("place") == "school" and data.get("from_school"):
            self.add_error("from_school", "What comes back goes to a shelf or the shop. Leave this at “Anywhere”.")
        return data
