"""Who directs which programme, what they may be shown of it and on whose word, and who spoke with whom about what."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Q

from schools.models.schools import Programme, School

# A person who directs may sign in only while the school's consent stands; written here so that no path around it exists.
BY_CONSENT = """
    IF NOT EXISTS (
        SELECT FROM schools_rosterconsent AS consent WHERE consent.director_id = NEW.id AND consent.withdrawn_at IS NULL
    ) THEN
        RAISE EXCEPTION 'a director signs in only while a consent is in force' USING ERRCODE = 'check_violation';
    END IF;
    RETURN NEW;
"""
STANDS = """
    RAISE EXCEPTION 'what was agreed stays as it was written down; it can only be withdrawn, once'
        USING ERRCODE = 'check_violation';
"""


@pghistory.track()
class Director(models.Model):
    """A music director: one or several programmes, at one school or several."""

    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=16, blank=True)
    programmes = models.ManyToManyField(Programme, through="DirectorProgramme", related_name="directors")
    since_on = models.DateField(null=True, blank=True, help_text="None: not told.")
    until_on = models.DateField(null=True, blank=True, help_text="The last day; none while the person directs.")
    user = models.OneToOneField(
        "staff.User", on_delete=models.PROTECT, null=True, blank=True, related_name="director", help_text="The own sign-in."
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="director_has_a_name"),
            models.CheckConstraint(condition=Q(phone="") | Q(phone__regex=r"^\+[1-9][0-9]{6,14}$"), name="director_phone_e164"),
            models.CheckConstraint(
                condition=Q(since_on=None) | Q(until_on=None) | Q(until_on__gte=F("since_on")),
                name="director_leaves_after_coming",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="signs_in_by_consent",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.UpdateOf("user_id"),  # type: ignore[no-untyped-call]
                condition=pgtrigger.Condition("NEW.user_id IS NOT NULL"),
                func=BY_CONSENT,
            )
        ]
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class DirectorProgramme(models.Model):
    """One programme that a director directs."""

    director = models.ForeignKey(Director, on_delete=models.CASCADE, related_name="director_programmes")
    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="director_programmes")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["director", "programme"], name="director_programme_once")]

    def __str__(self) -> str:
        return f"{self.director_id}/{self.programme_id}"


@pghistory.track()
class RosterConsent(models.Model):
    """What a school agreed that a director may see of its students' instruments, in the words that were shown.

    In force until it is withdrawn; withdrawn it stays, and a new one is written down beside it.
    """

    director = models.ForeignKey(Director, on_delete=models.PROTECT, related_name="consents")
    agreed_by = models.CharField(max_length=120, help_text="Who agreed for the school, with the office held there.")
    agreed_on = models.DateField()
    words = models.TextField(help_text="The words as they were shown.")
    words_version = models.CharField(max_length=16)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    withdrawn_why = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["director"], condition=Q(withdrawn_at=None), name="roster_consent_one_in_force"),
            models.CheckConstraint(condition=~Q(words="") & ~Q(agreed_by=""), name="roster_consent_says_who_and_what"),
            models.CheckConstraint(
                condition=Q(withdrawn_at=None, withdrawn_by=None, withdrawn_why="")
                | (
                    Q(withdrawn_at__isnull=False, withdrawn_at__gte=F("recorded_at"), withdrawn_by__isnull=False)
                    & ~Q(withdrawn_why="")
                ),
                name="roster_consent_withdrawn_by_someone",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(name="consent_never_removed", when=pgtrigger.Before, operation=pgtrigger.Delete, func=STANDS),
            pgtrigger.Trigger(
                name="consent_never_rewritten",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.withdrawn_at IS NOT NULL OR ROW(OLD.director_id, OLD.agreed_by, OLD.agreed_on, OLD.words,"
                    " OLD.words_version, OLD.recorded_at, OLD.recorded_by_id) IS DISTINCT FROM ROW(NEW.director_id,"
                    " NEW.agreed_by, NEW.agreed_on, NEW.words, NEW.words_version, NEW.recorded_at, NEW.recorded_by_id)"
                ),
                func=STANDS,
            ),
        ]
        ordering = ["-recorded_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.director_id}, {self.agreed_on}"

    @property
    def is_in_force(self) -> bool:
        """Whether nobody has withdrawn it."""
        return self.withdrawn_at is None


@pghistory.track()
class Contact(models.Model):
    """Somebody of the office spoke with somebody of a school: about what, and what is to be done next by which day."""

    class How(models.TextChoices):
        PHONE = "phone", "By phone"
        MAIL = "mail", "By e-mail"
        VISIT = "visit", "In person"

    school = models.ForeignKey(School, on_delete=models.PROTECT, related_name="contacts")
    with_whom = models.CharField(max_length=120)
    how = models.CharField(max_length=6, choices=How.choices)
    on = models.DateField()
    about = models.TextField(max_length=1000)
    next_step = models.CharField(max_length=200, blank=True)
    next_on = models.DateField(null=True, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(next_step="", next_on=None) | (~Q(next_step="") & Q(next_on__isnull=False)),
                name="contact_next_step_has_its_day",
            ),
            models.CheckConstraint(
                condition=Q(done_at=None, done_by=None)
                | (Q(done_at__isnull=False, done_at__gte=F("made_at"), done_by__isnull=False) & ~Q(next_step="")),
                name="contact_step_done_by_someone",
            ),
        ]
        indexes = [models.Index(fields=["next_on"], condition=Q(done_at=None, next_on__isnull=False), name="contact_step_open")]
        ordering = ["-on", "-pk"]

    def __str__(self) -> str:
        return f"{self.school_id}, {self.on}"
