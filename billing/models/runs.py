"""The runs that bill what is due, and the chunks their workers claim."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from billing.models.ledger import amount_field


class Counted(models.Model):
    """What became of agreements: each is counted under one of these."""

    agreements_billed = models.PositiveIntegerField(default=0)
    up_to_date = models.PositiveIntegerField(default=0, help_text="Agreements whose due periods were all billed before.")
    not_started = models.PositiveIntegerField(default=0, help_text="Agreements whose first period is not due yet.")
    on_hold = models.PositiveIntegerField(default=0, help_text="Agreements with a due period that a hold kept back.")
    recalled = models.PositiveIntegerField(default=0, help_text="Agreements with a due period that a recall kept back.")
    billed_elsewhere = models.PositiveIntegerField(default=0, help_text="Agreements billed by somebody else since the plan.")
    ended_meanwhile = models.PositiveIntegerField(default=0, help_text="Agreements that ended since the plan.")
    billed = models.PositiveIntegerField(default=0, help_text="Charges made.")
    billed_amount = amount_field(default=0)

    class Meta:
        abstract = True


class BillingRun(Counted):
    """One pass over the agreements that are due. May be repeated, stopped or run twice at once; bills nobody twice."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        RUNNING = "running", "Running"
        DONE = "done", "Done"
        FAILED = "failed", "Failed"

    through_on = models.DateField(help_text="Every period due on or before this day is billed.")
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    planned_at = models.DateTimeField(null=True, help_text="Since when its chunks stand.")
    heartbeat_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    total = models.PositiveIntegerField(default=0, help_text="Open agreements when it was planned.")
    done = models.PositiveIntegerField(default=0, help_text="Agreements looked at so far.")
    last_error = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"Billing through {self.through_on}"


class BillingChunk(Counted):
    """A part of a run that one worker bills in one transaction: the agreements with something due, by the run's plan.

    The chunk at place 0 has none: it counts the agreements that the plan left out, and why.
    """

    run = models.ForeignKey(BillingRun, on_delete=models.PROTECT, related_name="chunks", db_index=False)
    place = models.PositiveIntegerField()
    agreements = ArrayField(models.BigIntegerField(), default=list)
    size = models.PositiveIntegerField(help_text="Agreements to look at.")
    billed_at = models.DateTimeField(null=True)
    credited_at = models.DateTimeField(null=True, help_text="Since when money on account has paid its part.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["run", "place"], name="billing_chunk_once")]

    def __str__(self) -> str:
        return f"{self.run_id}/{self.place}"
