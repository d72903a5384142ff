"""What is asked about a family. Forms clean what was typed and never write."""

import datetime
from typing import Any
from uuid import uuid4

from django import forms

from rentals.documents.quiet import QuietHours
from rentals.families.models import QUIET_FROM, QUIET_UNTIL, Guardian, Household
from rentals.families.news import News
from rentals.runtime.forms import OfficeForm, PhoneField, PostcodeField, StateField
from schools.models import Programme

GRADES = [
    ("", "Not known"),
    ("0", "Kindergarten"),
    *[(str(year), f"Grade {year}") for year in range(1, 13)],
    ("13", "After school"),
]


class NameField(forms.CharField):
    """A name as its owner writes it: spaces tidied, nothing else touched. `what` names it in sentences."""

    def __init__(self, *, what: str, longest: int = 60, **options: Any) -> None:
        missing = {"required": f"Write the {what}.", "max_length": f"The {what} is longer than {longest} letters: shorten it."}
        super().__init__(max_length=longest, error_messages=missing, **options)

    def to_python(self, value: Any) -> str:
        """Tidy the spaces."""
        return " ".join((super().to_python(value) or "").split())


class AddressFields(OfficeForm):
    """Where a family lives and which language it reads."""

    street = NameField(what="street and number", longest=120, label="Street and number")
    unit = NameField(what="apartment", longest=40, label="Apartment or unit", required=False)
    city = NameField(what="city", longest=80, label="City")
    state = StateField(label="State")
    postal_code = PostcodeField(label="ZIP code", error_messages={"required": "Write the ZIP code."})
    language = forms.ChoiceField(
        label="Language of letters", choices=Household._meta.get_field("language").choices or [], initial="en"
    )


class GuardianFields(OfficeForm):
    """An adult of the family: who, and how to reach them."""

    given_name = NameField(what="guardian's first name", label="First name")
    family_name = NameField(what="guardian's last name", label="Last name")
    phone = PhoneField(label="Telephone", required=False, help_text="With the area code.")
    email = forms.EmailField(
        label="E-mail",
        required=False,
        max_length=254,
        error_messages={"invalid": "Write the e-mail address like name@example.com, or leave it empty."},
    )

    def clean(self) -> dict[str, Any]:
        """Ask for one way to reach them, where that is asked at all."""
        cleaned = super().clean() or {}
        if "phone" not in self.fields:
            return cleaned
        if not cleaned.get("phone") and not cleaned.get("email") and not {"phone", "email"} & set(self.errors):
            self.add_error("phone", "Give a telephone number or an e-mail address, so that the family can be reached.")
        return cleaned

    def guardian(self) -> dict[str, str]:
        """Return the guardian's own fields."""
        return {name: self.cleaned_data[name] for name in ("given_name", "family_name", "phone", "email")}


class AddHouseholdForm(AddressFields, GuardianFields):
    """A family written down for the first time, with its first guardian."""

    name = NameField(
        what="name the family is filed under", longest=120, label="Filed under", required=False, help_text="Empty: the last name."
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput, initial=uuid4)
    field_order = ["given_name", "family_name", "phone", "email", "street", "unit", "city", "state", "postal_code"]

    def household(self) -> dict[str, str]:
        """Return the household's own fields."""
        fields = ("street", "unit", "city", "state", "postal_code", "language")
        filed_under = self.cleaned_data["name"] or self.cleaned_data["family_name"]
        return {"name": filed_under, **{name: self.cleaned_data[name] for name in fields}}


class ChangeHouseholdForm(AddressFields):
    """A family's own fields, with the version that was shown."""

    name = NameField(what="name the family is filed under", longest=120, label="Filed under")
    notes = forms.CharField(
        label="Notes", required=False, widget=forms.Textarea, help_text="For the office. Nothing about health or schoolwork."
    )
    version = forms.IntegerField(widget=forms.HiddenInput)
    field_order = ["name", "street", "unit", "city", "state", "postal_code", "language", "notes"]

    def changes(self) -> dict[str, str]:
        """Return the fields to save."""
        return {name: value for name, value in self.cleaned_data.items() if name != "version"}


class GuardianForm(GuardianFields):
    """A further guardian, or changes to one."""

    is_primary = forms.BooleanField(label="First to be asked, and named on letters", required=False)
    version = forms.IntegerField(widget=forms.HiddenInput)


def _hours() -> list[tuple[str, str]]:
    times = [datetime.time(hour) for hour in range(24)]
    return [("", "None"), *((f"{time:%H:%M}", f"{time.hour % 12 or 12}:00 {time:%p}") for time in times)]


class NewsForm(OfficeForm):
    """How news reaches a guardian."""

    asked_together = frozenset({"quiet_from", "quiet_until"})
    news_by = forms.ChoiceField(
        label="Agreements, receipts and notices", choices=Guardian.NewsBy.choices, widget=forms.RadioSelect, initial="mail"
    )
    reminders = forms.ChoiceField(
        label="Reminders (annual cleaning)", choices=Guardian.Reminders.choices, widget=forms.RadioSelect, initial="same"
    )
    quiet_from = forms.ChoiceField(label="From", choices=_hours, required=False, initial=f"{QUIET_FROM:%H:%M}")
    quiet_until = forms.ChoiceField(label="Until", choices=_hours, required=False, initial=f"{QUIET_UNTIL:%H:%M}")
    mail_works = forms.BooleanField(label="The address is right: try mail again", required=False)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """Quiet hours have a beginning and an end, or there are none."""
        cleaned = super().clean() or {}
        begins, ends = cleaned.get("quiet_from"), cleaned.get("quiet_until")
        if bool(begins) != bool(ends) and not {"quiet_from", "quiet_until"} & set(self.errors):
            self.add_error("quiet_until" if begins else "quiet_from", "Choose both hours, or “None” for both.")
        elif begins and begins == ends:
            self.add_error("quiet_until", "From and until are the same hour: choose another, or “None” for both.")
        return cleaned

    def news(self) -> News:
        """Return what was chosen."""
        begins, ends = self.cleaned_data["quiet_from"], self.cleaned_data["quiet_until"]
        time = datetime.time.fromisoformat
        quiet = QuietHours(time(begins), time(ends)) if begins else None
        return News(self.cleaned_data["news_by"], self.cleaned_data["reminders"], quiet)


class StudentFields(OfficeForm):
    """A student: a name, the school year and the programme. No birth date, and nothing more about a minor than the job needs."""

    given_name = NameField(what="student's first name", label="First name")
    family_name = NameField(what="student's last name", label="Last name")
    grade = forms.TypedChoiceField(
        label="School year", choices=GRADES, required=False, coerce=int, empty_value=None, help_text="As of this autumn."
    )
    programme = forms.ModelChoiceField(
        label="School and programme", queryset=Programme.objects.none(), required=False, empty_label="None, or not known"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        programmes = Programme.objects.filter(school__is_active=True).select_related("school")
        self.fields["programme"].queryset = programmes  # type: ignore[attr-defined]

    def student(self) -> dict[str, Any]:
        """Return the student's own fields."""
        return {name: self.cleaned_data[name] for name in ("given_name", "family_name", "grade", "programme")}


class StudentForm(StudentFields):
    """A further student, or changes to one."""

    version = forms.IntegerField(widget=forms.HiddenInput)
