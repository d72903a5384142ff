"""What was agreed with a family that owes: notes of calls, promises to pay, payment plans."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from billing.models.ledger import amount_field


class CallNote(models.Model):
    """One call to a family, as whoever made it wrote it down. Never changed: what is found out later is another note."""

    class Outcome(models.TextChoices):
        REACHED = "reached", "Reached"
        MESSAGE = "message", "Left a message"
        NO_ANSWER = "no_answer", "No answer"
        WRONG_NUMBER = "wrong_number", "Wrong number"

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="call_notes")
    outcome = models.CharField(max_length=12, choices=Outcome.choices)
    spoke_with = models.CharField(max_length=80, blank=True)
    said = models.CharField(max_length=1000, blank=True)
    next_call_on = models.DateField(null=True)
    called_at = models.DateTimeField()
    called_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    objects: ClassVar[models.Manager["CallNote"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome__in=["reached", "message", "no_answer", "wrong_number"]), name="call_outcome_known"
            ),
            models.CheckConstraint(
                condition=~Q(outcome="reached") | (~Q(spoke_with="") & ~Q(said="")), name="call_that_reached_says_whom"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_outcome_display()}, {timezone.localtime(self.called_at):%Y-%m-%d}"


class Arrangement(models.Model):
    """A promise to pay a part or all of what is past due, or a plan for all of it. While it runs no step is taken.

    `owed` is what was past due when it was made, on charges due through `made_on`: what is gone of that since then decides
    whether it is kept. It ends once: kept, broken, or withdrawn with a reason.
    """

    class Kind(models.TextChoices):
        PROMISE = "promise", "Promise to pay"
        PLAN = "plan", "Payment plan"

    class Ending(models.TextChoices):
        KEPT = "kept", "Kept"
        BROKEN = "broken", "Broken"
        WITHDRAWN = "withdrawn", "Withdrawn"

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="arrangements")
    kind = models.CharField(max_length=7, choices=Kind.choices)
    amount = amount_field(help_text="What the installments add up to.")
    owed = amount_field()
    promised_by = models.CharField(max_length=80, help_text="Who of the family said so.")
    note = models.CharField(max_length=400, blank=True)
    grace_days = models.PositiveSmallIntegerField()
    made_on = models.DateField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_on = models.DateField(null=True)
    ending = models.CharField(max_length=9, choices=Ending.choices, blank=True)
    why = models.CharField(max_length=200, blank=True, help_text="Of one that was withdrawn.")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    objects: ClassVar[models.Manager["Arrangement"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household"], condition=Q(ended_at=None), name="one_arrangement_a_household"),
            models.CheckConstraint(condition=Q(amount__gt=0, amount__lte=F("owed")), name="arrangement_within_what_is_owed"),
            models.CheckConstraint(condition=Q(kind="promise") | Q(kind="plan", amount=F("owed")), name="plan_is_for_all"),
            models.CheckConstraint(condition=Q(grace_days__lte=30), name="arrangement_grace_within_a_month"),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_on=None, ended_by=None, ending="")
                | Q(
                    ended_at__isnull=False,
                    ended_on__gte=F("made_on"),
                    ended_by__isnull=False,
                    ending__in=["kept", "broken", "withdrawn"],
                ),
                name="arrangement_ends_whole",
            ),
            models.CheckConstraint(
                condition=Q(why="") & ~Q(ending="withdrawn") | Q(ending="withdrawn") & ~Q(why=""), name="withdrawn_with_a_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.amount}"


class Instalment(models.Model):
    """So much by such a day; a promise has one."""

    arrangement = models.ForeignKey(Arrangement, on_delete=models.PROTECT, related_name="instalments")
    position = models.PositiveSmallIntegerField()
    due_on = models.DateField()
    amount = amount_field()

    objects: ClassVar[models.Manager["Instalment"]] = models.Manager()

    class Meta:
        ordering = ["arrangement", "position"]
        constraints = [
            models.UniqueConstraint(fields=["arrangement", "position"], name="instalment_position_once"),
            models.CheckConstraint(condition=Q(amount__gt=0), name="instalment_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.amount} by {self.due_on}"
