"""What happens to an agreement after it was signed: what it bills from when, holds, its timeline, how it came back or was lost.

The agreement itself never changes; everything here is added to it, and added only.
"""

from decimal import Decimal
from typing import ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeBoundary, RangeOperators
from django.db import models
from django.db.models import F, Func, Q

from rentals.agreements.models.agreements import Agreement
from rentals.agreements.models.terms import TaxArea
from rentals.runtime.money import price_field


class DaysRange(Func):
    """`daterange(from, until, '[)')`; an open end means still so."""

    function = "DATERANGE"
    output_field = DateRangeField()


class PeriodTerms(models.Model):
    """What an agreement bills from one of its periods on, until the next row takes over.

    Period `first_period` begins on `begins_on`, which lies `offset` months after the anchor; the following ones each `months`
    later, always counted from the anchor. Where the next row begins before a period would end, that period is a bridge and
    costs its share by actual days. Rows of an agreement tile the calendar: trigger `period_terms_tile`.
    """

    class Reason(models.TextChoices):
        SIGNED = "signed", "As signed"
        INTRO = "intro", "Introductory period"
        DUE_DAY = "due_day", "Due day"
        PROTECTION = "protection", "Protection"
        CONTINUED = "continued", "Goes on from the agreement before"

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="period_terms")
    first_period = models.PositiveSmallIntegerField()
    begins_on = models.DateField()
    anchor_on = models.DateField(help_text="The day that all days of these terms are counted from.")
    offset = models.PositiveSmallIntegerField(default=0, help_text="Months from the anchor to the first of these periods.")
    months = models.PositiveSmallIntegerField(
        default=1, help_text="Months in one period; more than one only in an introductory one."
    )
    rent = price_field()
    protection = price_field(default=0)
    reason = models.CharField(max_length=10, choices=Reason.choices, default=Reason.SIGNED)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    superseded_at = models.DateTimeField(
        null=True, help_text="Since when other terms hold instead; no period of these was billed."
    )

    objects: ClassVar[models.Manager["PeriodTerms"]] = models.Manager()

    class Meta:
        verbose_name_plural = "period terms"
        constraints = [
            models.UniqueConstraint(
                fields=["agreement", "first_period"], condition=Q(superseded_at=None), name="period_terms_once"
            ),
            models.CheckConstraint(condition=Q(rent__gte=0, protection__gte=0, months__gte=1), name="period_terms_sane"),
        ]

    def __str__(self) -> str:
        return f"{self.agreement_id} from period {self.first_period}"


class AgreementHold(models.Model):
    """A time in which an agreement is not billed: a hold by the manager, or its recall for non-payment."""

    class Kind(models.TextChoices):
        HOLD = "hold", "On hold"
        RECALL = "recall", "Recalled"

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="holds")
    kind = models.CharField(max_length=6, choices=Kind.choices)
    from_on = models.DateField()
    until_on = models.DateField(null=True, help_text="Exclusive; empty while it lasts.")
    is_forgiven = models.BooleanField(
        default=False, help_text="Periods that began meanwhile are never billed; otherwise they are, later."
    )
    reason = models.CharField(max_length=200)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    lifted_at = models.DateTimeField(null=True)
    lifted_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            ExclusionConstraint(
                name="agreement_one_hold_at_a_time",
                expressions=[
                    ("agreement", RangeOperators.EQUAL),
                    (DaysRange("from_on", "until_on", RangeBoundary()), RangeOperators.OVERLAPS),
                ],
            ),
            models.CheckConstraint(
                condition=Q(until_on=None, lifted_at=None, lifted_by=None, is_forgiven=False)
                | Q(until_on__gte=F("from_on"), lifted_at__isnull=False, lifted_by__isnull=False),
                name="agreement_hold_lifted_by_someone",
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="agreement_hold_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} from {self.from_on}"


class LifeEvent(models.Model):
    """One line of an agreement's timeline: what was done, when, by whom, why. Written once."""

    class Kind(models.TextChoices):
        SIGNED = "signed", "Signed"
        FIRST_PAYMENT = "first_payment", "First payment"
        ASSIGNED = "assigned", "Instrument assigned"
        DUE_DAY = "due_day", "Due day changed"
        PROTECTION_ADDED = "protection_added", "Protection added"
        PROTECTION_DROPPED = "protection_dropped", "Protection dropped"
        EXCHANGED = "exchanged", "Exchanged"
        SIZED_UP = "sized_up", "Sized up"
        STEPPED_UP = "stepped_up", "Stepped up to a better one"
        PAYOFF_QUOTED = "payoff_quoted", "Price to buy quoted"
        BOUGHT = "bought", "Bought"
        RETURNED = "returned", "Returned"
        LOST = "lost", "Lost, stolen or destroyed"
        FOUND = "found", "Found again"
        TRANSFERRED = "transferred", "Transferred"
        SCHOOL_CHANGED = "school_changed", "School changed"
        PAYERS_CHANGED = "payers_changed", "Payers changed"
        HELD = "held", "Billing on hold"
        HOLD_LIFTED = "hold_lifted", "Billing goes on"
        RECALLED = "recalled", "Recalled"
        RECALL_LIFTED = "recall_lifted", "Recall lifted"
        WRITTEN_OFF = "written_off", "Written off"
        RECOVERED = "recovered", "Recovered after a write-off"
        REINSTATED = "reinstated", "Reinstated"
        VOIDED = "voided", "Voided"
        ADJUSTED = "adjusted", "Adjusted"

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="life_events")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    on = models.DateField()
    at = models.DateTimeField()
    by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=400, blank=True)
    detail = models.JSONField(default=dict)

    class Meta:
        indexes = [models.Index(fields=["agreement", "-at"], name="life_event_timeline")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.on}"


