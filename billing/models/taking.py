"""The counter's takings: the cash and checks one person took on one day, and how they were counted down."""

import pghistory
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Greatest

from billing.models.ledger import JournalEntry, amount_field


class Taking(models.Model):
    """What one person takes in cash and checks on one day. It is open until a count of it stands."""

    person = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="takings")
    day = models.DateField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "day"], name="taking_once_a_day")]
        indexes = [models.Index(fields=["-day"], name="taking_day")]

    def __str__(self) -> str:
        return f"{self.person_id} on {self.day}"


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class TakingCount(models.Model):
    """A day counted down: what should be there, what is, and why they differ. Reopened, it stands no more; another follows."""

    taking = models.ForeignKey(Taking, on_delete=models.PROTECT, related_name="counts")
    pieces = models.JSONField(help_text="How many of each denomination, by its value in cents.")
    counted_cash = amount_field()
    taken_cash = amount_field(help_text="Cash payments of the day that were not voided.")
    paid_back = amount_field(help_text="Cash paid back to families that day.")
    banked = amount_field(help_text="Cash of the day that went to the bank before it was counted.")
    difference = amount_field(help_text="Counted less expected: below zero is short.")
    cheque_count = models.PositiveIntegerField()
    cheque_sum = amount_field()
    reason = models.CharField(max_length=200, blank=True)
    needs_second = models.BooleanField(help_text="The difference is above the office's limit.")
    counted_at = models.DateTimeField()
    counted_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="taking_count")
    deposit = models.ForeignKey(
        "billing.Deposit",
        on_delete=models.PROTECT,
        null=True,
        related_name="taking_counts",
        help_text="The deposit that came to so much more or less for the difference.",
    )
    reopened_at = models.DateTimeField(null=True)
    reopened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    reopen_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["taking"], condition=Q(reopened_at=None), name="taking_counted_once"),
            models.CheckConstraint(
                condition=Q(counted_cash__gte=0, taken_cash__gte=0, paid_back__gte=0, banked__gte=0, cheque_sum__gte=0),
                name="taking_count_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(difference=F("counted_cash") - Greatest(F("taken_cash") - F("paid_back") - F("banked"), 0)),
                name="taking_count_adds_up",
            ),
            models.CheckConstraint(condition=Q(difference=0) | ~Q(reason=""), name="taking_difference_has_a_reason"),
            models.CheckConstraint(
                condition=Q(closed_at=None, closed_by=None, entry=None)
                | Q(closed_at__isnull=False, closed_by__isnull=False, difference=0, entry=None)
                | (Q(closed_at__isnull=False, closed_by__isnull=False, entry__isnull=False) & ~Q(difference=0)),
                name="taking_difference_is_posted",
            ),
            models.CheckConstraint(
                condition=Q(closed_by=None) | Q(needs_second=False) | ~Q(closed_by=F("counted_by")),
                name="taking_confirmed_by_another",
            ),
            models.CheckConstraint(
                condition=Q(reopened_at=None, reopened_by=None, reopen_reason="")
                | (Q(reopened_at__isnull=False, reopened_by__isnull=False, deposit=None) & ~Q(reopen_reason="")),
                name="taking_reopened_with_a_reason",
            ),
            models.CheckConstraint(condition=Q(deposit=None) | Q(entry__isnull=False), name="taking_difference_deposited"),
        ]

    def __str__(self) -> str:
        return f"count of taking {self.taking_id}"
