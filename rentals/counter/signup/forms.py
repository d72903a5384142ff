"""What the sign-up asks. Forms clean what was typed and never write."""

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.functional import cached_property

from rentals.agreements.models import Agreement
from rentals.counter.signup.sheet import NEW, Known, Panel, plan_words, read_arm
from rentals.families.forms import GRADES, NameField
from rentals.inventory.models import CatalogueItem
from rentals.runtime.forms import ChoiceCards, CodeField, MoneyField, OfficeForm, StrokesField, WholeNumberField
from rentals.runtime.templatetags.office import money


class ArmField(forms.CharField):
    """An arm's length in inches, kept as typed."""

    def clean(self, value: Any) -> str:
        """Refuse what is no length of an arm."""
        text = str(super().clean(value) or "")
        length = read_arm(text)
        if text and (length is None or not 8 <= length <= 40):
            raise ValidationError("Write the arm in inches, between 8 and 40, like 21 or 21 1/2.", code="invalid")
        return text


class SheetForm(OfficeForm):
    """The one sheet: student, instrument, the school's list, protection, unit. Built for what is known and picked so far."""

    student = forms.ChoiceField(label="Student", error_messages={"required": "Choose the student, or a new one."})
    given_name = NameField(what="student's first name", label="First name", required=False)
    family_name = NameField(what="student's last name", label="Last name", required=False)
    grade = forms.ChoiceField(label="School year", choices=GRADES, required=False)
    programme = forms.ChoiceField(label="School and programme", required=False)
    kind = forms.ChoiceField(label="Instrument", error_messages={"required": "Choose the instrument."})
    arm = ArmField(
        label="Arm length",
        required=False,
        help_text="In inches, from the neck to the middle of the palm.",
        widget=forms.TextInput({"inputmode": "decimal", "class": "w-short", "autocomplete": "off"}),
    )
    size = forms.ChoiceField(label="Size", error_messages={"required": "Choose the size."})
    tier = forms.ChoiceField(label="Model", widget=ChoiceCards, error_messages={"required": "Choose the model."})
    guardian = forms.ChoiceField(label="Who signs", error_messages={"required": "Choose the guardian who signs."})
    plan = forms.ChoiceField(label="Plan", widget=ChoiceCards, error_messages={"required": "Choose the plan."})
    protection = forms.ChoiceField(
        label="Protection", widget=ChoiceCards, error_messages={"required": "Ask the family whether it wants protection."}
    )
    received_at = forms.ChoiceField(
        label="Received",
        choices=Agreement.ReceivedAt.choices,
        widget=forms.RadioSelect,
        initial=Agreement.ReceivedAt.COUNTER,
        help_text="Where the family receives the instrument decides the tax.",
    )
    tag = CodeField(
        label="Asset tag",
        help_text="Scan the label, or type it.",
        error_messages={"required": "Scan or type the instrument's asset tag."},
        widget=forms.TextInput({"class": "w-code", "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}),
    )
    goods_for = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, known: Known, panel: Panel, **kwargs: Any) -> None:
        self.known, self.panel = known, panel
        super().__init__(*args, **kwargs)
        self._offer("student", [*((each.pk, each) for each in known.students), (NEW, "A new student")], forms.RadioSelect())
        self._offer("programme", [("", "None, or not known"), *((each.pk, each) for each in known.programmes)])
        self._offer("kind", [("", "Choose"), *((kind.pk, kind.name) for kind in known.kinds)])
        self._offer("size", [("", "Choose"), *((size, size) for size in panel.sizes)])
        self._offer("guardian", [(each.pk, each) for each in known.guardians], forms.RadioSelect())
        tiers = [pair for pair in CatalogueItem.Tier.choices if not panel.rents or pair[0] in panel.rents]
        self._offer("tier", tiers, ChoiceCards(asides=self._rents()))
        plans = {str(version.pk): plan_words(version) for version in known.versions}
        self._offer("plan", [(version.pk, version.title) for version in known.versions], ChoiceCards(notes=plans))
        self._offer_protection()
        for row in panel.goods:
            name = row.product.pk
            self.fields[f"goods_{name}"] = forms.BooleanField(label=row.product.name, required=False)
            self.fields[f"quantity_{name}"] = WholeNumberField(
                label=f"How many: {row.product.name}", required=False, min_value=1, max_value=20
            )
        for name in ("given_name", "family_name"):
            self.fields[name].required = panel.picked.is_new
        if len(known.guardians) < 2:
            del self.fields["guardian"]
        if len(known.versions) < 2:
            del self.fields["plan"]
        if not panel.sizes:
            del self.fields["arm"], self.fields["size"]

    def _offer(self, name: str, choices: list[Any], widget: forms.Widget | None = None) -> None:
        field = self.fields[name]
        if widget is not None:
            field.widget = widget
        field.choices = [(str(value), str(label)) for value, label in choices]  # type: ignore[attr-defined]

    def _rents(self) -> dict[str, str]:
        return {tier: f"{'from ' if len(rents) > 1 else ''}{money(rents[0])} a month" for tier, rents in self.panel.rents.items()}

    def _offer_protection(self) -> None:
        """Ask for it, or say that the plan asks for it: then there is nothing to choose."""
        quote, version = self.panel.quote, self.panel.picked.version
        covers = (version.protection_covers if version else "") or "Repairs of damage in normal playing."
        asides = {"yes": f"{money(quote.protection_offered)} a month"} if quote else {}
        if version and version.protection_required:
            notes = {"yes": f"“{version.title}” requires protection. {covers}"}
            self._offer("protection", [("yes", "With protection")], ChoiceCards(notes=notes, asides=asides))
            self.fields["protection"].disabled = True
            self.initial = {**self.initial, "protection": "yes"}
            return
        notes = {
            "yes": covers,
            "no": "Repairs of damage are the family's to pay; normal wear and the annual cleaning never are.",
        }
        self._offer("protection", [("yes", "With protection"), ("no", "Without")], ChoiceCards(notes=notes, asides=asides))

    def clean(self) -> dict[str, Any]:
        """Hold the answers against each other and against what is on the shelf."""
        cleaned = super().clean() or {}
        if self.panel.goods and not self.panel.goods_seen:
            self.add_error(None, "The school's list for this instrument is shown now: look through it, then go on.")
        for row in self.panel.goods:
            name = f"quantity_{row.product.pk}"
            if row.ticked and not cleaned.get(name) and name not in self.errors:
                self.add_error(name, f"Write how many of “{row.product.name}”, 1 to 20.")
        verdict = self.panel.verdict
        if verdict and not verdict.good and "tag" not in self.errors:
            self.add_error("tag", verdict.text)
        if not self.panel.quote and self.panel.unit:
            self.add_error(None, self.panel.no_quote)
        return cleaned

    @cached_property
    def goods_fields(self) -> list[dict[str, Any]]:
        """The school's list for the template: row, tick and quantity together."""
        return [
            {"row": row, "tick": self[f"goods_{row.product.pk}"], "quantity": self[f"quantity_{row.product.pk}"]}
            for row in self.panel.goods
        ]


class SigningForm(OfficeForm):
    """Signature, consent and the first payment."""

    signer_name = NameField(
        what="name of the guardian who signs",
        longest=120,
        label="Type the full name to sign",
        required=False,
        help_text="Typing the name is a signature. Drawing it below works too.",
    )
    strokes = StrokesField()
    consent = forms.BooleanField(
        label="The guardian has read this and agrees.",
        error_messages={"required": "Tick that the guardian agrees to electronic records, or use the paper form."},
    )
    method = forms.ChoiceField(
        label="Paid by",
        choices=[("cash", "Cash"), ("cheque", "Check")],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose how the family pays."},
    )
    cheque_number = forms.CharField(
        label="Check number",
        required=False,
        max_length=20,
        widget=forms.TextInput({"class": "w-code", "inputmode": "numeric", "autocomplete": "off"}),
    )
    amount = MoneyField(label="Amount received", error_messages={"required": "Write the amount received."})
    shown = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, due_today: Decimal, may_defer: bool, guardian: str, **kwargs: Any) -> None:
        self.due_today, self.may_defer, self.guardian = due_today, may_defer, guardian
        super().__init__(*args, **kwargs)
        if may_defer:
            self.fields["amount"].help_text = "A manager may take less than what is due today."

    def clean(self) -> dict[str, Any]:
        """Ask for a signature of one kind or the other, a check's number, and at least what is due."""
        cleaned = super().clean() or {}
        if not cleaned.get("signer_name") and not cleaned.get("strokes") and not {"signer_name", "strokes"} & set(self.errors):
            self.add_error("signer_name", "Let the guardian sign: type the full name, or draw it.")
        if cleaned.get("method") == "cheque" and not cleaned.get("cheque_number"):
            self.add_error("cheque_number", "Write the check's number: it is printed at its top right.")
        amount = cleaned.get("amount")
        if amount is not None and amount.amount < self.due_today and not self.may_defer:
            self.add_error("amount", f"At least {money(self.due_today)} is due today. A manager can agree to less.")
        return cleaned
