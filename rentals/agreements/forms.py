"""What is asked about terms. Forms clean what was typed and never write."""

import datetime
from calendar import month_name
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from rentals.agreements.examples import Trying
from rentals.agreements.models import Plan, PlanVersion, Rate, TaxArea, TaxRate
from rentals.agreements.plan_words import GROUPS, LABELS
from rentals.agreements.plans import PlanTerms
from rentals.agreements.terms import RateLine
from rentals.agreements.wording import percent
from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.runtime.forms import DayField, MoneyField, OfficeForm, PostcodeField, WholeNumberField


class PercentField(forms.CharField):
    """A share written in per cent ("8.25", "8.25 %"); cleans to a fraction of at most `places` places."""

    def __init__(self, *, places: int = 4, below: Decimal | None = None, **options: Any) -> None:
        self.places, self.below = places, below
        options.setdefault("widget", forms.TextInput({"class": "w-short", "inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**options)

    def to_python(self, value: Any) -> Any:
        """Read what was typed; raise ValidationError with what to write instead."""
        text = str(super().to_python(value) or "").replace("%", "").replace(",", ".").strip()
        if not text:
            return ""
        try:
            share = Decimal(text) / 100
        except InvalidOperation:
            share = Decimal("NaN")
        if not share.is_finite() or not 0 <= share <= 1 or (self.below and share >= self.below):
            raise ValidationError("Write it in per cent, from 0 to 100, like 8.25.", code="invalid")
        if share != round(share, self.places):
            raise ValidationError(f"At most {self.places - 2} digits after the point.", code="places")
        return share

    def prepare_value(self, value: Any) -> Any:
        """Write a fraction in per cent; leave what was typed as it is."""
        return percent(value).removesuffix("%") if isinstance(value, Decimal) else value


class RateForm(OfficeForm):
    """A line of the rate card."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.all(), empty_label="Choose")
    tier = forms.ChoiceField(label="Model", choices=CatalogueItem.Tier.choices)
    plan = forms.ModelChoiceField(
        label="Plan",
        queryset=Plan.objects.order_by("name"),
        required=False,
        empty_label="Every plan",
        help_text="A price for one plan goes before a price for every plan.",
    )
    condition = forms.ChoiceField(
        label="Condition",
        choices=Rate.Condition.choices,
        help_text="An instrument graded new counts as new, any other as returned stock.",
    )
    monthly_rent = MoneyField(label="Rent a month", least=Decimal("0.01"), help_text="Before tax.")
    monthly_protection = MoneyField(label="Protection a month", help_text="Before tax.")
    intro_rent = MoneyField(
        label="Rent of the whole introductory period",
        required=False,
        least=Decimal("0.01"),
        help_text="For plans that begin with one, before tax. Empty: the monthly rent for each of its months.",
    )
    effective_from = DayField(label="From", help_text="Agreements signed before keep their price.")

    def line(self) -> RateLine:
        """Return the line as typed."""
        return RateLine(**self.cleaned_data)


class RateFilter(OfficeForm):
    """Which lines of the rate card to look at."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.all(), required=False, empty_label="All")
    tier = forms.ChoiceField(label="Model", choices=[("", "All"), *CatalogueItem.Tier.choices], required=False)
    plan = forms.ModelChoiceField(
        label="Plan",
        queryset=Plan.objects.order_by("name"),
        required=False,
        empty_label="All",
        help_text="And every plan's.",
    )
    condition = forms.ChoiceField(label="Condition", choices=[("", "All"), *Rate.Condition.choices[1:]], required=False)
    on = DayField(label="In force on", required=False)


class TaxRateForm(OfficeForm):
    """A rate of an area."""

    area = forms.ModelChoiceField(label="Tax area", queryset=TaxArea.objects.order_by("name"), empty_label="Choose")
    applies_to = forms.ChoiceField(label="On", choices=TaxRate.AppliesTo.choices)
    rate = PercentField(label="Rate", places=6, below=Decimal(1), help_text="In per cent, all authorities together.")
    effective_from = DayField(label="From")


class TaxAreaForm(OfficeForm):
    """A new tax area."""

    name = forms.CharField(label="Name of the area", max_length=80)


class PostalCodeForm(OfficeForm):
    """Which area a ZIP code lies in."""

    postal_code = PostcodeField(label="ZIP code")
    area = forms.ModelChoiceField(label="Tax area", queryset=TaxArea.objects.order_by("name"), empty_label="Choose")


class PlanForm(OfficeForm):
    """A new plan."""

    name = forms.CharField(label="Name of the plan", max_length=80)


class PlanVersionForm(OfficeForm):
    """The terms of the next version of a plan, in the groups of `plan_words`."""

    title = forms.CharField(label=LABELS["title"], max_length=120, help_text="As families read it.")
    terms = forms.CharField(
        label=LABELS["terms"],
        widget=forms.Textarea({"rows": "12"}),
        help_text="What the agreement does not say by itself; an empty line parts paragraphs.",
    )
    intro_months = WholeNumberField(
        label=LABELS["intro_months"],
        min_value=0,
        max_value=12,
        help_text="Billed together on the first day, at their own price in the rate card; 0 is none.",
    )
    due_day = WholeNumberField(
        label=LABELS["due_day"],
        required=False,
        min_value=1,
        max_value=28,
        help_text="1 to 28: rent falls due on that day of every month, and the days until the first are billed by their share. "
        "Empty: the day the rental began.",
    )
    grace_days = WholeNumberField(
        label=LABELS["grace_days"], min_value=0, max_value=60, help_text="Days after the due day before anything happens."
    )
    late_fee = MoneyField(
        label=LABELS["late_fee"],
        most=1000,
        help_text="0 is none. Once for an overdue charge, never again for it, and never interest.",
    )
    protection_required = forms.BooleanField(
        label="Every family must take protection under this plan",
        required=False,
        help_text="Unticked it is offered, and each family is asked.",
    )
    protection_covers = forms.CharField(
        label=LABELS["protection_covers"],
        required=False,
        widget=forms.Textarea({"rows": "3"}),
        help_text="One plain sentence: families and the workshop read it.",
    )
    deductible = MoneyField(
        label=LABELS["deductible"], help_text="What a family pays itself of a loss or repair that protection covers; 0 is none."
    )
    cleaning_worth = MoneyField(
        label=LABELS["cleaning_worth"], help_text="The yearly cleaning is the shop's gift: say what it is worth; 0 says nothing."
    )
    credit_share = PercentField(label=LABELS["credit_share"], help_text="In per cent of rent paid.")
    step_up_share = PercentField(label=LABELS["step_up_share"], help_text="When the family buys another, better instrument.")
    credit_cap = PercentField(
        label=LABELS["credit_cap"], help_text="100: rent alone leads to owning. Less: a rest is always left to pay."
    )
    early_purchase_discount = PercentField(
        label=LABELS["early_purchase_discount"], below=Decimal(1), help_text="In per cent; 0 is none."
    )
    credit_lives_months = WholeNumberField(
        label=LABELS["credit_lives_months"],
        min_value=0,
        max_value=120,
        help_text="A family that rents again within that time keeps its credit; 0 ends it with the return.",
    )
    part_month = forms.ChoiceField(label=LABELS["part_month"], choices=PlanVersion.PartMonth.choices, widget=forms.RadioSelect)
    minimum_term = forms.ChoiceField(
        label=LABELS["minimum_term"], choices=PlanVersion.MinimumTerm.choices, widget=forms.RadioSelect
    )
    school_year_ends = forms.TypedChoiceField(
        label=LABELS["school_year_ends"],
        choices=[(number, month_name[number]) for number in range(1, 13)],
        coerce=int,
        help_text="Its last day. Only counts with a minimum term.",
    )
    seen = forms.CharField(required=False, widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """Hold the settings against each other."""
        cleaned = super().clean() or {}
        deductible = cleaned.get("deductible")
        if not cleaned.get("protection_covers"):
            if cleaned.get("protection_required"):
                self.add_error("protection_covers", "Say what protection covers: under this plan every family must take it.")
            elif deductible and deductible.amount:
                self.add_error("protection_covers", "Say what protection covers: there is a deductible.")
        return cleaned

    def groups(self) -> list[dict[str, Any]]:
        """Return the fields in their groups, for the template."""
        return [{"group": group, "fields": [self[name] for name in group.names]} for group in GROUPS]

    def plan_terms(self) -> PlanTerms:
        """Return the terms as typed."""
        return PlanTerms(**{name: value for name, value in self.cleaned_data.items() if name != "seen"})


class ItemField(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A model of the catalogue, by its kind first."""

    def label_from_instance(self, obj: Any) -> str:
        """Name kind, model and tier."""
        return f"{obj.kind.name}: {obj} ({obj.get_tier_display().lower()})"


class ExampleForm(OfficeForm):
    """What a plan is tried with."""

    item = ItemField(
        label="Instrument",
        queryset=CatalogueItem.objects.filter(is_active=True).select_related("kind").order_by("kind__order", "-tier", "pk"),
        empty_label=None,
        error_messages={"required": "Choose an instrument for the example."},
    )
    condition = forms.ChoiceField(label="Condition", choices=Rate.Condition.choices[1:])
    starts_on = DayField(label="First day")
    protection = forms.BooleanField(label="With protection", required=False)

    def has_items(self) -> bool:
        """Whether there is anything to try it with."""
        return len(self.fields["item"].choices) > 0  # type: ignore[attr-defined]

    def trying(self, today: datetime.date) -> Trying:
        """Return what it is tried with; before anything was chosen the first instrument of the catalogue, from today."""
        if self.is_bound:
            return Trying(**self.cleaned_data)
        return Trying(self.fields["item"].queryset.first(), Rate.Condition.RETURNED, True, today)  # type: ignore[attr-defined]
