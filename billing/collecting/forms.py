"""What people type about families that owe, cleaned into typed values. Nothing here writes."""

import datetime
import uuid
from decimal import Decimal
from typing import Any, ClassVar

from django import forms

from billing.collecting import arrangements, parts, writing_off
from billing.collecting.rules import DEFAULT_GRACE_DAYS, StepWanted
from billing.collecting.writing_off import Seen
from billing.models import CallNote, OverdueStep
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, OfficeForm, WholeNumberField

TONE, Wording = OverdueStep.TONE, OverdueStep.Wording
WHAT = [
    ("", "No step"),
    *[(f"mail-{each.value}", f"{TONE[each.value]} mail") for each in Wording],
    *[(f"letter-{each.value}", f"{TONE[each.value]} letter on paper") for each in Wording],
    ("call", "Put on the call list"),
    ("recall", "Propose a recall to the manager"),
]


class StepForm(OfficeForm):
    """One step. Without a choice of what is done, the row is no step."""

    what = forms.ChoiceField(label="What is done", choices=WHAT, required=False)
    days = WholeNumberField(label="Days after the due date", required=False, min_value=1, max_value=365)
    days_to_answer = WholeNumberField(label="Days to answer", required=False, min_value=0, max_value=90)

    def clean(self) -> dict[str, Any]:
        """Ask for the days of a step that is one."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("what"):
            for name, words in (("days", "after how many days it falls due"), ("days_to_answer", "how long they have to answer")):
                if name not in self.errors and cleaned.get(name) is None:
                    self.add_error(name, f"Write {words}.")
        elif cleaned.get("days") is not None and "what" not in self.errors:
            self.add_error("what", f"Choose what is done after {cleaned['days']} days, or clear the days.")
        return cleaned

    def wanted(self, position: int) -> StepWanted | None:
        """Return the step that was typed, or None; a row that was left as it came, empty, cleans to nothing at all."""
        kind, _, wording = self.cleaned_data.get("what", "").partition("-")
        if not kind:
            return None
        given = self.cleaned_data
        return StepWanted(position, given["days"], kind, int(wording) if wording else None, given["days_to_answer"])


class GraceForm(OfficeForm):
    """What holds for all steps, and for which day the example is made."""

    grace_days = WholeNumberField(
        label="Days of grace after a promised day",
        min_value=0,
        max_value=30,
        initial=DEFAULT_GRACE_DAYS,
        help_text="A check in the mail still counts for so long; until then no step is taken.",
    )
    example_on = DayField(label="Example: a family that owes since", required=False)
    shown = forms.IntegerField(widget=forms.HiddenInput)


StepFormSet = forms.formset_factory(StepForm, extra=2, max_num=14, validate_max=True)


def initial_of(steps: list[OverdueStep]) -> list[dict[str, Any]]:
    """Return what stands in the rows of these steps."""
    return [
        {
            "what": f"{step.kind}-{step.wording}" if step.writes else step.kind,
            "days": step.days,
            "days_to_answer": step.days_to_answer,
        }
        for step in steps
    ]


class KeyedForm(OfficeForm):
    """A form whose request counts once."""

    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())


class CallForm(KeyedForm):
    """What is written down of a call."""

    outcome = forms.ChoiceField(label="How did it go?", choices=CallNote.Outcome.choices, widget=ChoiceCards)
    spoke_with = forms.CharField(label="Whom did you reach?", required=False, max_length=80)
    said = forms.CharField(
        label="What was said?",
        required=False,
        max_length=1000,
        widget=forms.Textarea,
        help_text="Facts only: the family may ask to read it.",
    )
    next_call_on = DayField(label="Next call on", required=False)

    def clean(self) -> dict[str, Any]:
        """Ask whom and what where somebody was reached."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("outcome") == CallNote.Outcome.REACHED:
            for name, words in (("spoke_with", "Write whom you reached."), ("said", "Write what was said.")):
                if name not in self.errors and not cleaned.get(name):
                    self.add_error(name, words)
        return cleaned


class ArrangementForm(KeyedForm):
    """Who of the family said it, and what the office saw as past due meanwhile."""

    promised_by = forms.CharField(label="Who promised it?", max_length=80)
    note = forms.CharField(label="Note", required=False, max_length=400)
    shown = forms.DecimalField(widget=forms.HiddenInput, max_digits=14, decimal_places=2)


