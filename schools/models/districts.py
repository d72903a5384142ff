"""School districts, and the days of a school or of a whole district: without school, first and last day, concerts."""

import pghistory
from django.db import models
from django.db.models import F, Q


@pghistory.track()
class District(models.Model):
    """A school district: its schools share directors, sign-up nights and days without school."""

    name = models.CharField(max_length=120, unique=True)
    notes = models.TextField(blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(name=""), name="district_has_a_name")]
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class SchoolDay(models.Model):
    """A day, or days in a row with both ends included, in the calendar of one school or of all schools of a district."""

    class Kind(models.TextChoices):
        CLOSED = "closed", "No school"
        FIRST_DAY = "first_day", "First day of school"
        LAST_DAY = "last_day", "Last day of school"
        CONCERT = "concert", "Concert"
        OTHER = "other", "Something else"

    district = models.ForeignKey(District, on_delete=models.PROTECT, null=True, blank=True, related_name="days")
    school = models.ForeignKey("schools.School", on_delete=models.PROTECT, null=True, blank=True, related_name="days")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    first_on = models.DateField()
    last_on = models.DateField(help_text="Included; the same day for one day.")
    name = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(district__isnull=True, school__isnull=False) | Q(district__isnull=False, school__isnull=True),
                name="school_day_of_school_or_district",
            ),
            models.CheckConstraint(condition=Q(last_on__gte=F("first_on")), name="school_day_ends_after_it_begins"),
            models.UniqueConstraint(
                fields=["district", "school", "kind", "first_on"], nulls_distinct=False, name="school_day_once"
            ),
        ]
        indexes = [models.Index(fields=["last_on"], name="school_day_by_end")]
        ordering = ["first_on", "pk"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.first_on}"
