"""What a sign-up night brings home: every sign-up that a tablet sent, and what families were promised."""

from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import F, Q

from rentals.agreements.models.agreements import Agreement
from rentals.inventory.models import CatalogueItem


class NightSignUp(models.Model):
    """One sign-up as a tablet sent it; its id was made on the tablet and is the request's key.

    It is kept from the moment it reaches the office and ends as one of three: an agreement, a question for a person, or
    discarded by a named person. What the family wrote lies sealed, and only for as long as somebody may need it
    (`counter.nights.intake.keeping`); no history is kept of it, because a trail would outlive it.
    """

    class State(models.TextChoices):
        ARRIVED = "arrived", "Arrived"
        ATTENTION = "attention", "Needs attention"
        DISCARDED = "discarded", "Discarded"

    id = models.UUIDField(primary_key=True)
    night = models.ForeignKey("schools.Night", on_delete=models.PROTECT, related_name="sign_ups")
    device = models.UUIDField(help_text="The tablet.")
    sequence = models.PositiveIntegerField(help_text="The tablet's own count of its sign-ups.")
    made_at = models.DateTimeField(help_text="By the tablet's clock.")
    received_at = models.DateTimeField(help_text="By the office's clock.")
    sent_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+", help_text="Who brought it in.")
    taken_by = models.ForeignKey(
        "staff.User", on_delete=models.PROTECT, related_name="+", help_text="Who signed the family up and answers for its money."
    )
    was_offline = models.BooleanField(help_text="Made while the tablet had no network.")
    pack = models.CharField(max_length=16, help_text="Version of the prices and texts it was made with.")
    waiting = models.PositiveIntegerField(null=True, blank=True, help_text="The family's number in the waiting line.")
    pays_later = models.BooleanField(
        default=False, help_text="Nothing was taken: the family pays what is due by card or bank account afterwards."
    )
    state = models.CharField(max_length=9, choices=State.choices)
    reason = models.CharField(max_length=24, blank=True, help_text="Why it needs attention, as a code.")
    why = models.TextField(blank=True, help_text="Why it needs attention, in a sentence without names.")
    differs = models.JSONField(default=list, blank=True, help_text="Rows of what, shown, now.")
    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, null=True, blank=True, related_name="night_sign_up")
    sealed = models.BinaryField(null=True, help_text="What was sent, whole, until nobody needs it any more.")
    resolved_at = models.DateTimeField(null=True, blank=True)
    resolved_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    discard_reason = models.CharField(max_length=200, blank=True)

    objects: ClassVar[models.Manager["NightSignUp"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state="arrived", agreement__isnull=False, sealed=None, discard_reason="")
                | Q(state="attention", agreement=None, sealed__isnull=False, resolved_at=None, discard_reason="") & ~Q(why="")
                | Q(state="discarded", agreement=None, resolved_at__isnull=False) & ~Q(discard_reason=""),
                name="night_sign_up_one_of_three_ends",
            ),
            models.CheckConstraint(
                condition=Q(resolved_at=None, resolved_by=None) | Q(resolved_at__isnull=False, resolved_by__isnull=False),
                name="night_sign_up_resolved_by_someone",
            ),
        ]
        indexes = [
            models.Index(fields=["night", "-received_at"], name="night_sign_up_of_night"),
            models.Index(fields=["night"], condition=Q(state="attention"), name="night_sign_up_attention"),
        ]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.pk}"


class GivenUpSignUp(models.Model):
    """A sign-up that a tablet could not bring in and a person gave up there. Who, when and why; nothing of what stood in it."""

    id = models.UUIDField(primary_key=True, help_text="The sign-up's own, as it was on the tablet.")
    night = models.ForeignKey("schools.Night", on_delete=models.PROTECT, related_name="given_up")
    device = models.UUIDField(help_text="The tablet.")
    made_at = models.DateTimeField(help_text="When it was signed, by the tablet's clock.")
    given_up_at = models.DateTimeField(help_text="By the office's clock.")
    given_up_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=200)
    paid = models.DecimalField(
        max_digits=8,
        decimal_places=2,
        default=0,
        help_text="What was taken for it in cash or by check: no payment stands for it.",
    )

    objects: ClassVar[models.Manager["GivenUpSignUp"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="given_up_says_why"),
            models.CheckConstraint(condition=Q(paid__gte=0), name="given_up_paid_not_negative"),
        ]
        indexes = [models.Index(fields=["night", "given_up_at"], name="given_up_of_night")]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.pk}"


@pghistory.track()
class UnitPromise(models.Model):
    """A signed agreement whose instrument is still to come: open until one is assigned, or the agreement ends without it."""

    agreement = models.OneToOneField(Agreement, on_delete=models.PROTECT, related_name="promise")
    night = models.ForeignKey("schools.Night", on_delete=models.PROTECT, null=True, blank=True, related_name="promises")
    item = models.ForeignKey(CatalogueItem, on_delete=models.PROTECT, related_name="+", help_text="The model signed for.")
    promised = models.ForeignKey(
        "inventory.Instrument",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="The one named at signing.",
    )
    why = models.CharField(max_length=300, help_text="Why it was not there.")
    made_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    given = models.ForeignKey(
        "inventory.Instrument",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="None: ended without.",
    )

    objects: ClassVar[models.Manager["UnitPromise"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(settled_at=None, settled_by=None, given=None)
                | Q(settled_at__gte=F("made_at"), settled_by__isnull=False),
                name="unit_promise_settled_by_someone",
            ),
            models.CheckConstraint(condition=~Q(why=""), name="unit_promise_says_why"),
        ]
        indexes = [models.Index(fields=["made_at"], condition=Q(settled_at=None), name="unit_promise_open")]

    def __str__(self) -> str:
        return f"promise on {self.agreement_id}"

    @property
    def is_open(self) -> bool:
        """Whether the family still waits for its instrument."""
        return self.settled_at is None
