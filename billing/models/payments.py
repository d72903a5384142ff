"""What families paid: payments, what each paid for, payments that came back, and deposits taken to the bank."""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.charges import ChargeLine
from billing.models.credits import CreditNote
from billing.models.ledger import JournalEntry, amount_field
from billing.models.taking import Taking


class Deposit(models.Model):
    """Payments that reach the bank together, as one line of its statement: a slip, a payout of cards, a file of debits."""

    class Kind(models.TextChoices):
        COUNTER = "counter", "Deposit"
        CARDS = "cards", "Card payout"
        DEBITS = "debits", "Bank debits"

    number = models.CharField(max_length=12, unique=True)
    kind = models.CharField(max_length=7, choices=Kind.choices, default=Kind.COUNTER)
    deposited_on = models.DateField()
    amount = amount_field(help_text="What the bank gets: the payments, less cash paid back, less the fee.")
    fee = amount_field(default=0, db_default=0, help_text="What the card processor kept.")
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="deposit")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="deposit_positive"),
            models.CheckConstraint(condition=Q(fee=0) | Q(fee__gt=0, kind="cards"), name="deposit_fee_of_cards"),
        ]

    def __str__(self) -> str:
        return self.number


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class Payment(models.Model):
    """Money a household gave. What it paid for stands in allocations; that it came back, in its return."""

    class Method(models.TextChoices):
        CASH = "cash", "Cash"
        CHEQUE = "cheque", "Check"
        CARD = "card", "Card"
        DEBIT = "debit", "Bank debit"
        TRANSFER = "transfer", "Bank transfer"

    number = models.CharField(max_length=12, unique=True)
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="payments")
    method = models.CharField(max_length=10, choices=Method.choices)
    cheque_number = models.CharField(max_length=20, blank=True)
    amount = amount_field()
    received_on = models.DateField()
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="payment")
    deposit = models.ForeignKey(Deposit, on_delete=models.PROTECT, null=True, related_name="payments")
    paid_by = models.ForeignKey(
        "families.Guardian",
        on_delete=models.PROTECT,
        null=True,
        related_name="payments",
        help_text="Where two guardians share: who.",
    )
    taking = models.ForeignKey(
        Taking,
        on_delete=models.PROTECT,
        null=True,
        related_name="payments",
        help_text="Of cash and checks: whose takings, of which day. Null before takings were kept.",
    )
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="payment_positive"),
            models.CheckConstraint(condition=~Q(method="cheque") | ~Q(cheque_number=""), name="payment_cheque_has_number"),
        ]
        indexes = [
            models.Index(fields=["household", "-received_on"], name="payment_household"),
            models.Index(fields=["received_on"], condition=Q(deposit=None), name="payment_not_deposited"),
        ]

    def __str__(self) -> str:
        return self.number


class PaymentReturn(models.Model):
    """A payment the bank sent back, a mistake voided, or a debit whose file the bank refused: it was never made.

    It takes its allocations, and so its rental credit, with it.

    One that is undone stays, with who and when. From then on it hangs on its payment by `undone_payment` instead of `payment`, so
    that nothing which asks whether a payment came back ever meets it.
    """

    class Kind(models.TextChoices):
        BANK = "bank", "Returned"
        MISTAKE = "mistake", "Void"
        FILE = "file", "Never debited"

    kind = models.CharField(max_length=7, choices=Kind.choices, default=Kind.BANK, db_default="bank")
    payment = models.OneToOneField(
        Payment, on_delete=models.PROTECT, null=True, related_name="payment_return", help_text="While the return stands."
    )
    returned_on = models.DateField()
    reason = models.CharField(max_length=120)
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="payment_return")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_payment = models.ForeignKey(
        Payment, on_delete=models.PROTECT, null=True, related_name="undone_returns", help_text="Once the return is undone."
    )
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    undo_entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="undone_return")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(payment__isnull=False, undone_payment=None, undone_at=None, undone_by=None, undo_entry=None)
                | Q(
                    payment=None,
                    undone_payment__isnull=False,
                    undone_at__isnull=False,
                    undone_by__isnull=False,
                    undo_entry__isnull=False,
                ),
                name="payment_return_stands_or_is_undone",
            )
        ]

    def __str__(self) -> str:
        return f"{self.of} returned {self.returned_on}"

    @property
    def of(self) -> Payment:
        """The payment that came back, whether the return stands or was undone."""
        found = self.payment or self.undone_payment
        assert found is not None, "the database lets no return be without its payment"
        return found


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class Allocation(models.Model):
    """So much of a payment, or of a credit note, paid so much of a charge line, until it was released."""

    payment = models.ForeignKey(Payment, on_delete=models.PROTECT, null=True, related_name="allocations")
    credit_note = models.ForeignKey(CreditNote, on_delete=models.PROTECT, null=True, related_name="allocations")
    line = models.ForeignKey(ChargeLine, on_delete=models.PROTECT, related_name="allocations")
    amount = amount_field()
    made_at = models.DateTimeField()
    released_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="allocation_positive"),
            models.CheckConstraint(
                condition=Q(payment__isnull=False, credit_note=None) | Q(payment=None, credit_note__isnull=False),
                name="allocation_of_one_source",
            ),
            models.UniqueConstraint(fields=["payment", "line"], condition=Q(released_at=None), name="allocation_once_in_force"),
            models.UniqueConstraint(
                fields=["credit_note", "line"], condition=Q(released_at=None), name="allocation_of_credit_once_in_force"
            ),
            models.CheckConstraint(
                condition=Q(released_at=None) | Q(released_at__gte=F("made_at")), name="allocation_released_later"
            ),
        ]
        indexes = [models.Index(fields=["line"], condition=Q(released_at=None), name="allocation_line_in_force")]

    def __str__(self) -> str:
        return f"{self.payment_id or self.credit_note_id} to {self.line_id}: {self.amount}"
