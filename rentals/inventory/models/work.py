"""The work done on an instrument at the bench: the order, what happened to it, and in which state it came."""

import pghistory
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.instruments import Instrument


@pghistory.track()
class WorkOrder(models.Model):
    """A repair or the annual cleaning of an instrument. Its state changes by the operations of the bench only."""

    class Kind(models.TextChoices):
        REPAIR = "repair", "Repair"
        CLEANING = "cleaning", "Annual cleaning"

    class State(models.TextChoices):
        LOOK = "look", "To look at"
        BENCH = "bench", "On the bench"
        FAMILY = "family", "Waiting for the family's answer"
        PARTS = "parts", "Waiting for parts"
        CHECK = "check", "Quality check"
        READY = "ready", "Ready"
        DONE = "done", "Done"

    class PaidBy(models.TextChoices):
        UNDECIDED = "undecided", "Not decided yet"
        PROTECTION = "protection", "Protection"
        WARRANTY = "warranty", "Our own warranty"
        SHOP = "shop", "The shop: ordinary wear"
        FAMILY = "family", "The family"

    class Outcome(models.TextChoices):
        REPAIRED = "repaired", "Repaired"
        UNREPAIRED = "unrepaired", "Back unrepaired"

    number = models.CharField(max_length=12, unique=True)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="work_orders")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    problem_kind = models.CharField(max_length=60, blank=True, help_text="What sort of work it is, as the list of the kind says.")
    problem = models.TextField(blank=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.LOOK)
    state_since = models.DateTimeField()
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)
    paid_by = models.CharField(max_length=10, choices=PaidBy.choices, default=PaidBy.UNDECIDED)
    assigned_to = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="work_orders")
    promised_on = models.DateField(null=True, blank=True)
    again_for = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="came_back", help_text="The work this answers for."
    )
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    work_done = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(closed_at=None), name="work_order_one_open"),
            models.CheckConstraint(
                condition=Q(closed_at=None, closed_by=None) | Q(closed_at__gte=F("opened_at"), closed_by__isnull=False),
                name="work_order_closed_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(state="done", closed_at__isnull=False) | (~Q(state="done") & Q(closed_at=None)),
                name="work_order_closed_is_done",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["ready", "done"], outcome__in=["repaired", "unrepaired"])
                | (~Q(state__in=["ready", "done"]) & Q(outcome="")),
                name="work_order_ready_has_its_outcome",
            ),
            models.CheckConstraint(condition=~Q(again_for=F("pk")), name="work_order_not_again_for_itself"),
            models.CheckConstraint(
                condition=~Q(paid_by="warranty") | Q(again_for__isnull=False), name="work_order_warranty_names_the_work"
            ),
        ]
        indexes = [
            models.Index(fields=["state", "state_since"], condition=Q(closed_at=None), name="work_order_open_state"),
            models.Index(fields=["instrument", "-opened_at"], name="work_order_of_instrument"),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def is_open(self) -> bool:
        """Whether the work still goes on."""
        return self.closed_at is None


class WorkEvent(models.Model):
    """One line of what happened to a work order, never changed: who, when, from which state to which, and a few words."""

    class Kind(models.TextChoices):
        STATE = "state", "State"
        NOTE = "note", "Note"
        DECISION = "decision", "Decision"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="happened")
    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.STATE)
    at = models.DateTimeField()
    by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    from_state = models.CharField(max_length=8, choices=WorkOrder.State.choices, blank=True)
    to_state = models.CharField(max_length=8, choices=WorkOrder.State.choices, blank=True)
    note = models.CharField(max_length=300, blank=True)
    version = models.PositiveIntegerField(help_text="The order's version after it.")

    class Meta:
        indexes = [models.Index(fields=["order", "version"], name="work_event_of_order")]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="state", to_state__gt="") | (~Q(kind="state") & Q(to_state="", from_state="") & ~Q(note="")),
                name="work_event_says_something",
            )
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.to_state or self.note}"


class IntakeNote(models.Model):
    """What was seen when the instrument came in: one point of the condition check, or one part that came or is missing."""

    class Kind(models.TextChoices):
        CHECK = "check", "Condition"
        PART = "part", "Part"

    class Finding(models.TextChoices):
        FINE = "fine", "Fine"
        WORN = "worn", "Worn"
        BROKEN = "broken", "Broken"
        CAME = "came", "Came along"
        MISSING = "missing", "Missing"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="intake")
    kind = models.CharField(max_length=5, choices=Kind.choices)
    what = models.CharField(max_length=80)
    finding = models.CharField(max_length=7, choices=Finding.choices)
    must_come_back = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["order", "kind", "what"], name="intake_note_once"),
            models.CheckConstraint(
                condition=Q(kind="check", finding__in=["fine", "worn", "broken"])
                | Q(kind="part", finding__in=["came", "missing"]),
                name="intake_note_fits_its_kind",
            ),
        ]
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.what}: {self.get_finding_display()}"


class QualityCheck(models.Model):
    """A playing test of finished work, never changed: who tested, each point, and whether it passed."""

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="quality_checks")
    tested_at = models.DateTimeField()
    tested_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    points = models.JSONField(help_text="What was tested, in order: [[words, whether it was right], …].")
    passed = models.BooleanField()
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(passed=True) | ~Q(note=""), name="quality_check_failed_says_why")]
        ordering = ["-tested_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.order_id}: {'passed' if self.passed else 'failed'}"
