"""What ran by itself, for which day, how far it is and what became of it. The timetable itself stands in the code."""

import pghistory
from django.db import models
from django.db.models import Q

from rentals.staff.models import User


@pghistory.track(
    pghistory.UpdateEvent(condition=pghistory.AnyChange("state", "attempts", "asked_by", "stop_asked_at")),
    exclude=["claim", "heartbeat_at", "said"],
)
class JobRun(models.Model):
    """One job of one day. There is one row, however many clocks ask for it and however often it has to be taken up."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        RUNNING = "running", "Running"
        DONE = "done", "Done"
        STOPPED = "stopped", "Stopped by a person"
        GIVEN_UP = "given_up", "Given up"

    code = models.CharField(max_length=60)
    on = models.DateField(help_text="The day it is for, in the office's own time.")
    due_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    attempts = models.PositiveSmallIntegerField(default=0, help_text="Begun without having come to a resting place since.")
    claim = models.UUIDField(null=True, help_text="Whoever holds it may write here; taken up anew, it is another.")
    began_at = models.DateTimeField(null=True)
    heartbeat_at = models.DateTimeField(null=True)
    next_try_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    total = models.PositiveIntegerField(null=True)
    done = models.PositiveIntegerField(default=0)
    failed = models.PositiveIntegerField(default=0)
    said = models.CharField(max_length=200, blank=True, help_text="How far it is, where that cannot be counted.")
    last_error = models.TextField(blank=True)
    asked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    stop_asked_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["code", "on"], name="job_run_once_a_day"),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "running"], ended_at=None)
                | Q(state__in=["done", "stopped", "given_up"], ended_at__isnull=False),
                name="job_run_ended_has_its_time",
            ),
            models.CheckConstraint(
                condition=Q(state="running", claim__isnull=False, began_at__isnull=False) | Q(~Q(state="running"), claim=None),
                name="job_run_running_is_claimed",
            ),
            models.CheckConstraint(condition=~Q(state="given_up") | ~Q(last_error=""), name="job_run_given_up_says_why"),
        ]
        indexes = [
            models.Index(fields=["due_at"], condition=Q(state__in=["waiting", "running"]), name="job_run_open"),
            models.Index(fields=["-due_at", "-id"], name="job_run_newest"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.on} ({self.get_state_display()})"

    @property
    def is_over(self) -> bool:
        """Whether nothing more happens by itself."""
        return self.state not in (self.State.WAITING, self.State.RUNNING)


class JobMark(models.Model):
    """What is remembered of a job or round from one time to the next: since when it is known, and how its last round went."""

    code = models.CharField(max_length=60, primary_key=True)
    known_since = models.DateTimeField(help_text="Nothing that was due before is caught up.")
    told_at = models.DateTimeField(null=True, help_text="When a worker was last told to make the round.")
    began_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    failures = models.PositiveIntegerField(default=0, help_text="Rounds that failed since the last one that did not.")
    last_error = models.TextField(blank=True)

    def __str__(self) -> str:
        return self.code
