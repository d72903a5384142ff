"""What families owe: charges and their lines."""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.ledger import JournalEntry, amount_field
from billing.models.runs import BillingRun


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class Charge(models.Model):
    """One bill to one household: a period of rent, goods, a fee, an instrument bought or lost; or money paid back to it.

    A refund owes itself at once to money the household has on account; when that money later bounces, it is open like any bill.
    """

    class Kind(models.TextChoices):
        RENT = "rent", "Rent"
        SALE = "sale", "Goods"
        FEE = "fee", "Fee"
        PURCHASE = "purchase", "Purchase of an instrument"
        LOSS = "loss", "Lost or destroyed instrument"
        REFUND = "refund", "Refund"

    household = models.ForeignKey(
        "families.Household", on_delete=models.PROTECT, related_name="charges", db_index=False, db_constraint=False
    )
    agreement = models.ForeignKey(
        "agreements.Agreement", on_delete=models.PROTECT, null=True, related_name="charges", db_constraint=False
    )
    kind = models.CharField(max_length=8, choices=Kind.choices)
    period = models.PositiveSmallIntegerField(null=True, help_text="Months since the anchor; 0 is the first.")
    period_begins_on = models.DateField(null=True)
    period_ends_on = models.DateField(null=True, help_text="Exclusive.")
    due_on = models.DateField()
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="charge", db_constraint=False)
    void_entry = models.OneToOneField(
        JournalEntry, on_delete=models.PROTECT, null=True, related_name="voided_charge", db_constraint=False
    )
    run = models.ForeignKey(
        BillingRun, on_delete=models.PROTECT, null=True, related_name="charges", db_index=False, db_constraint=False
    )
    late_for = models.ForeignKey(
        "self",
        on_delete=models.PROTECT,
        null=True,
        related_name="late_fees",
        db_index=False,
        db_constraint=False,
        help_text="The overdue charge this fee is for.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["agreement", "period"],
                condition=Q(kind="rent", void_entry=None),
                name="rent_charge_once_per_period",
            ),
            models.CheckConstraint(
                condition=Q(kind="rent", agreement__isnull=False, period__isnull=False, period_ends_on__gt=F("period_begins_on"))
                | (~Q(kind="rent") & Q(period=None, period_begins_on=None, period_ends_on=None)),
                name="rent_charge_has_its_period",
            ),
            models.UniqueConstraint(
                fields=["late_for"], condition=Q(void_entry=None, late_for__isnull=False), name="late_fee_once_per_charge"
            ),
            models.CheckConstraint(condition=Q(late_for=None) | Q(kind="fee"), name="late_fee_is_a_fee"),
        ]
        # Every index costs each bill of the monthly run: one is here only where a screen or the run looks things up by it.
        indexes = [
            models.Index(fields=["household", "due_on"], name="charge_household_due"),
            models.Index(
                fields=["period_ends_on", "agreement"], condition=Q(kind="rent", void_entry=None), name="rent_charge_covers"
            ),
            models.Index(
                fields=["agreement", "period"], condition=Q(kind="rent", void_entry__isnull=False), name="rent_charge_voided"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} due {self.due_on}"


class ChargeLine(models.Model):
    """One line of a bill; tax stands on its own line after the line it taxes. Lines are never changed."""

    class Kind(models.TextChoices):
        RENT = "rent", "Rent"
        PROTECTION = "protection", "Protection"
        GOODS = "goods", "Goods"
        FEE = "fee", "Fee"
        INSTRUMENT = "instrument", "Instrument"
        LOSS = "loss", "Lost or destroyed instrument"
        REFUND = "refund", "Refund"

    charge = models.ForeignKey(Charge, on_delete=models.PROTECT, related_name="lines", db_index=False, db_constraint=False)
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=10, choices=Kind.choices)
    is_tax = models.BooleanField(default=False)
    description = models.CharField(max_length=160)
    tax_rate = models.DecimalField(max_digits=7, decimal_places=6, null=True)
    amount = amount_field()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["charge", "position"], name="charge_line_position_once"),
            models.CheckConstraint(condition=Q(amount__gte=0), name="charge_line_not_negative"),
            models.CheckConstraint(
                condition=Q(is_tax=False, tax_rate=None) | Q(is_tax=True, tax_rate__isnull=False),
                name="charge_tax_line_has_rate",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.description} {self.amount}"
