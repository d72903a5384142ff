"""Archived documents and the outbox. A mail or a letter is a row here before it is anything else."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Func, Q, Value

from rentals.staff.models import User


def hex_sha256(column: str) -> Func:
    """PostgreSQL's own SHA-256 of a column of bytes, in hexadecimal."""
    digest = Func(F(column), function="sha256", output_field=models.BinaryField())
    return Func(digest, Value("hex"), function="encode", output_field=models.CharField())


class Document(models.Model):
    """A document asked for, then made once to PDF and kept with its SHA-256. Once made, the database lets nobody change it."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        MADE = "made", "Made"
        FAILED = "failed", "Failed"

    key = models.CharField(max_length=120, unique=True, help_text="Says once what this is: agreement/1042/signed.")
    kind = models.CharField(max_length=40)
    about = models.CharField(max_length=60, db_index=True, help_text="The record it belongs to: agreement/1042.")
    title = models.CharField(max_length=160)
    language = models.CharField(max_length=5, default="en")
    payload = models.JSONField(help_text="Everything the page shows; rendering reads only this.")
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    content = models.BinaryField(null=True)
    sha256 = models.CharField(max_length=64, blank=True)
    asked_at = models.DateTimeField()
    made_at = models.DateTimeField(null=True)
    claimed_at = models.DateTimeField(null=True, help_text="Since when a worker is making it; stale when the worker died.")
    next_try_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    last_error = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state="made", content__isnull=False, made_at__isnull=False, sha256__regex="^[0-9a-f]{64}$")
                | Q(~Q(state="made"), content__isnull=True, sha256=""),
                name="document_made_has_content",
            ),
            models.CheckConstraint(
                condition=Q(content__isnull=True) | Q(sha256=hex_sha256("content")), name="document_sha256_is_of_content"
            ),
        ]
        indexes = [
            models.Index(fields=["asked_at"], condition=~Q(state="made"), name="document_not_made"),
            models.Index(fields=["asked_at", "id"], name="document_by_day"),
        ]
        triggers = [
            pgtrigger.Protect(
                name="made_document_stays",
                operation=pgtrigger.Update | pgtrigger.Delete,
                condition=pgtrigger.Q(old__state="made"),
            ),
        ]

    def __str__(self) -> str:
        return self.title


@pghistory.track()
class PrintBatch(models.Model):
    """Letters that lie on the printer together: which, in which order, and whether they came out well.

    The letters name their batch, so that none is in two. A batch that is dissolved lets its letters go.
    """

    class State(models.TextChoices):
        OPEN = "open", "On the printer"
        PRINTED = "printed", "Came out well"
        DISSOLVED = "dissolved", "Dissolved"

    number = models.PositiveIntegerField(unique=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    letter_count = models.PositiveSmallIntegerField()
    document = models.OneToOneField(Document, on_delete=models.PROTECT, null=True, related_name="batch")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(letter_count__gt=0), name="batch_has_letters"),
            models.CheckConstraint(
                condition=Q(state="open", ended_at=None, ended_by=None)
                | Q(~Q(state="open"), ended_at__isnull=False, ended_by__isnull=False),
                name="batch_ended_has_its_time",
            ),
            models.CheckConstraint(condition=~Q(state="printed") | Q(document__isnull=False), name="batch_printed_has_its_pdf"),
        ]
        triggers = [
            pgtrigger.Protect(
                name="ended_batch_stays", operation=pgtrigger.Update | pgtrigger.Delete, condition=~pgtrigger.Q(old__state="open")
            ),
        ]

    def __str__(self) -> str:
        return f"Print batch {self.number}"


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent(), exclude=["body"])
class OutboxMessage(models.Model):
    """One mail or letter to one family: who, why, which document, and what became of it."""

    class Channel(models.TextChoices):
        MAIL = "mail", "E-mail"
        LETTER = "letter", "Letter"

    class State(models.TextChoices):
        QUEUED = "queued", "Queued"
        SENDING = "sending", "Being sent"
        SENT = "sent", "Sent"
        TO_PRINT = "to_print", "To print"
        PRINTED = "printed", "Printed"
        FAILED = "failed", "Failed"
        CANCELLED = "cancelled", "Cancelled"

    key = models.CharField(max_length=160, unique=True, help_text="Once means once: household, reason and episode.")
    kind = models.CharField(max_length=40)
    about = models.CharField(max_length=60, db_index=True)
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, null=True, related_name="messages")
    channel = models.CharField(max_length=10, choices=Channel.choices)
    language = models.CharField(max_length=5, default="en")
    to_name = models.CharField(max_length=160)
    to_address = models.TextField(help_text="An e-mail address, or the lines of a postal address.")
    subject = models.CharField(max_length=200)
    body = models.TextField()
    document = models.ForeignKey(Document, on_delete=models.PROTECT, null=True, related_name="messages")
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    queued_at = models.DateTimeField()
    queued_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    next_try_at = models.DateTimeField(null=True)
    claimed_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    last_error = models.TextField(blank=True)
    guardian = models.ForeignKey("families.Guardian", on_delete=models.PROTECT, null=True, related_name="messages")
    quiet_from = models.TimeField(null=True, help_text="By the office's clock: from then, and until the next, it is not mailed.")
    quiet_until = models.TimeField(null=True)
    provider_id = models.CharField(max_length=200, blank=True, help_text="How the mail provider names it.")
    delivered_at = models.DateTimeField(null=True)
    returned_at = models.DateTimeField(null=True, help_text="When it came back for good.")
    complained_at = models.DateTimeField(null=True, help_text="When the receiver called it junk.")
    complaint_seen_at = models.DateTimeField(null=True, help_text="When a person of the office took note of that.")
    batch = models.ForeignKey(PrintBatch, on_delete=models.PROTECT, null=True, related_name="letters")
    batch_position = models.PositiveSmallIntegerField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["batch", "batch_position"], name="outbox_one_letter_a_place"),
            models.CheckConstraint(
                condition=Q(batch=None, batch_position=None)
                | Q(
                    channel="letter",
                    batch__isnull=False,
                    batch_position__isnull=False,
                    batch_position__gt=0,
                    state__in=["to_print", "printed"],
                ),
                name="outbox_in_batch_is_a_letter",
            ),
            models.CheckConstraint(
                condition=Q(quiet_from=None, quiet_until=None)
                | Q(~Q(quiet_from=F("quiet_until")), quiet_from__isnull=False, quiet_until__isnull=False),
                name="outbox_quiet_has_both_ends",
            ),
            models.CheckConstraint(condition=Q(returned_at=None) | Q(channel="mail"), name="outbox_only_mails_come_back"),
            models.CheckConstraint(
                condition=Q(complaint_seen_at=None) | Q(complained_at__isnull=False), name="outbox_seen_what_was_said"
            ),
            models.CheckConstraint(
                condition=Q(channel="mail", state__in=["queued", "sending", "sent", "failed", "cancelled"])
                | Q(channel="letter", state__in=["to_print", "printed", "cancelled"]),
                name="outbox_state_fits_channel",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["sent", "printed"], sent_at__isnull=False)
                | Q(~Q(state__in=["sent", "printed"]), sent_at=None),
                name="outbox_sent_has_its_time",
            ),
            models.CheckConstraint(condition=~Q(state="sending") | Q(claimed_at__isnull=False), name="outbox_sending_is_claimed"),
        ]
        indexes = [
            models.Index(fields=["queued_at"], condition=Q(state__in=["queued", "sending"]), name="outbox_to_do"),
            models.Index(fields=["queued_at"], condition=Q(state__in=["to_print", "failed"]), name="outbox_for_people"),
            models.Index(fields=["-queued_at", "-id"], name="outbox_newest"),
            models.Index(fields=["provider_id"], condition=~Q(provider_id=""), name="outbox_by_provider_id"),
            models.Index(fields=["complained_at"], condition=Q(complained_at__isnull=False), name="outbox_complaints"),
        ]

    def __str__(self) -> str:
        return f"{self.subject} ({self.get_state_display()})"


class WordingVersion(models.Model):
    """What a letter says in one language, as somebody put it. The highest number is in force; none is ever changed."""

    code = models.CharField(max_length=40)
    language = models.CharField(max_length=5)
    number = models.PositiveIntegerField()
    heading = models.CharField(max_length=160)
    opening = models.TextField()
    closing = models.TextField()
    mail = models.TextField()
    note = models.CharField(max_length=160, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["code", "language", "number"], name="wording_number_once"),
            models.CheckConstraint(
                condition=Q(number__gte=1) & ~Q(heading="") & ~Q(mail="", opening=""), name="wording_says_something"
            ),
        ]
        triggers = [pgtrigger.Protect(name="wording_stays", operation=pgtrigger.Update | pgtrigger.Delete)]

    def __str__(self) -> str:
        return f"{self.code} ({self.language}) {self.number}"
