"""What people say when they change an agreement; cleaned into typed values. Nothing here writes."""

from datetime import date
from typing import Any

from django import forms

from rentals.agreements import promises
from rentals.agreements.changes.people import WHOLE, list_shares
from rentals.counter.life.common import ActForm, SignedForm
from rentals.families.models import Guardian
from rentals.inventory.models import Location
from rentals.runtime.forms import ChoiceCards, DayField, WholeNumberField
from rentals.runtime.templatetags.office import day as written
from schools.models import Programme

DAYS = [(n, f"Day {n} of the month") for n in range(1, 29)]


class DueDayForm(SignedForm):
    """On which day of the month rent falls due from now on."""

    due_day = forms.TypedChoiceField(
        label="Rent falls due on", choices=DAYS, coerce=int, help_text="Days 29 to 31 are not in every month."
    )
    from_period = forms.IntegerField(widget=forms.HiddenInput, min_value=0)
    field_order = ["due_day", "agrees", "signer"]


class ProtectionForm(SignedForm):
    """Protection from a period on; the price is what the family was shown."""

    price = forms.DecimalField(widget=forms.HiddenInput, required=False)
    from_period = forms.IntegerField(widget=forms.HiddenInput, min_value=0)


class SchoolForm(ActForm):
    """The student's school from now on."""

    programme = forms.ModelChoiceField(
        label="School and programme",
        queryset=Programme.objects.none(),
        required=False,
        empty_label="None, or not known",
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        programmes = Programme.objects.filter(school__is_active=True).select_related("school")
        self.fields["programme"].queryset = programmes  # type: ignore[attr-defined]
        self.initial.setdefault("programme", self.agreement.student.programme_id)


class SharesForm(SignedForm):
    """How guardians share the cost, in whole per cent, from a day on. The button "end" takes the arrangement away."""

    from_on = DayField(label="From", help_text="What falls due from this day on is shared so.")

    def __init__(self, *args: Any, today: date, **options: Any) -> None:
        super().__init__(*args, **options)
        self.today = today
        self.initial.setdefault("from_on", today)
        self.guardians = list(Guardian.objects.filter(household=self.agreement.household_id).order_by("-is_primary", "pk"))
        now = {share.guardian_id: share.weight for share in list_shares(self.agreement)}
        for guardian in self.guardians:
            name = f"share_{guardian.pk}"
            self.fields[name] = WholeNumberField(label=f"{guardian}, per cent", required=False, min_value=0, max_value=WHOLE)
            self.fields[name].widget.attrs["class"] = "w-short"
            self.initial.setdefault(name, now.get(guardian.pk))
        self.order_fields([*(f"share_{guardian.pk}" for guardian in self.guardians), "from_on", "agrees", "signer"])

    @property
    def ends(self) -> bool:
        """Whether the arrangement is to end, by the button that was pressed."""
        return "end" in self.data

    def clean_from_on(self) -> date:
        """Refuse a day that is past."""
        day: date = self.cleaned_data["from_on"]
        if day < self.today:
            raise forms.ValidationError(f"Write {written(self.today)} or a later day: what fell due before stays as it was.")
        return day

    def clean(self) -> dict[str, Any]:
        """Gather the shares; two guardians or more make up the whole."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        given = [(guardian, cleaned.get(f"share_{guardian.pk}") or 0) for guardian in self.guardians]
        shares = tuple((guardian, weight) for guardian, weight in given if weight)
        total = sum(weight for _, weight in shares)
        if self.ends:
            shares = ()
        elif len(shares) < 2:
            self.add_error(None, "Write the shares of two guardians or more. One guardian alone pays all of it anyway.")
        elif total != WHOLE:
            self.add_error(None, f"The shares make {total} per cent together. They must make {WHOLE}.")
        cleaned["shares"] = shares
        return cleaned


class TakeoverForm(SignedForm):
    """The new guardian signs what was shown."""

    shown = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, guardian: Guardian, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["signer"].label = f"{guardian} types the full name to sign"
        self.fields["agrees"].label = f"{guardian} has read this and agrees."


class ReasonForm(ActForm):
    """Why; written for those who look at the agreement later."""

    reason = forms.CharField(
        label="Why",
        max_length=200,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Everybody who looks at the agreement reads this.",
        error_messages={
            "required": "Write why, in a few words.",
            "max_length": "Say it in 200 letters or fewer.",
        },
    )


class LiftForm(ActForm):
    """What happens to the months that were not billed meanwhile."""

    months = forms.ChoiceField(
        label="The months that were not billed meanwhile",
        choices=[("later", "Bill them"), ("forgiven", "Forgive them")],
        widget=ChoiceCards(
            notes={
                "later": "The next billing run bills them, each due on its own day.",
                "forgiven": "They are never billed. This cannot be taken back.",
            }
        ),
        error_messages={"required": "Choose whether they are billed or forgiven."},
    )

    def __init__(self, *args: Any, is_any_skipped: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        if not is_any_skipped:
            self.fields["months"].required = False
            self.fields["months"].widget = forms.HiddenInput()


class VoidForm(ReasonForm):
    """Where the instrument goes, and why the agreement should not have been signed."""

    location = forms.ModelChoiceField(
        label="The instrument goes back to the shelf at",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop where it stands."},
    )
    field_order = ["reason", "location"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if promises.is_waiting(self.agreement):
            del self.fields["location"]
