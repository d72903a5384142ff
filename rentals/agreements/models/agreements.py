"""Agreements as they were signed, which instrument was on them when, and sign-ups on their way.

That what is signed stays as it is, the database holds by the triggers of migration 0007.
"""

import uuid
from typing import ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import RangeOperators
from django.db import models
from django.db.models import F, Q

from rentals.agreements.models.terms import PlanVersion, TaxArea
from rentals.inventory.models import CatalogueItem, span
from rentals.runtime.money import price_field


@pghistory.track()
class Agreement(models.Model):
    """A rental as it was signed. Of its columns only the end may ever be filled in; the database refuses the rest."""

    class ReceivedAt(models.TextChoices):
        COUNTER = "counter", "At the counter"
        SCHOOL = "school", "At the school"
        HOME = "home", "At home"

    class EndReason(models.TextChoices):
        RETURNED = "returned", "Returned"
        EXCHANGED = "exchanged", "Exchanged"
        BOUGHT = "bought", "Bought"
        STEPPED_UP = "stepped_up", "Stepped up to a better one"
        LOST = "lost", "Lost"
        STOLEN = "stolen", "Stolen"
        DESTROYED = "destroyed", "Destroyed"
        TRANSFERRED = "transferred", "Transferred"
        WRITTEN_OFF = "written_off", "Written off"
        VOIDED = "voided", "Voided"

    class FollowsBy(models.TextChoices):
        EXCHANGE = "exchange", "Exchange"
        SIZE_UP = "size_up", "Size-up"
        TRANSFER = "transfer", "Transfer"
        REINSTATEMENT = "reinstatement", "Reinstatement"

    number = models.CharField(max_length=12, unique=True)
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="agreements")
    guardian = models.ForeignKey("families.Guardian", on_delete=models.PROTECT, related_name="agreements")
    student = models.ForeignKey("families.Student", on_delete=models.PROTECT, related_name="agreements")
    programme = models.ForeignKey("schools.Programme", on_delete=models.PROTECT, null=True, related_name="agreements")
    item = models.ForeignKey(CatalogueItem, on_delete=models.PROTECT, related_name="agreements")
    plan_version = models.ForeignKey(PlanVersion, on_delete=models.PROTECT, related_name="agreements")
    follows = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="followed_by")
    follows_by = models.CharField(max_length=13, choices=FollowsBy.choices, blank=True)
    signed_at = models.DateTimeField()
    starts_on = models.DateField(help_text="The day the family has it from. What is billed when stands in its period terms.")
    monthly_rent = price_field()
    monthly_protection = price_field(default=0)
    purchase_price = price_field()
    replacement_value = price_field()
    minimum_until = models.DateField(null=True, help_text="Exclusive: rent is owed up to here even when it comes back before.")
    received_at = models.CharField(max_length=8, choices=ReceivedAt.choices)
    tax_area = models.ForeignKey(TaxArea, on_delete=models.PROTECT, related_name="+")
    signed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+", help_text="Who took the signature.")
    ended_on = models.DateField(null=True)
    end_reason = models.CharField(max_length=12, choices=EndReason.choices, blank=True)

    objects: ClassVar[models.Manager["Agreement"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(monthly_rent__gt=0, monthly_protection__gte=0), name="agreement_rent_positive"),
            models.CheckConstraint(
                condition=Q(purchase_price__gte=0, replacement_value__gte=0), name="agreement_prices_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(ended_on=None, end_reason="") | (Q(ended_on__gte=F("starts_on")) & ~Q(end_reason="")),
                name="agreement_end_has_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(follows=None, follows_by="") | (Q(follows__isnull=False) & ~Q(follows_by="")),
                name="agreement_follows_for_a_reason",
            ),
        ]
        indexes = [
            models.Index(fields=["household"], name="agreement_household"),
            models.Index(fields=["id"], condition=Q(ended_on=None), name="agreement_open"),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def is_open(self) -> bool:
        """Whether it still runs."""
        return self.ended_on is None


@pghistory.track()
class AgreementUnit(models.Model):
    """The instrument on an agreement from one moment until the next: the rented one, or a loaner meanwhile."""

    class Role(models.TextChoices):
        RENTED = "rented", "Rented"
        LOANER = "loaner", "Loaner"

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="units")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="agreement_units")
    role = models.CharField(max_length=8, choices=Role.choices, default=Role.RENTED)
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            ExclusionConstraint(
                name="instrument_on_one_agreement",
                expressions=[("instrument", RangeOperators.EQUAL), (span(), RangeOperators.OVERLAPS)],
            ),
            models.UniqueConstraint(
                fields=["agreement", "role"], condition=Q(ended_at=None), name="agreement_one_open_unit_per_role"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(ended_at__gte=F("began_at")), name="agreement_unit_ends_after_it_begins"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.agreement_id}/{self.instrument_id}"


class AgreementGoods(models.Model):
    """A product taken along at sign-up, at the price of the day; billed once."""

    agreement = models.ForeignKey(Agreement, on_delete=models.PROTECT, related_name="goods")
    product = models.ForeignKey("inventory.Product", on_delete=models.PROTECT, related_name="+")
    quantity = models.PositiveSmallIntegerField()
    unit_price = price_field()

    objects: ClassVar[models.Manager["AgreementGoods"]] = models.Manager()

    class Meta:
        verbose_name_plural = "agreement goods"
        constraints = [
            models.UniqueConstraint(fields=["agreement", "product"], name="agreement_goods_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=20, unit_price__gte=0), name="agreement_goods_sane"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.product_id}"


class Signature(models.Model):
    """How an agreement was signed: by whom, drawn or typed, under which text, on which device, in whose presence."""

    class Method(models.TextChoices):
        DRAWN = "drawn", "Drawn"
        TYPED = "typed", "Typed"

    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, related_name="signature")
    signer_name = models.CharField(max_length=120)
    method = models.CharField(max_length=6, choices=Method.choices)
    strokes = models.TextField(blank=True, help_text="An SVG path of the drawn signature.")
    consent = models.ForeignKey("families.Consent", on_delete=models.PROTECT, related_name="+")
    text_sha256 = models.CharField(max_length=64, help_text="SHA-256 of the text that was signed.")
    language = models.CharField(max_length=5, default="en")
    device = models.CharField(max_length=200, blank=True)
    signed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(method="typed", strokes="") | (Q(method="drawn") & ~Q(strokes="")),
                name="signature_has_its_mark",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.signer_name} ({self.get_method_display()})"


class SignUpDraft(models.Model):
    """A sign-up that is not signed yet, saved with every answer, so that nothing is lost. Its id is the request's key."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    user = models.ForeignKey("staff.User", on_delete=models.CASCADE, related_name="sign_up_drafts")
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="sign_up_drafts")
    data = models.JSONField(default=dict)
    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, null=True, related_name="draft")
    updated_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["user", "-updated_at"], name="sign_up_draft_of_user")]

    def __str__(self) -> str:
        return str(self.pk)
