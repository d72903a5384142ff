"""Sign-up nights: when, where, for which programmes, who works there, and which instruments are along."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Q

from schools.models.schools import Programme, School


@pghistory.track()
class Night(models.Model):
    """A sign-up night at a school: families of its programmes meet specialists who have brought instruments."""

    class State(models.TextChoices):
        PLANNED = "planned", "Planned"
        OPEN = "open", "Under way"
        CLOSED = "closed", "Closed"
        CALLED_OFF = "called_off", "Called off"

    school = models.ForeignKey(School, on_delete=models.PROTECT, related_name="nights", help_text="Where it takes place.")
    programmes = models.ManyToManyField(Programme, through="NightProgramme", related_name="nights")
    on = models.DateField()
    begins_at = models.TimeField(help_text="The shop's local time.")
    ends_at = models.TimeField()
    room = models.CharField(max_length=80, blank=True)
    expected_families = models.PositiveSmallIntegerField()
    location = models.ForeignKey(
        "inventory.Location", on_delete=models.PROTECT, related_name="nights", help_text="The shop its instruments leave from."
    )
    notes = models.TextField(blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PLANNED)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["school", "on"], condition=~Q(state="called_off"), name="night_once_per_school_and_day"
            ),
            models.CheckConstraint(condition=Q(ends_at__gt=F("begins_at")), name="night_ends_after_it_begins"),
            models.CheckConstraint(
                condition=Q(expected_families__gte=1, expected_families__lte=2000), name="night_families_sane"
            ),
            models.CheckConstraint(
                condition=Q(state="planned", opened_at=None, ended_at=None, ended_by=None)
                | Q(state="open", opened_at__isnull=False, ended_at=None, ended_by=None)
                | Q(state="closed", opened_at__isnull=False, ended_at__gte=F("opened_at"), ended_by__isnull=False)
                | Q(state="called_off", opened_at=None, ended_at__isnull=False, ended_by__isnull=False),
                name="night_state_has_its_times",
            ),
        ]
        indexes = [models.Index(fields=["-on"], name="night_by_day")]
        triggers = [
            pgtrigger.Trigger(
                name="night_closed_with_nothing_along",
                when=pgtrigger.After,
                operation=pgtrigger.Insert | pgtrigger.Update,
                condition=pgtrigger.Q(new__state__in=("closed", "called_off")),
                func="""
                    IF EXISTS (SELECT FROM schools_nightunit WHERE night_id = NEW.id AND ended_at IS NULL) THEN
                        RAISE EXCEPTION 'instruments are still along: unload them or mark them missing first'
                            USING ERRCODE = 'restrict_violation';
                    END IF;
                    RETURN NULL;
                """,
            ),
            pgtrigger.Trigger(
                name="night_closed_stays_closed",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Q(old__state="closed") & ~pgtrigger.Q(new__state="closed"),
                func="RAISE EXCEPTION 'a night that was closed stays closed' USING ERRCODE = 'restrict_violation';",
            ),
        ]
        ordering = ["-on", "school__name"]

    def __str__(self) -> str:
        return f"{self.school}, {self.on}"

    @property
    def is_over(self) -> bool:
        """Whether nothing happens there any more."""
        return self.state in {self.State.CLOSED, self.State.CALLED_OFF}


@pghistory.track()
class NightProgramme(models.Model):
    """A programme whose families are asked to a night."""

    night = models.ForeignKey(Night, on_delete=models.CASCADE, related_name="night_programmes")
    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="night_programmes")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["night", "programme"], name="night_programme_once")]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.programme_id}"


@pghistory.track()
class NightStaff(models.Model):
    """Who works at a night; one of them may lead it."""

    night = models.ForeignKey(Night, on_delete=models.CASCADE, related_name="staff")
    user = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    is_lead = models.BooleanField(default=False)

    class Meta:
        verbose_name_plural = "night staff"
        constraints = [
            models.UniqueConstraint(fields=["night", "user"], name="night_staff_once"),
            models.UniqueConstraint(fields=["night"], condition=Q(is_lead=True), name="night_one_lead"),
        ]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.user_id}"


@pghistory.track()
class NightUnit(models.Model):
    """An instrument that was loaded for a night: along until it is given to a family there or comes off the van again."""

    class Outcome(models.TextChoices):
        GIVEN = "given", "Given to a family"
        BACK = "back", "Came back"
        MISSING = "missing", "Missing at the end"

    night = models.ForeignKey(Night, on_delete=models.PROTECT, related_name="units")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="night_units")
    loaded_at = models.DateTimeField()
    loaded_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=8, choices=Outcome.choices, blank=True)
    line = models.ForeignKey(
        "schools.AllotmentLine",
        on_delete=models.PROTECT,
        null=True,
        related_name="units",
        help_text="The line of the allotment it was loaded for, as a substitute too; null: an extra.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(ended_at=None), name="night_unit_along_once"),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None, outcome="")
                | (Q(ended_at__gte=F("loaded_at"), ended_by__isnull=False) & ~Q(outcome="")),
                name="night_unit_ended_somehow_by_someone",
            ),
        ]
        indexes = [models.Index(fields=["night"], condition=Q(ended_at=None), name="night_unit_along")]
        triggers = [
            pgtrigger.Trigger(
                name="night_unit_not_along_when_over",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.Update,
                condition=pgtrigger.Q(new__ended_at__isnull=True),
                func="""
                    PERFORM FROM schools_night WHERE id = NEW.night_id FOR SHARE;
                    IF EXISTS (SELECT FROM schools_night WHERE id = NEW.night_id AND state IN ('closed', 'called_off')) THEN
                        RAISE EXCEPTION 'nothing is along at a night that is over' USING ERRCODE = 'restrict_violation';
                    END IF;
                    RETURN NEW;
                """,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.night_id}/{self.instrument_id}"
