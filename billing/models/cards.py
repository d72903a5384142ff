"""Card payments as a processor tells them: attempts, its events, refunds, payouts. No card number ever stands here."""

import pghistory
from django.db import models
from django.db.models import Q

from billing.models.credits import Refund
from billing.models.ledger import amount_field
from billing.models.payments import Deposit, Payment, PaymentReturn


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class CardAttempt(models.Model):
    """One try to pay by card on the processor's own page. Its key goes with every question, so that it is charged once."""

    class State(models.TextChoices):
        STARTED = "started", "Waiting for the family"
        UNKNOWN = "unknown", "Not known yet"
        SUCCEEDED = "succeeded", "Paid"
        FAILED = "failed", "Failed"
        EXPIRED = "expired", "Not used"

    key = models.UUIDField(unique=True)
    processor = models.CharField(max_length=10)
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="card_attempts")
    paid_by = models.ForeignKey("families.Guardian", on_delete=models.PROTECT, null=True, related_name="+")
    amount = amount_field()
    lines = models.JSONField(
        default=list,
        db_default=models.Value([], models.JSONField()),
        help_text="What the page lists: words and amount of each line, the amount in all.",
    )
    state = models.CharField(max_length=9, choices=State.choices, default=State.STARTED)
    session = models.CharField(max_length=255, blank=True, help_text="The processor's name of its page.")
    charge = models.CharField(max_length=255, blank=True, help_text="The processor's name of the payment.")
    page_url = models.TextField(blank=True, help_text="Where the family pays, while it can.")
    return_url = models.TextField(help_text="Where the processor's page sends the family back to.")
    note = models.CharField(max_length=200, blank=True, help_text="What the processor said last.")
    started_at = models.DateTimeField()
    started_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField(null=True, help_text="When the processor was asked last.")
    ended_at = models.DateTimeField(null=True)
    payment = models.OneToOneField(Payment, on_delete=models.PROTECT, null=True, related_name="card_attempt")
    look_why = models.CharField(max_length=200, blank=True, help_text="Why a person has to look at it.")
    seen_at = models.DateTimeField(null=True)
    seen_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    OPEN = (State.STARTED, State.UNKNOWN)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="card_attempt_positive"),
            models.CheckConstraint(
                condition=Q(state="succeeded", payment__isnull=False) | (~Q(state="succeeded") & Q(payment=None)),
                name="card_attempt_paid_has_payment",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["started", "unknown"], ended_at=None)
                | Q(state__in=["succeeded", "failed", "expired"], ended_at__isnull=False),
                name="card_attempt_ended_when_it_has_an_end",
            ),
            models.UniqueConstraint(
                fields=["household"], condition=Q(state__in=["started", "unknown"]), name="card_attempt_one_at_a_time"
            ),
            models.UniqueConstraint(fields=["processor", "session"], condition=~Q(session=""), name="card_attempt_session_once"),
            models.UniqueConstraint(fields=["processor", "charge"], condition=~Q(charge=""), name="card_attempt_charge_once"),
            models.CheckConstraint(
                condition=Q(seen_at=None, seen_by=None) | Q(seen_at__isnull=False, seen_by__isnull=False),
                name="card_attempt_seen_by_somebody",
            ),
        ]
        indexes = [models.Index(fields=["-started_at"], name="card_attempt_latest")]

    def __str__(self) -> str:
        return f"{self.key} {self.state}"


