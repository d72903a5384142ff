"""What lowers a bill without being money: credit notes, adjustments that somebody decides on, and money paid back."""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.charges import Charge
from billing.models.ledger import JournalEntry, amount_field


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class CreditNote(models.Model):
    """So much less owed by a household, with its reason. Pays open lines as money does, but is not rent paid."""

    class Kind(models.TextChoices):
        ADJUSTMENT = "adjustment", "Adjustment"
        WRITE_OFF = "write_off", "Written off"

    number = models.CharField(max_length=12, unique=True)
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="credit_notes")
    agreement = models.ForeignKey("agreements.Agreement", on_delete=models.PROTECT, null=True, related_name="credit_notes")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    amount = amount_field()
    credited_on = models.DateField()
    reason = models.CharField(max_length=200)
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="credit_note")
    void_entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="voided_credit_note")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="credit_note_positive"),
            models.CheckConstraint(condition=~Q(reason=""), name="credit_note_has_a_reason"),
        ]
        indexes = [models.Index(fields=["household", "-credited_on"], name="credit_note_household")]

    def __str__(self) -> str:
        return self.number


@pghistory.track()
class Adjustment(models.Model):
    """A change to what a household owes that somebody asks for, and, above the office's limit, somebody else decides on."""

    class Direction(models.TextChoices):
        LESS = "less", "The family owes less"
        MORE = "more", "The family owes more"

    class State(models.TextChoices):
        ASKED = "asked", "Waiting for approval"
        GRANTED = "granted", "Granted"
        REFUSED = "refused", "Refused"

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="adjustments")
    agreement = models.ForeignKey("agreements.Agreement", on_delete=models.PROTECT, null=True, related_name="adjustments")
    direction = models.CharField(max_length=4, choices=Direction.choices)
    amount = amount_field()
    reason = models.CharField(max_length=200)
    state = models.CharField(max_length=7, choices=State.choices, default=State.ASKED)
    needs_approval = models.BooleanField()
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    decided_at = models.DateTimeField(null=True)
    decided_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    decision_note = models.CharField(max_length=200, blank=True)
    credit_note = models.OneToOneField(CreditNote, on_delete=models.PROTECT, null=True, related_name="adjustment")
    charge = models.OneToOneField(Charge, on_delete=models.PROTECT, null=True, related_name="adjustment")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="adjustment_positive"),
            models.CheckConstraint(condition=~Q(reason=""), name="adjustment_has_a_reason"),
            models.CheckConstraint(
                condition=Q(state="asked", decided_at=None, decided_by=None, credit_note=None, charge=None)
                | Q(state="refused", decided_at__isnull=False, decided_by__isnull=False, credit_note=None, charge=None)
                | Q(
                    state="granted",
                    direction="less",
                    decided_at__isnull=False,
                    decided_by__isnull=False,
                    credit_note__isnull=False,
                    charge=None,
                )
                | Q(
                    state="granted",
                    direction="more",
                    decided_at__isnull=False,
                    decided_by__isnull=False,
                    credit_note=None,
                    charge__isnull=False,
                ),
                name="adjustment_made_when_granted",
            ),
            models.CheckConstraint(
                condition=Q(needs_approval=False) | ~Q(state="granted") | ~Q(decided_by=F("asked_by")),
                name="adjustment_decided_by_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_direction_display()}: {self.amount}"


class Refund(models.Model):
    """Money a household had on account, paid back: how, and by which check."""

    class Method(models.TextChoices):
        CASH = "cash", "Cash"
        CHEQUE = "cheque", "Check"
        TRANSFER = "transfer", "Bank transfer"
        CARD = "card", "Card"

    charge = models.OneToOneField(Charge, on_delete=models.PROTECT, related_name="refund")
    method = models.CharField(max_length=10, choices=Method.choices)
    cheque_number = models.CharField(max_length=20, blank=True)
    reason = models.CharField(max_length=200)
    deposit = models.ForeignKey(
        "billing.Deposit",
        on_delete=models.PROTECT,
        null=True,
        related_name="refunds",
        help_text="Cash paid back out of what was on hand: the deposit that came to so much less.",
    )
    taking = models.ForeignKey(
        "billing.Taking",
        on_delete=models.PROTECT,
        null=True,
        related_name="refunds",
        help_text="Of cash: out of whose takings, of which day.",
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(method="cheque") | ~Q(cheque_number=""), name="refund_cheque_has_number"),
            models.CheckConstraint(condition=Q(deposit=None) | Q(method="cash"), name="refund_deposited_is_cash"),
        ]

    def __str__(self) -> str:
        return f"Refund {self.charge_id}"
