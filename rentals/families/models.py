"""Who pays and who plays: households, guardians, students, and what they agreed to. About a minor, no more than the job needs."""

import datetime

import pghistory
from django.contrib.postgres.indexes import GinIndex, OpClass
from django.db import models
from django.db.models import F, Func, Q
from django.db.models.functions import Collate

QUIET_FROM, QUIET_UNTIL = datetime.time(21), datetime.time(8)
"""When mail that leaves by itself waits, unless the family wants it otherwise. Common practice, no source."""


@pghistory.track()
class Household(models.Model):
    """The paying family: one account, one address, one balance."""

    number = models.CharField(max_length=12, unique=True)
    name = models.CharField(max_length=120, help_text="The family's name as filed: Rivera.")
    street = models.CharField(max_length=120)
    unit = models.CharField(max_length=40, blank=True)
    city = models.CharField(max_length=80)
    state = models.CharField(max_length=2)
    postal_code = models.CharField(max_length=10)
    language = models.CharField(max_length=5, choices=[("en", "English"), ("es", "Español")], default="en")
    notes = models.TextField(blank=True)
    made_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        indexes = [
            models.Index(Collate(Func("name", function="plain"), "C"), F("name"), F("id"), name="household_by_name"),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.number})"


@pghistory.track()
class Guardian(models.Model):
    """An adult of a household, and how news reaches them. Phones are kept in E.164 and shown as people write them."""

    class NewsBy(models.TextChoices):
        MAIL = "mail", "By e-mail"
        LETTER = "letter", "As a letter on paper"

    class Reminders(models.TextChoices):
        SAME = "same", "Like everything else"
        LETTER = "letter", "As a letter on paper"
        NONE = "none", "None"

    class ChosenBy(models.TextChoices):
        OFFICE = "office", "the office"
        LINK = "link", "the family, by the link in a mail"
        COMPLAINT = "complaint", "the family's mail provider, who was told it is junk"

    household = models.ForeignKey(Household, on_delete=models.PROTECT, related_name="guardians")
    given_name = models.CharField(max_length=60)
    family_name = models.CharField(max_length=60)
    phone = models.CharField(max_length=16, blank=True)
    email = models.EmailField(blank=True)
    is_primary = models.BooleanField(default=False)
    news_by = models.CharField(max_length=10, choices=NewsBy.choices, default=NewsBy.MAIL)
    quiet_from = models.TimeField(null=True, default=QUIET_FROM, help_text="No mail by itself from then, by the office's clock.")
    quiet_until = models.TimeField(null=True, default=QUIET_UNTIL)
    reminders = models.CharField(max_length=10, choices=Reminders.choices, default=Reminders.SAME)
    reminders_by = models.CharField(max_length=10, choices=ChosenBy.choices, blank=True, help_text="Who last chose about them.")
    reminders_at = models.DateTimeField(null=True)
    mail_failed_at = models.DateTimeField(null=True, help_text="Since when mail to this address comes back.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(quiet_from=None, quiet_until=None)
                | Q(~Q(quiet_from=F("quiet_until")), quiet_from__isnull=False, quiet_until__isnull=False),
                name="guardian_quiet_has_both_ends",
            ),
            models.CheckConstraint(
                condition=Q(reminders_at=None, reminders_by="") | Q(~Q(reminders_by=""), reminders_at__isnull=False),
                name="guardian_reminders_chosen_by_one",
            ),
            models.CheckConstraint(condition=Q(mail_failed_at=None) | ~Q(email=""), name="guardian_failed_mail_is_known"),
            models.UniqueConstraint(fields=["household"], condition=Q(is_primary=True), name="guardian_one_primary"),
            models.CheckConstraint(condition=Q(phone="") | Q(phone__regex=r"^\+[1-9][0-9]{6,14}$"), name="guardian_phone_e164"),
        ]

    def __str__(self) -> str:
        return f"{self.given_name} {self.family_name}"


@pghistory.track()
class Student(models.Model):
    """A student: a name, a school year and a programme. No birth date, no photograph."""

    household = models.ForeignKey(Household, on_delete=models.PROTECT, related_name="students")
    given_name = models.CharField(max_length=60)
    family_name = models.CharField(max_length=60)
    grade = models.PositiveSmallIntegerField(null=True, blank=True, help_text="School year, 1 to 12, as of the start.")
    programme = models.ForeignKey("schools.Programme", on_delete=models.PROTECT, null=True, blank=True, related_name="students")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(grade=None) | Q(grade__gte=0, grade__lte=13), name="student_grade_known"),
        ]

    def __str__(self) -> str:
        return f"{self.given_name} {self.family_name}"

    @property
    def initials(self) -> str:
        """First letters of both names, for labels and for eyes that need no more."""
        return f"{self.given_name[:1]}{self.family_name[:1]}".upper()


@pghistory.track()
class Consent(models.Model):
    """What a guardian agreed to, in which words, and when it was taken back."""

    class Kind(models.TextChoices):
        ELECTRONIC_RECORDS = "electronic_records", "Electronic records and signature"

    guardian = models.ForeignKey(Guardian, on_delete=models.PROTECT, related_name="consents")
    kind = models.CharField(max_length=24, choices=Kind.choices)
    wording = models.TextField()
    wording_version = models.CharField(max_length=20)
    given_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True)
    taken_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["guardian", "kind"], condition=Q(withdrawn_at=None), name="consent_one_in_force"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.wording_version}"


class SearchKey(models.Model):
    """What a family is found by: one row per beginning that somebody may type. Kept by triggers, never written by Python.

    A name stands here once for each of its words, turned so that the word comes first ("rivera ana", "ana rivera"); a telephone
    number forwards without its country code and backwards for its last digits. All of it plain: small letters, no accents.
    """

    class Kind(models.TextChoices):
        NAME = "n", "Name"
        PHONE = "d", "Telephone, forwards"
        PHONE_END = "p", "Telephone, backwards"
        EMAIL = "e", "E-mail"

    class Source(models.TextChoices):
        HOUSEHOLD = "h", "Household"
        GUARDIAN = "g", "Guardian"
        STUDENT = "s", "Student"

    pk = models.CompositePrimaryKey("kind", "key", "household_id", "source", "source_id")
    kind = models.CharField(max_length=1, choices=Kind.choices)
    key = models.TextField(db_collation="C")
    # No constraint in the database: the triggers that write here write from rows whose household was just proved.
    household = models.ForeignKey(Household, on_delete=models.CASCADE, related_name="+", db_index=False, db_constraint=False)
    source = models.CharField(max_length=1, choices=Source.choices)
    source_id = models.BigIntegerField()

    class Meta:
        indexes = [models.Index(fields=["source_id", "source"], name="search_key_source")]

    def __str__(self) -> str:
        return f"{self.key} ({self.household_id})"


class SearchWord(models.Model):
    """Every different word of a name, once: misspelt names are compared with these, not with every name. Kept by triggers."""

    word = models.TextField(primary_key=True, db_collation="C")

    class Meta:
        indexes = [GinIndex(OpClass("word", name="gin_trgm_ops"), name="search_word_trigrams")]

    def __str__(self) -> str:
        return self.word