class CardEvent(models.Model):
    """What a processor told us by itself, once by its own id. Of its message only what is named here is kept."""

    class Kind(models.TextChoices):
        PAID = "paid", "Paid"
        DECLINED = "declined", "Declined"
        FAILED = "failed", "Failed"
        EXPIRED = "expired", "Page expired"
        DISPUTED = "disputed", "Disputed"
        DISPUTE_WON = "dispute_won", "Dispute decided for us"
        REFUNDED = "refunded", "Refunded"
        REFUND_FAILED = "refund_failed", "Refund failed"
        PAYOUT = "payout", "Payout"
        OTHER = "other", "Other"

    processor = models.CharField(max_length=10)
    event_id = models.CharField(max_length=255)
    kind = models.CharField(max_length=13, choices=Kind.choices)
    attempt_key = models.UUIDField(null=True)
    session = models.CharField(max_length=255, blank=True)
    charge = models.CharField(max_length=255, blank=True)
    reference = models.CharField(max_length=255, blank=True, help_text="Of a refund, a dispute or a payout.")
    amount = amount_field(null=True)
    note = models.CharField(max_length=200, blank=True)
    happened_at = models.DateTimeField()
    received_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["processor", "event_id"], name="card_event_once")]
        indexes = [
            models.Index(fields=["attempt_key"], condition=Q(attempt_key__isnull=False), name="card_event_attempt"),
            models.Index(fields=["charge"], condition=~Q(charge=""), name="card_event_charge"),
        ]

    def __str__(self) -> str:
        return f"{self.event_id} {self.kind}"


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class CardRefund(models.Model):
    """A refund that goes back to the card: asked for under its own key until the processor has said yes or no."""

    class State(models.TextChoices):
        ASKED = "asked", "Asked for"
        DONE = "done", "Paid back"
        FAILED = "failed", "Failed"

    key = models.UUIDField(unique=True)
    attempt = models.ForeignKey(CardAttempt, on_delete=models.PROTECT, related_name="card_refunds")
    refund = models.OneToOneField(Refund, on_delete=models.PROTECT, related_name="card_refund")
    amount = amount_field()
    state = models.CharField(max_length=6, choices=State.choices, default=State.ASKED)
    reference = models.CharField(max_length=255, blank=True)
    note = models.CharField(max_length=200, blank=True)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="card_refund_positive"),
            models.CheckConstraint(
                condition=Q(state="asked", ended_at=None)
                | Q(state="failed", ended_at__isnull=False)
                | (Q(state="done", ended_at__isnull=False) & ~Q(reference="")),
                name="card_refund_ended_when_it_has_an_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.state}"


class CardPayout(models.Model):
    """Money the processor sent to the bank: one line of the bank's, net of its fees. Booked when it adds up, shown when not."""

    processor = models.CharField(max_length=10)
    reference = models.CharField(max_length=255)
    arrives_on = models.DateField()
    amount = amount_field(help_text="What the bank gets; below zero when more went back than came in.")
    fee = amount_field()
    lines = models.JSONField(help_text="What it is made of: kind, reference, amount and fee of each.")
    difference = amount_field(help_text="Its amount less what the books know of it, fees taken off.")
    problem = models.CharField(max_length=400, blank=True)
    deposit = models.OneToOneField(Deposit, on_delete=models.PROTECT, null=True, related_name="card_payout")
    read_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["processor", "reference"], name="card_payout_once"),
            models.CheckConstraint(
                condition=Q(deposit=None) | Q(deposit__isnull=False, difference=0, problem=""), name="card_payout_adds_up"
            ),
        ]
        indexes = [models.Index(fields=["-arrives_on"], name="card_payout_latest")]

    def __str__(self) -> str:
        return self.reference


class CardTakenBack(models.Model):
    """A refund to a card, or a disputed payment, that made a payout smaller."""

    deposit = models.ForeignKey(Deposit, on_delete=models.PROTECT, related_name="taken_back")
    refund = models.OneToOneField(Refund, on_delete=models.PROTECT, null=True, related_name="taken_back")
    payment_return = models.OneToOneField(PaymentReturn, on_delete=models.PROTECT, null=True, related_name="taken_back")
    amount = amount_field()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="card_taken_back_positive"),
            models.CheckConstraint(
                condition=Q(refund=None, payment_return__isnull=False) | Q(refund__isnull=False, payment_return=None),
                name="card_taken_back_is_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.amount} less in {self.deposit_id}"


class PracticeCharge(models.Model):
    """The memory of the practice processor: what it was asked to take. No money moves."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        PAID = "paid", "Paid"
        EXPIRED = "expired", "Expired"

    key = models.UUIDField(unique=True)
    amount = amount_field()
    state = models.CharField(max_length=7, choices=State.choices, default=State.OPEN)
    return_url = models.TextField()
    declined = models.PositiveIntegerField(default=0, help_text="How many cards were declined on its page.")
    made_at = models.DateTimeField()
    paid_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"practice {self.key}"


class PracticeRefund(models.Model):
    """What the practice processor gave back."""

    key = models.UUIDField(unique=True)
    charge = models.ForeignKey(PracticeCharge, on_delete=models.PROTECT, related_name="refunds")
    amount = amount_field()
    made_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"practice refund {self.key}"
