"""The waiting line of a sign-up night, and what each tablet last said it has not sent yet. No names stand here."""

from django.db import models
from django.db.models import F, Q

from schools.models.nights import Night


class WaitingNumber(models.Model):
    """A family's place in the line of a night: it waits, is called, and is then done or gone. No history: the row tells it."""

    class Door(models.TextChoices):
        DOOR = "door", "At the door"
        HOME = "home", "With a form from home"

    night = models.ForeignKey(Night, on_delete=models.PROTECT, related_name="waiting_numbers")
    number = models.PositiveSmallIntegerField()
    place = models.PositiveIntegerField(help_text="Who stands before whom: a thousand a number, moved when put back in line.")
    door = models.CharField(max_length=4, choices=Door.choices, default=Door.DOOR)
    note = models.CharField(max_length=8, blank=True, help_text="Initials, or the code of a form from home; no name.")
    came_at = models.DateTimeField()
    called_at = models.DateTimeField(null=True, blank=True)
    called_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    device = models.UUIDField(null=True, blank=True, help_text="The tablet that called it.")
    done_at = models.DateTimeField(null=True, blank=True)
    left_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["night", "number"], name="waiting_number_once"),
            models.UniqueConstraint(
                fields=["night", "note"], condition=Q(door="home", left_at=None), name="waiting_home_form_once"
            ),
            models.CheckConstraint(condition=Q(number__gte=1), name="waiting_number_from_one"),
            models.CheckConstraint(condition=Q(note__regex=r"^([A-Z0-9-]{1,8})?$"), name="waiting_note_names_nobody"),
            models.CheckConstraint(condition=~Q(door="home") | ~Q(note=""), name="waiting_home_form_has_its_code"),
            models.CheckConstraint(
                condition=Q(called_at=None, called_by=None, device=None, done_at=None)
                | Q(called_at__gte=F("came_at"), called_by__isnull=False),
                name="waiting_called_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(done_at=None) | Q(done_at__gte=F("called_at"), left_at=None), name="waiting_done_or_gone"
            ),
            models.CheckConstraint(condition=Q(left_at=None) | Q(left_at__gte=F("came_at")), name="waiting_left_after_it_came"),
        ]
        indexes = [
            models.Index(fields=["night", "place", "number"], condition=Q(called_at=None, left_at=None), name="waiting_next"),
        ]
        ordering = ["place", "number"]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.number}"


class NightTablet(models.Model):
    """What one tablet last reported at a night: how many sign-ups it still holds. Nothing of what stands in them."""

    night = models.ForeignKey(Night, on_delete=models.PROTECT, related_name="tablets")
    device = models.UUIDField()
    used_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+", help_text="Who was signed in.")
    reported_at = models.DateTimeField()
    waiting = models.PositiveIntegerField(default=0, help_text="Sign-ups that are not sent yet.")
    attention = models.PositiveIntegerField(default=0, help_text="Those it could not send and asks a person about.")
    oldest_minutes = models.PositiveIntegerField(default=0, help_text="How long the oldest of them waits.")
    handed_over_at = models.DateTimeField(null=True, blank=True, help_text="When somebody said its file was handed over.")
    handed_over_held = models.PositiveIntegerField(null=True, blank=True, help_text="How many sign-ups it held then.")
    handed_over_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    handed_over_note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["night", "device"], name="night_tablet_once"),
            models.CheckConstraint(
                condition=Q(handed_over_at=None, handed_over_by=None, handed_over_held=None, handed_over_note="")
                | Q(handed_over_at__isnull=False, handed_over_by__isnull=False, handed_over_held__isnull=False)
                & ~Q(handed_over_note=""),
                name="night_tablet_handed_over_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.device}"

    @property
    def name(self) -> str:
        """What people call it: the first four signs of its id, as they stand on its screen."""
        return str(self.device)[:4].upper()

    @property
    def held(self) -> int:
        """How many sign-ups it still holds."""
        return self.waiting + self.attention

    @property
    def is_settled(self) -> bool:
        """Whether it holds nothing, or nothing beyond what somebody took off it as a file."""
        return self.held <= (self.handed_over_held or 0)
