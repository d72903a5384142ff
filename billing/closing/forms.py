"""Forms of the end of a month."""

from django import forms

from billing.closing import clear
from rentals.runtime.forms import OfficeForm


class ReasonForm(OfficeForm):
    """Why a check is let pass, or a month opened again."""

    reason = forms.CharField(
        label="Reason",
        max_length=200,
        help_text="It is kept with the month.",
        error_messages={"required": "Write the reason; it is kept with the month."},
    )


class UndoClearingForm(OfficeForm):
    """Why what was cleared is undone."""

    why = forms.CharField(label="Why is it undone?", max_length=200, help_text="It is kept with it; the accountant reads it.")


class ClearForm(OfficeForm):
    """What belongs together, and where what is left goes. `chosen` is written as account and entry: 2910:1042."""

    chosen = forms.MultipleChoiceField(label="What belongs together", required=False)
    rest_to = forms.ChoiceField(label="What is left goes to", required=False)
    note = forms.CharField(label="What this is", max_length=200, help_text="A few words; the accountant reads them.")

    def __init__(self, *args: object, choices: list[tuple[str, str]], **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["chosen"].choices = choices  # type: ignore[attr-defined]
        targets = [(account.code, str(account)) for account in clear.list_targets()]
        self.fields["rest_to"].choices = [("", "Nothing is left"), *targets]  # type: ignore[attr-defined]

    def pairs(self) -> list[tuple[str, int]]:
        """Give what was ticked, account and entry."""
        return [(account, int(entry)) for account, _, entry in (each.partition(":") for each in self.cleaned_data["chosen"])]
