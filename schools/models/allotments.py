"""What a sign-up night takes along: the proposal with all it went by, and what people changed in it by hand."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Q

from schools.models.nights import Night

# Once the van is packed, what was decided stays as it was, until somebody takes the packing up again.
LINES_FROZEN = """
    IF EXISTS (
        SELECT FROM schools_allotment AS allotment
        WHERE allotment.id IN (NEW.allotment_id, OLD.allotment_id) AND allotment.packed_at IS NOT NULL
    ) THEN
        RAISE EXCEPTION 'the van is packed: its allotment does not change any more' USING ERRCODE = 'check_violation';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""
FROZEN = """
    RAISE EXCEPTION 'the van is packed: its allotment does not change any more' USING ERRCODE = 'check_violation';
"""


@pghistory.track()
class Allotment(models.Model):
    """The allotment of a night, and what its proposal went by."""

    night = models.OneToOneField(Night, on_delete=models.PROTECT, related_name="allotment")
    families = models.PositiveSmallIntegerField(help_text="How many are expected to sign up.")
    weight = models.PositiveSmallIntegerField(help_text="As how many of the school's own families the pool's mix counts.")
    level = models.DecimalField(max_digits=4, decimal_places=3, help_text="How likely each line shall be enough.")
    short_cost = models.DecimalField(max_digits=8, decimal_places=2, null=True, help_text="Of one too few.")
    spare_cost = models.DecimalField(max_digits=8, decimal_places=2, null=True, help_text="Of one too many.")
    own_total = models.PositiveIntegerField(help_text="Sign-ups of the asked programmes that were counted.")
    pooled_total = models.PositiveIntegerField(help_text="Sign-ups of the pool that were counted.")
    pool = models.CharField(max_length=160, blank=True, help_text="Which pool it leans on, in words.")
    counted_from = models.DateField()
    proposed_at = models.DateTimeField()
    proposed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    packed_at = models.DateTimeField(null=True)
    packed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(level__gte="0.5", level__lte="0.999"), name="allotment_level_sane"),
            models.CheckConstraint(condition=Q(families__gte=1, families__lte=2000), name="allotment_families_sane"),
            models.CheckConstraint(condition=Q(weight__lte=1000), name="allotment_weight_sane"),
            models.CheckConstraint(
                condition=Q(short_cost=None, spare_cost=None)
                | Q(short_cost__isnull=False, spare_cost__isnull=False, short_cost__gt=0, spare_cost__gt=0),
                name="allotment_costs_both_or_none",
            ),
            models.CheckConstraint(
                condition=Q(packed_at=None, packed_by=None) | Q(packed_at__isnull=False, packed_by__isnull=False),
                name="allotment_packed_by_someone",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="allotment_packed_stays",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Q(old__packed_at__isnull=False, new__packed_at__isnull=False),
                func=FROZEN,
            )
        ]

    def __str__(self) -> str:
        return f"{self.night_id}"


@pghistory.track()
class AllotmentLine(models.Model):
    """How many of one kind and size: counted, expected, proposed, and as it was decided."""

    allotment = models.ForeignKey(Allotment, on_delete=models.PROTECT, related_name="lines")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="+")
    size = models.CharField(max_length=8, blank=True)
    own = models.PositiveIntegerField(default=0)
    pooled = models.PositiveIntegerField(default=0)
    expected = models.DecimalField(max_digits=7, decimal_places=2, default=0)
    whole = models.PositiveSmallIntegerField(default=0, help_text="Expected, in whole instruments that add up to the families.")
    proposed = models.PositiveSmallIntegerField(default=0)
    quantity = models.PositiveSmallIntegerField()
    changed_at = models.DateTimeField(null=True)
    changed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["allotment", "kind", "size"], name="allotment_line_once"),
            models.CheckConstraint(condition=Q(quantity__lte=2000, proposed__lte=2000), name="allotment_line_sane"),
            models.CheckConstraint(
                condition=Q(changed_at=None, changed_by=None) | Q(changed_at__isnull=False, changed_by__isnull=False),
                name="allotment_line_changed_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(quantity=F("proposed")) | Q(changed_by__isnull=False), name="allotment_line_changed_by_hand"
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="allotment_lines_packed_stay",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                func=LINES_FROZEN,
            )
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.kind_id} {self.size}".strip()


@pghistory.track()
class AllotmentFigure(models.Model):
    """How many begin on a kind, as the directors had told when the allotment was proposed, and what the proposal made of it."""

    class Use(models.TextChoices):
        COUNT = "count", "Taken as the count"
        LEAST = "least", "The least to take along"
        NOT = "not", "Not used"

    allotment = models.ForeignKey(Allotment, on_delete=models.PROTECT, related_name="figures")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="+")
    use = models.CharField(max_length=5, choices=Use.choices)
    count = models.PositiveIntegerField(help_text="All that was told of the kind.")
    told = models.CharField(max_length=600, help_text="Who told how many, in words.")
    untold = models.CharField(
        max_length=600, blank=True, help_text="Programmes of the night that could know it and did not tell."
    )
    told_on = models.DateField(null=True, help_text="The day of the oldest of these figures.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["allotment", "kind"], name="allotment_figure_once"),
            models.CheckConstraint(condition=Q(count__gte=1), name="allotment_figure_told"),
            models.CheckConstraint(condition=Q(untold="") | ~Q(use="count"), name="allotment_figure_told_by_all"),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="allotment_figures_packed_stay",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                func=LINES_FROZEN,
            )
        ]

    def __str__(self) -> str:
        return f"{self.count} x {self.kind_id}"
