"""The record of backups: what was made, proved and lost. The archives themselves lie in a folder."""

from django.db import models
from django.db.models import Q
from django.utils import timezone


class BackupRecord(models.Model):
    """One backup, written down before it begins: a row that never ends is a backup that was cut off."""

    class State(models.TextChoices):
        RUNNING = "running", "Running"
        VERIFIED = "verified", "Verified"
        MADE = "made", "Made, not read through"
        FAILED = "failed", "Failed"

    began_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.RUNNING)
    by_night = models.BooleanField(default=False, help_text="Made by the nightly job, not by hand.")
    file_name = models.CharField(max_length=80, blank=True)
    folder = models.CharField(max_length=300, blank=True)
    size = models.BigIntegerField(null=True, help_text="Bytes.")
    sha256 = models.CharField(max_length=64, blank=True)
    seconds = models.DecimalField(max_digits=9, decimal_places=1, null=True)
    verified_at = models.DateTimeField(null=True)
    error = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state="running", sha256="", error="", verified_at=None)
                | Q(state="failed", verified_at=None) & ~Q(error="")
                | Q(state="made", sha256__regex="^[0-9a-f]{64}$", size__gt=0, verified_at=None, error="")
                | Q(state="verified", sha256__regex="^[0-9a-f]{64}$", size__gt=0, verified_at__isnull=False, error=""),
                name="backup_state_has_what_it_says",
            ),
        ]
        indexes = [models.Index(fields=["-began_at"], name="backup_newest")]

    def __str__(self) -> str:
        return self.file_name or f"backup of {timezone.localtime(self.began_at):%Y-%m-%d %H:%M}"
