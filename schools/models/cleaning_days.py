"""A school's cleaning day: which of its students' instruments are expected, which came, which were cleaned and went back."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Q

from schools.models.schools import School

# What a day that is over says stays as it was: who came and who did not.
OVER = """
    IF EXISTS (
        SELECT FROM schools_cleaningday AS day
        WHERE day.id = COALESCE(NEW.day_id, OLD.day_id) AND day.closed_at IS NOT NULL
    ) THEN
        RAISE EXCEPTION 'the cleaning day is over: its list does not change any more' USING ERRCODE = 'check_violation';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""


@pghistory.track()
class CleaningDay(models.Model):
    """A day on which the instruments of a school's students are cleaned together, at one shop."""

    school = models.ForeignKey(School, on_delete=models.PROTECT, related_name="cleaning_days")
    on = models.DateField()
    due_until = models.DateField(help_text="Expected are the instruments whose cleaning is due on or before this day.")
    location = models.ForeignKey("inventory.Location", on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["school", "on"], name="cleaning_day_once"),
            models.CheckConstraint(condition=Q(due_until__gte=F("on")), name="cleaning_day_looks_ahead"),
            models.CheckConstraint(
                condition=Q(closed_at=None, closed_by=None) | Q(closed_at__gte=F("made_at"), closed_by__isnull=False),
                name="cleaning_day_closed_by_someone",
            ),
        ]
        ordering = ["-on", "school__name"]

    def __str__(self) -> str:
        return f"{self.school_id}, {self.on}"


@pghistory.track()
class CleaningVisit(models.Model):
    """One instrument on a cleaning day: expected or not, when it came, when it was cleaned, when it went back."""

    day = models.ForeignKey(CleaningDay, on_delete=models.PROTECT, related_name="visits")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="cleaning_visits")
    is_expected = models.BooleanField()
    came_at = models.DateTimeField(null=True)
    came_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    cleaned_at = models.DateTimeField(null=True)
    cleaned_before_on = models.DateField(null=True, help_text="Its last cleaning before this one, should this be taken back.")
    back_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["day", "instrument"], name="cleaning_visit_once"),
            models.CheckConstraint(
                condition=Q(is_expected=True) | Q(came_at__isnull=False), name="cleaning_visit_expected_or_came"
            ),
            models.CheckConstraint(
                condition=Q(came_at=None, came_by=None) | Q(came_at__isnull=False, came_by__isnull=False),
                name="cleaning_visit_came_to_someone",
            ),
            models.CheckConstraint(
                condition=Q(cleaned_at=None) | Q(came_at__isnull=False, cleaned_at__gte=F("came_at")),
                name="cleaning_visit_came_before_cleaned",
            ),
            models.CheckConstraint(
                condition=Q(back_at=None) | Q(came_at__isnull=False, back_at__gte=F("came_at")),
                name="cleaning_visit_came_before_back",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="cleaning_day_is_over",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                func=OVER,
            )
        ]

    def __str__(self) -> str:
        return f"{self.day_id}/{self.instrument_id}"
