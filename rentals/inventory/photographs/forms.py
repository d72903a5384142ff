"""Pictures sent with a form: one from the camera, or several chosen."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from rentals.runtime.forms import OfficeForm

MOST_AT_ONCE = 10
WHY = [
    ("It shows a person or a name", "It shows a person or a name"),
    ("It shows another instrument", "It shows another instrument"),
    ("It shows nothing useful", "It shows nothing useful"),
    ("It is out of date", "It is out of date"),
]


class ManyFilesInput(forms.FileInput):
    """A control for several files at once."""

    allow_multiple_selected = True


class ManyFilesField(forms.FileField):
    """Several files; cleans to a list, empty when nothing was chosen."""

    widget = ManyFilesInput

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        """Clean each as a file of its own."""
        chosen = [each for each in data or [] if each]
        if self.required and not chosen:
            raise ValidationError(self.error_messages["required"], code="required")
        return chosen


class PhotosForm(OfficeForm):
    """Pictures of an instrument, and one line that says what they show."""

    camera = forms.FileField(
        label="Take a picture",
        required=False,
        help_text="On a telephone or tablet this opens the camera.",
        widget=forms.FileInput(attrs={"accept": "image/*", "capture": "environment"}),
        allow_empty_file=True,
        max_length=None,
    )
    chosen = ManyFilesField(
        label="Or choose pictures",
        required=False,
        help_text=f"JPEG, PNG or WebP, up to 10 MB each and {MOST_AT_ONCE} at once.",
        widget=ManyFilesInput(attrs={"accept": "image/jpeg,image/png,image/webp"}),
    )
    caption = forms.CharField(label="What they show", required=False, max_length=120)

    def clean(self) -> dict[str, Any]:
        """Put the camera's and the chosen ones together, and ask for at least one."""
        data = super().clean() or {}
        sent = [each for each in [data.get("camera"), *data.get("chosen", [])] if each is not None]
        if not sent and not self.errors:
            self.add_error("camera", "Take a picture, or choose one below.")
        if len(sent) > MOST_AT_ONCE:
            self.add_error("chosen", f"Send {MOST_AT_ONCE} pictures at once at most: these are {len(sent)}.")
        data["sent"] = sent
        return data


class RemovePhotoForm(OfficeForm):
    """Why a picture goes."""

    because = forms.ChoiceField(label="Why", choices=[("", "Choose a reason"), *WHY])