class ReturnCheck(models.Model):
    """How an instrument came back: its condition, and what was missing with the price of each part."""

    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, related_name="return_check")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="return_checks")
    grade = models.CharField(max_length=6)
    note = models.TextField(blank=True)
    missing = models.JSONField(default=list, help_text="Pairs of part and price.")
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.agreement_id}: {self.grade}"


class LossReport(models.Model):
    """How an instrument was lost, and what the family answers for."""

    class Kind(models.TextChoices):
        LOST = "lost", "Lost"
        STOLEN = "stolen", "Stolen"
        DESTROYED = "destroyed", "Destroyed"

    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, related_name="loss_report")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="loss_reports")
    kind = models.CharField(max_length=9, choices=Kind.choices)
    happened_on = models.DateField()
    police_report_number = models.CharField(max_length=40, blank=True)
    is_protected = models.BooleanField()
    owed = price_field(help_text="What the family was charged: the deductible, or the replacement value.")
    note = models.TextField(blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    objects: ClassVar[models.Manager["LossReport"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="stolen", is_protected=True) | ~Q(police_report_number=""),
                name="covered_theft_has_a_police_report",
            ),
            models.CheckConstraint(condition=Q(owed__gte=Decimal(0)), name="loss_owed_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.happened_on}"


@pghistory.track()
class PayerShare(models.Model):
    """How two guardians share what one agreement costs: each a weight, from a day until the next arrangement."""

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="payer_shares")
    guardian = models.ForeignKey("families.Guardian", on_delete=models.PROTECT, related_name="payer_shares")
    weight = models.PositiveIntegerField()
    from_on = models.DateField()
    until_on = models.DateField(null=True, help_text="Exclusive; empty while it lasts.")

    class Meta:
        constraints = [
            # A share that ended on the day it began was a mistake of that day, and never held.
            models.UniqueConstraint(
                fields=["agreement", "guardian", "from_on"],
                condition=Q(until_on=None) | Q(until_on__gt=F("from_on")),
                name="payer_share_once",
            ),
            models.UniqueConstraint(
                fields=["agreement", "guardian"], condition=Q(until_on=None), name="payer_share_one_in_force"
            ),
            models.CheckConstraint(condition=Q(weight__gte=1, weight__lte=10_000), name="payer_share_weight"),
            models.CheckConstraint(condition=Q(until_on=None) | Q(until_on__gte=F("from_on")), name="payer_share_ends_later"),
        ]

    def __str__(self) -> str:
        return f"{self.agreement_id}: {self.guardian_id} {self.weight}"


@pghistory.track()
class TaxExemption(models.Model):
    """A household that buys without sales tax: its certificate, where it holds, and how long."""

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="tax_exemptions")
    area = models.ForeignKey(
        TaxArea, on_delete=models.PROTECT, null=True, blank=True, related_name="+", help_text="Empty: everywhere."
    )
    certificate_number = models.CharField(max_length=40)
    from_on = models.DateField()
    expires_on = models.DateField(help_text="Its last day.")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household", "certificate_number", "from_on"], name="tax_exemption_once"),
            models.CheckConstraint(condition=~Q(certificate_number=""), name="tax_exemption_has_its_certificate"),
            models.CheckConstraint(condition=Q(expires_on__gte=F("from_on")), name="tax_exemption_expires_later"),
        ]
        indexes = [models.Index(fields=["household", "from_on"], name="tax_exemption_household")]

    def __str__(self) -> str:
        return f"{self.household_id} {self.certificate_number}"
