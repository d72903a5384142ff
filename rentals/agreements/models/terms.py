"""Terms the shop offers: tax areas and rates, the rate card, plans and their versions. A published version never changes."""

from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import Q

from rentals.inventory.models import CatalogueItem
from rentals.runtime.money import price_field


@pghistory.track()
class TaxArea(models.Model):
    """A taxing jurisdiction, chosen by the postal code of the place where the instrument is received."""

    code = models.SlugField(max_length=20, primary_key=True)
    name = models.CharField(max_length=80)

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class TaxAreaPostalCode(models.Model):
    """A postal code that lies in a tax area. Codes can straddle areas: the shop's tax adviser decides."""

    postal_code = models.CharField(max_length=5, primary_key=True)
    area = models.ForeignKey(TaxArea, on_delete=models.PROTECT, related_name="postal_codes")

    def __str__(self) -> str:
        return self.postal_code


@pghistory.track()
class TaxRate(models.Model):
    """The combined rate of an area on one sort of line, from a date until the next row takes over."""

    class AppliesTo(models.TextChoices):
        RENT = "rent", "Rent"
        PROTECTION = "protection", "Protection"
        GOODS = "goods", "Goods"

    area = models.ForeignKey(TaxArea, on_delete=models.PROTECT, related_name="rates")
    applies_to = models.CharField(max_length=10, choices=AppliesTo.choices)
    rate = models.DecimalField(max_digits=7, decimal_places=6, help_text="As a fraction: 0.0825 is 8.25 %.")
    effective_from = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["area", "applies_to", "effective_from"], name="tax_rate_once_per_date"),
            models.CheckConstraint(condition=Q(rate__gte=0, rate__lt=1), name="tax_rate_is_a_fraction"),
        ]

    def __str__(self) -> str:
        return f"{self.area_id} {self.applies_to} {self.rate}"


@pghistory.track()
class Plan(models.Model):
    """A way to rent that the shop offers; its terms stand in its versions."""

    code = models.SlugField(max_length=20, primary_key=True)
    name = models.CharField(max_length=80)
    is_offered = models.BooleanField(default=True)

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class PlanVersion(models.Model):
    """The terms of a plan: a draft until it is published on a day, then never changed, only followed by another version."""

    class PartMonth(models.TextChoices):
        NONE = "none", "The month begun is not given back"
        DAYS = "days", "Given back by the day"

    class MinimumTerm(models.TextChoices):
        NONE = "none", "None: it may end on any day"
        SCHOOL_YEAR = "school_year", "To the end of the school year"

    plan = models.ForeignKey(Plan, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    title = models.CharField(max_length=120)
    terms = models.TextField(help_text="The text the family signs. The shop's lawyer approves it.")
    credit_share = models.DecimalField(
        max_digits=5, decimal_places=4, default=1, help_text="Share of rent paid that counts toward this instrument."
    )
    step_up_share = models.DecimalField(
        max_digits=5, decimal_places=4, default=1, help_text="Share of rent paid that counts toward a better one."
    )
    credit_cap = models.DecimalField(
        max_digits=5, decimal_places=4, default=1, help_text="Share of the purchase price that credit may cover at most."
    )
    early_purchase_discount = models.DecimalField(max_digits=5, decimal_places=4, default=0)
    credit_lives_months = models.PositiveSmallIntegerField(
        default=0, help_text="Months after a return in which the credit can still be taken up; 0 ends it with the return."
    )
    intro_months = models.PositiveSmallIntegerField(
        default=0, help_text="Months of the introductory period, billed at once; 0 is none."
    )
    due_day = models.PositiveSmallIntegerField(
        null=True, help_text="The day of the month that rent falls due, 1 to 28; empty: the day it began."
    )
    grace_days = models.PositiveSmallIntegerField(default=10)
    late_fee = price_field(default=0)
    protection_required = models.BooleanField(default=False)
    protection_covers = models.TextField(blank=True)
    deductible = price_field(default=0)
    cleaning_worth = price_field(default=0)
    part_month = models.CharField(max_length=4, choices=PartMonth.choices, default=PartMonth.NONE)
    minimum_term = models.CharField(max_length=11, choices=MinimumTerm.choices, default=MinimumTerm.NONE)
    school_year_ends = models.PositiveSmallIntegerField(default=5, help_text="The month on whose last day a school year ends.")
    published_at = models.DateTimeField(null=True)

    objects: ClassVar[models.Manager["PlanVersion"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "number"], name="plan_version_number_once"),
            models.UniqueConstraint(fields=["plan"], condition=Q(published_at=None), name="plan_has_one_draft"),
            models.CheckConstraint(
                condition=Q(credit_share__gte=0, credit_share__lte=1, step_up_share__gte=0, step_up_share__lte=1),
                name="plan_credit_shares_are_shares",
            ),
            models.CheckConstraint(condition=Q(credit_cap__gte=0, credit_cap__lte=1), name="plan_credit_cap_is_a_share"),
            models.CheckConstraint(
                condition=Q(early_purchase_discount__gte=0, early_purchase_discount__lt=1),
                name="plan_discount_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(late_fee__gte=0, deductible__gte=0, cleaning_worth__gte=0), name="plan_amounts_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(due_day=None) | Q(due_day__gte=1, due_day__lte=28), name="plan_due_day_in_every_month"
            ),
            models.CheckConstraint(condition=Q(intro_months__lte=12), name="plan_intro_within_a_year"),
            models.CheckConstraint(condition=Q(school_year_ends__gte=1, school_year_ends__lte=12), name="plan_school_year_month"),
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.number})"


@pghistory.track()
class Rate(models.Model):
    """One line of the rate card: what a kind and tier costs a month, from a date until the next row like it takes over.

    A line of one plan or one condition goes before a line of any.
    """

    class Condition(models.TextChoices):
        ANY = "any", "New or returned"
        NEW = "new", "New"
        RETURNED = "returned", "Returned stock"

    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="rates")
    tier = models.CharField(max_length=12, choices=CatalogueItem.Tier.choices)
    plan = models.ForeignKey(
        Plan, on_delete=models.PROTECT, null=True, blank=True, related_name="rates", help_text="Empty: every plan."
    )
    condition = models.CharField(max_length=8, choices=Condition.choices, default=Condition.ANY)
    monthly_rent = price_field()
    monthly_protection = price_field()
    intro_rent = price_field(
        null=True, blank=True, help_text="Rent of the whole introductory period; empty: the monthly rent for each of its months."
    )
    effective_from = models.DateField()

    objects: ClassVar[models.Manager["Rate"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "tier", "plan", "condition", "effective_from"], nulls_distinct=False, name="rate_once_per_date"
            ),
            models.CheckConstraint(condition=Q(monthly_rent__gt=0, monthly_protection__gte=0), name="rate_is_positive"),
            models.CheckConstraint(condition=Q(intro_rent=None) | Q(intro_rent__gte=0), name="rate_intro_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id} {self.tier} {self.monthly_rent}"