class PromiseForm(ArrangementForm):
    """So much by such a day."""

    amount = MoneyField(label="Amount promised")
    by_on = DayField(label="Paid by which day?", error_messages={"required": "Write the day."})
    field_order = ("amount", "by_on", "promised_by", "note")

    def clean_amount(self) -> Any:
        """Refuse nothing."""
        if self.cleaned_data["amount"].amount <= 0:
            raise forms.ValidationError("A promise must be for more than zero.")
        return self.cleaned_data["amount"]

    def parts(self, owed: Decimal) -> tuple[tuple[datetime.date, Decimal], ...]:
        """Return the one part."""
        return ((self.cleaned_data["by_on"], self.cleaned_data["amount"].amount),)


class PlanForm(ArrangementForm):
    """All that is past due in installments. `previewed` says which installments were on the screen."""

    TERMS: ClassVar[tuple[str, ...]] = ("count", "first_on", "every", "shown")

    count = WholeNumberField(label="How many installments?", min_value=2, max_value=parts.MOST_PARTS)
    first_on = DayField(label="The first on")
    every = forms.ChoiceField(
        label="Then every", choices=[("week", "Week"), ("two_weeks", "Two weeks"), ("month", "Month")], initial="month"
    )
    previewed = forms.CharField(required=False, max_length=80, widget=forms.HiddenInput)
    field_order = ("count", "first_on", "every", "promised_by", "note")

    def __init__(self, *args: Any, today: datetime.date, **options: Any) -> None:
        super().__init__(*args, **options)
        self.today = today

    def parts(self, owed: Decimal) -> tuple[tuple[datetime.date, Decimal], ...]:
        """Part what is owed."""
        given = self.cleaned_data
        return arrangements.plan_parts(owed, count=given["count"], first_on=given["first_on"], every=given["every"])

    def clean_first_on(self) -> datetime.date:
        """Refuse a day gone by, and one too far ahead, before the installments are shown."""
        first_on: datetime.date = self.cleaned_data["first_on"]
        try:
            arrangements.check_first_day(first_on, today=self.today)
        except arrangements.DayDoesNotFitError as refused:
            raise forms.ValidationError(str(refused)) from None
        return first_on

    def clean(self) -> dict[str, Any]:
        """Refuse more installments than there are cents."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("count") and cleaned.get("shown") is not None and cleaned["shown"] * 100 < cleaned["count"]:
            self.add_error("count", "There are fewer cents than installments.")
        return cleaned

    def preview(self) -> tuple[tuple[datetime.date, Decimal], ...]:
        """Return the installments of what was typed so far, whoever promised it; none while a term is missing or wrong."""
        if not self.is_bound or any(name in self.errors for name in self.TERMS):
            return ()
        return self.parts(self.cleaned_data["shown"])

    @property
    def mark(self) -> str:
        """Name the installments of what was typed, so that the last step knows whether just these were on the screen."""
        return "|".join(str(self.cleaned_data[name]) for name in self.TERMS)


class WithdrawForm(OfficeForm):
    """Why an arrangement no longer holds."""

    why = forms.CharField(label="Why does it no longer hold?", max_length=200)


class WriteOffManyForm(KeyedForm):
    """Which debts are ticked, and the one reason. What was seen of each comes with the last step, as "h12:53.30"."""

    debts = forms.MultipleChoiceField(required=True, error_messages={"required": "Tick at least one debt."})
    reason = forms.CharField(
        label="Reason, for all that is ticked",
        max_length=150,
        help_text="One line for the auditor: Moved away, three letters and two calls without an answer.",
        error_messages={"required": "Write the reason."},
    )
    field_order = ("debts", "reason")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        sent = self.data.getlist("debts") if hasattr(self.data, "getlist") else []
        # What has left the list meanwhile is told by name later, not as an unknown choice.
        self.fields["debts"].choices = [(code, code) for code in sent if writing_off.CODE.fullmatch(code)]  # type: ignore[attr-defined]
        self.fields["debts"].error_messages["invalid_choice"] = "Something ticked is not of this list. Tick again."

    def clean_debts(self) -> list[str]:
        """Refuse more than can be looked through."""
        found: list[str] = self.cleaned_data["debts"]
        if len(found) > writing_off.MOST:
            raise forms.ValidationError(f"Tick at most {writing_off.MOST} at once: {len(found)} are ticked.")
        return found

    def seen(self, codes: tuple[str, ...]) -> list[Seen] | None:
        """Return the amounts that were on the screen, None unless there is one for every debt."""
        sent = self.data.getlist("seen") if hasattr(self.data, "getlist") else []
        given = dict(each.split(":", 1) for each in sent if each.count(":") == 1)
        try:
            found = [Seen(code, Decimal(given[code])) for code in codes]
        except (KeyError, ArithmeticError):
            return None
        return found if all(each.amount.is_finite() for each in found) else None
