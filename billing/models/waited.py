"""What a family was given back for the days it waited for its instrument."""

import pghistory
from django.db import models
from django.db.models import Q

from billing.models.credits import Adjustment
from billing.models.ledger import amount_field


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class WaitedCredit(models.Model):
    """What was decided about one family's wait, once: a credit by an adjustment, or none, with the reason."""

    promise = models.OneToOneField("agreements.UnitPromise", on_delete=models.PROTECT, related_name="waited_credit")
    days = models.PositiveSmallIntegerField(help_text="Days without any instrument.")
    amount = amount_field()
    working = models.JSONField(help_text="The arithmetic as it was shown, a line for each period.")
    adjustment = models.OneToOneField(Adjustment, on_delete=models.PROTECT, null=True, related_name="waited_credit")
    reason = models.CharField(max_length=200, blank=True, help_text="Why nothing was given back.")
    decided_at = models.DateTimeField()
    decided_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(days__gt=0, amount__gt=0), name="waited_credit_is_of_days"),
            models.CheckConstraint(
                condition=Q(adjustment__isnull=False, reason="") | Q(adjustment=None) & ~Q(reason=""),
                name="waited_credit_given_or_said_why_not",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.promise_id}: {self.amount}"
