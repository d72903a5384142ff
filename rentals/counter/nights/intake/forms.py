"""What a person types about a sign-up that needs attention, and about a promise."""

from typing import Any

from django import forms

from rentals.families.forms import AddressFields, GuardianFields, NameField
from rentals.runtime.forms import OfficeForm

MOST_BYTES = 20_000_000


class CorrectionForm(AddressFields, GuardianFields):
    """A new family as it was typed on the tablet, to be put right."""

    name = NameField(what="name the family is filed under", longest=120, label="Filed under")
    field_order = ["name", "given_name", "family_name", "phone", "email", "street", "unit", "city", "state", "postal_code"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["language"]

    def changes(self) -> dict[str, dict[str, Any]]:
        """Return the corrected fields by part of the envelope."""
        address = ("name", "street", "unit", "city", "state", "postal_code")
        return {"household": {name: self.cleaned_data[name] for name in address}, "guardian": self.guardian()}


class DiscardForm(OfficeForm):
    """Why a sign-up is put aside for good."""

    reason = forms.CharField(
        label="Reason",
        max_length=200,
        help_text="No names: the line stays when what was written is gone.",
        error_messages={"required": "Write why this sign-up is put aside."},
    )


class AssignForm(OfficeForm):
    """The instrument that a family was promised."""

    tag = forms.CharField(
        label="Asset tag", max_length=40, error_messages={"required": "Scan or type the tag of the instrument."}
    )


class HandOffForm(OfficeForm):
    """The file of a tablet that could not send, and the passphrase it was locked with."""

    file = forms.FileField(
        label="File of the tablet",
        help_text="Its name begins with “not-sent-night”.",
        error_messages={
            "required": "Choose the file that was saved on the tablet.",
            "empty": "This file is empty: choose another.",
        },
        widget=forms.FileInput(attrs={"accept": ".json"}),
    )
    passphrase = forms.CharField(
        label="Passphrase of that tablet",
        max_length=200,
        help_text="The one it was opened with that evening.",
        error_messages={"required": "Write the passphrase that the tablet was opened with."},
        widget=forms.PasswordInput({"autocomplete": "off"}),
    )

    def clean_file(self) -> Any:
        """Refuse what is too large before it is read."""
        file = self.cleaned_data["file"]
        if file.size > MOST_BYTES:
            raise forms.ValidationError("The file is larger than 20 MB: no tablet makes one like it.", code="large")
        return file
