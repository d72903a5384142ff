"""Families that owe: the steps that the manager set for them, and the steps that were taken."""

from typing import ClassVar

from django.db import models
from django.db.models import Q


class StepsVersion(models.Model):
    """A table of steps as the manager set it. Never changed: another takes its place, what is under way goes on by this one."""

    number = models.PositiveIntegerField(unique=True)
    grace_days = models.PositiveSmallIntegerField(help_text="So many days after a promised day money may still arrive.")
    step_count = models.PositiveSmallIntegerField()
    set_at = models.DateTimeField()
    set_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    objects: ClassVar[models.Manager["StepsVersion"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(grace_days__lte=30), name="steps_grace_within_a_month"),
            models.CheckConstraint(condition=Q(step_count__gte=1, step_count__lte=12), name="steps_are_some"),
            models.CheckConstraint(condition=Q(number=1) | Q(set_by__isnull=False), name="steps_were_set_by_somebody"),
        ]

    def __str__(self) -> str:
        return f"Steps {self.number}"


class OverdueStep(models.Model):
    """One step of an overdue episode: when it falls due, what is done, and how long the family has to answer."""

    class Kind(models.TextChoices):
        MAIL = "mail", "Mail"
        LETTER = "letter", "Letter on paper"
        CALL = "call", "Call list"
        RECALL = "recall", "Recall proposed"

    class Wording(models.IntegerChoices):
        FRIENDLY = 1, "Friendly"
        FIRM = 2, "Firm"
        LAST = 3, "Last before the manager decides"

    TONE: ClassVar[dict[int, str]] = {1: "Friendly", 2: "Firm", 3: "Final"}

    version = models.ForeignKey(StepsVersion, on_delete=models.PROTECT, related_name="steps")
    position = models.PositiveSmallIntegerField()
    days = models.PositiveSmallIntegerField(help_text="After the oldest unpaid due date.")
    kind = models.CharField(max_length=6, choices=Kind.choices)
    wording = models.PositiveSmallIntegerField(choices=Wording.choices, null=True, help_text="Of what is written.")
    days_to_answer = models.PositiveSmallIntegerField(help_text="No other step is taken before they have passed.")

    objects: ClassVar[models.Manager["OverdueStep"]] = models.Manager()

    class Meta:
        ordering = ["version", "position"]
        constraints = [
            models.UniqueConstraint(fields=["version", "position"], name="overdue_step_position_once"),
            models.CheckConstraint(condition=Q(days__gte=1, days__lte=365), name="overdue_step_within_a_year"),
            models.CheckConstraint(condition=Q(days_to_answer__lte=90), name="overdue_step_answer_within_90_days"),
            models.CheckConstraint(
                condition=Q(kind__in=["mail", "letter"], wording__isnull=False, wording__in=[1, 2, 3])
                | Q(kind__in=["call", "recall"], wording=None),
                name="overdue_step_words_what_it_writes",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def writes(self) -> bool:
        """Whether the family gets something to read."""
        return self.kind in {self.Kind.MAIL, self.Kind.LETTER}

    @property
    def name(self) -> str:
        """What the step is called."""
        if not self.writes:
            return str(self.get_kind_display())
        return f"{self.TONE[self.wording or 1]} {'mail' if self.kind == self.Kind.MAIL else 'letter'}"
