"""What work costs and what a family is asked for it: rates, parts in stock, lines of an order, estimates, settings."""

from decimal import Decimal
from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from rentals.inventory.models.work import WorkOrder
from rentals.runtime.money import price_field


@pghistory.track()
class BenchSetting(models.Model):
    """How this bench works; exactly one row."""

    id = models.SmallIntegerField(primary_key=True, default=1)
    warranty_days = models.PositiveSmallIntegerField(default=90, help_text="How long the shop answers for its own work.")
    estimate_above = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("0.00"), help_text="Work a family pays above this needs its approval."
    )
    estimate_days = models.PositiveSmallIntegerField(default=30, help_text="How long an estimate holds.")
    tax_labour = models.BooleanField(default=True, help_text="Labour that a family pays is taxed as goods are.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(id=1), name="bench_setting_is_one"),
            models.CheckConstraint(condition=Q(estimate_above__gte=0), name="bench_setting_threshold_not_negative"),
            models.CheckConstraint(condition=Q(warranty_days__lte=3650), name="bench_setting_warranty_in_years"),
            models.CheckConstraint(condition=Q(estimate_days__gte=1, estimate_days__lte=365), name="bench_setting_estimate_days"),
        ]

    def __str__(self) -> str:
        return "Bench settings"


@pghistory.track()
class BenchRate(models.Model):
    """What an hour at the bench costs the shop, and what a family pays for it, from a day on until the next rate."""

    from_on = models.DateField(unique=True)
    cost_per_hour = price_field()
    price_per_hour = price_field()
    set_at = models.DateTimeField()
    set_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    objects: ClassVar[models.Manager["BenchRate"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(cost_per_hour__gte=0, price_per_hour__gte=0), name="bench_rate_not_negative")
        ]
        ordering = ["-from_on"]

    def __str__(self) -> str:
        return f"from {self.from_on}"


@pghistory.track()
class RepairPart(models.Model):
    """A part the bench keeps: pads, springs, strings; counted in whole pieces."""

    sku = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=80)
    cost = price_field()
    price = price_field()
    on_hand = models.PositiveIntegerField(default=0)
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["RepairPart"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(cost__gte=0, price__gte=0), name="repair_part_not_negative"),
            models.CheckConstraint(condition=Q(on_hand__gte=0), name="repair_part_on_hand_not_negative"),
        ]
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track(pghistory.InsertEvent(), pghistory.DeleteEvent())
class WorkLine(models.Model):
    """Labour or a part that went into an order. `cost` is what it cost the shop, `price` what a family would pay, before tax.

    Both are of the day the line was written: later rates and prices change no line.
    """

    class Kind(models.TextChoices):
        LABOUR = "labour", "Labour"
        PART = "part", "Part"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="lines")
    kind = models.CharField(max_length=6, choices=Kind.choices)
    what = models.CharField(max_length=120)
    minutes = models.PositiveSmallIntegerField(null=True)
    part = models.ForeignKey(RepairPart, on_delete=models.PROTECT, null=True, related_name="lines")
    quantity = models.PositiveSmallIntegerField(null=True)
    cost = models.DecimalField(max_digits=12, decimal_places=2)
    price = models.DecimalField(max_digits=12, decimal_places=2)
    done_at = models.DateTimeField()
    done_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="labour", minutes__gte=1, minutes__lte=1440, part=None, quantity=None)
                | Q(kind="part", minutes=None, quantity__gte=1),
                name="work_line_fits_its_kind",
            ),
            models.CheckConstraint(condition=Q(cost__gte=0, price__gte=0), name="work_line_not_negative"),
        ]
        ordering = ["done_at", "pk"]

    def __str__(self) -> str:
        return self.what


@pghistory.track()
class Estimate(models.Model):
    """What a repair would come to, told to the family that pays; once decided it never changes."""

    class Decision(models.TextChoices):
        APPROVED = "approved", "Approved"
        DECLINED = "declined", "Declined"
        WITHDRAWN = "withdrawn", "Withdrawn"

    class Way(models.TextChoices):
        PHONE = "phone", "By phone"
        PERSON = "person", "In person"
        MAIL = "mail", "By mail"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="estimates")
    covers = models.TextField(help_text="What the work is to put right, in words the family understands.")
    valid_until = models.DateField(help_text="The last day on which it can be approved.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    decision = models.CharField(max_length=9, choices=Decision.choices, blank=True)
    decided_at = models.DateTimeField(null=True)
    decided_by_way = models.CharField(max_length=6, choices=Way.choices, blank=True)
    who_said_so = models.CharField(max_length=80, blank=True)
    recorded_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["order"], condition=Q(decision=""), name="estimate_one_undecided"),
            models.CheckConstraint(
                condition=Q(decision="", decided_at=None, recorded_by=None, decided_by_way="", who_said_so="")
                | Q(decision="withdrawn", decided_at__isnull=False, recorded_by__isnull=False)
                | (
                    Q(decision__in=["approved", "declined"], decided_at__gte=F("made_at"), recorded_by__isnull=False)
                    & ~Q(decided_by_way="")
                    & ~Q(who_said_so="")
                ),
                name="estimate_decided_by_someone",
            ),
        ]
        ordering = ["-made_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.order_id}, {timezone.localtime(self.made_at):%Y-%m-%d}"

    @property
    def price(self) -> Decimal:
        """What its lines come to before tax; they must be at hand (`prefetch_related`)."""
        return sum((line.price for line in self.lines.all()), Decimal("0.00"))


class EstimateLine(models.Model):
    """One line of an estimate: its price to the family before tax, of the day it was made."""

    estimate = models.ForeignKey(Estimate, on_delete=models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    what = models.CharField(max_length=120)
    price = models.DecimalField(max_digits=12, decimal_places=2)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["estimate", "position"], name="estimate_line_position_once"),
            models.CheckConstraint(condition=Q(price__gte=0), name="estimate_line_not_negative"),
        ]
        ordering = ["position"]

    def __str__(self) -> str:
        return self.what
