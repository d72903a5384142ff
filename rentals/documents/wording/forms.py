"""The form in which a letter's words are changed."""

from typing import Any

from django import forms

from rentals.documents.wording.registry import NEVER_IN_SUBJECTS, OFFICE_SLOTS, PARTS, Wording
from rentals.documents.wording.texts import SLOT, Texts, has_lone_brace, unknown_slots
from rentals.runtime.forms import OfficeForm


class WordingForm(OfficeForm):
    """The parts of a letter's words, and why they were changed."""

    heading = forms.CharField(label="Heading, also the subject of the mail", max_length=120)
    opening = forms.CharField(label="Before the figures", max_length=4000, widget=forms.Textarea(attrs={"rows": 8}))
    closing = forms.CharField(label="After the figures", max_length=4000, widget=forms.Textarea(attrs={"rows": 5}))
    mail = forms.CharField(label="The text of the mail", max_length=4000, widget=forms.Textarea(attrs={"rows": 12}))
    note = forms.CharField(label="Why", max_length=160, required=False, help_text="For whoever reads the list of versions later.")
    seen = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, wording: Wording, **kwargs: Any) -> None:
        self.slots = {**wording.slots, **OFFICE_SLOTS}
        super().__init__(*args, **kwargs)
        self.wording = wording
        for part in set(PARTS) - set(wording.parts):
            del self.fields[part]
        if not wording.has_mail:
            self.fields["heading"].label = "Heading"
        elif not wording.has_paper:
            self.fields["heading"].label = "Subject of the mail"

    def clean(self) -> dict[str, Any]:
        """Refuse braces that name no place of this letter, which a family would read, and words that lack what it must know."""
        cleaned = super().clean() or {}
        for part in self.wording.parts:
            text = cleaned.get(part, "")
            if unknown := unknown_slots(text, self.slots):
                known = ", ".join("{" + slot + "}" for slot in self.slots)
                named = ", ".join("{" + slot + "}" for slot in unknown)
                self.add_error(part, f"{named} is no place of this letter. There are: {known}.")
            elif has_lone_brace(text):
                self.add_error(part, "A brace stands alone: write a place as {name}, or leave the brace out.")
        if not set(NEVER_IN_SUBJECTS).isdisjoint(SLOT.findall(cleaned.get("heading", ""))):
            self.add_error(
                "heading", "A child's name does not belong into a subject, which others read too: leave {student} out."
            )
        if not self.errors:
            for missing in self.wording.list_missing(self.texts()):
                self.add_error(missing.part, str(missing))
        return cleaned

    def texts(self) -> Texts:
        """Return the words as typed; for a form that is valid."""
        return Texts(*(self.cleaned_data.get(part, "") for part in PARTS))
