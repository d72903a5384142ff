"""What comes in from outside before a sign-up night: the door of a night, and the forms that families filled in at home.

No history is kept of the forms: they are gone, whole, two weeks after the night (`operations.purge_home_forms`), and a trail of
what stood in them would outlive them.
"""

import pghistory
import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q


@pghistory.track()
class NightDoor(models.Model):
    """The address under which the families of one night reach its form. Whoever has the code may fill one in."""

    night = models.OneToOneField("schools.Night", on_delete=models.CASCADE, related_name="door")
    code = models.CharField(max_length=43, unique=True, help_text="In the poster's QR code; too long to be guessed.")
    opened_on = models.DateField()
    opened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(code__regex=r"^[A-Za-z0-9_-]{22,43}$"), name="night_door_code_long"),
        ]

    def __str__(self) -> str:
        return f"door of night {self.night_id}"


class HomeFamily(models.Model):
    """A family that fills the form in: the adult, the address, the language. One browser, one family a night."""

    door = models.ForeignKey(NightDoor, on_delete=models.CASCADE, related_name="families")
    browser = models.UUIDField(help_text="Known to the family's own browser only.")
    language = models.CharField(max_length=5, choices=[("en", "English"), ("es", "Español")])
    given_name = models.CharField(max_length=60, blank=True)
    family_name = models.CharField(max_length=60, blank=True)
    phone = models.CharField(max_length=16, blank=True)
    email = models.EmailField(blank=True)
    street = models.CharField(max_length=120, blank=True)
    unit = models.CharField(max_length=40, blank=True)
    city = models.CharField(max_length=80, blank=True)
    state = models.CharField(max_length=2, blank=True)
    postal_code = models.CharField(max_length=10, blank=True)
    answered = ArrayField(models.CharField(max_length=12), default=list, blank=True, help_text="Pages that are answered.")
    code = models.CharField(max_length=4, null=True, help_text="What the family says at the night.")  # noqa: DJ001 - none yet
    made_at = models.DateTimeField()
    changed_at = models.DateTimeField()

    class Meta:
        verbose_name_plural = "home families"
        constraints = [
            models.UniqueConstraint(fields=["door", "browser"], name="home_family_once_per_browser"),
            models.UniqueConstraint(fields=["code"], name="home_family_code_once"),
            models.CheckConstraint(condition=Q(language__in=["en", "es"]), name="home_family_language_known"),
            models.CheckConstraint(
                condition=Q(phone="") | Q(phone__regex=r"^\+[1-9][0-9]{6,14}$"), name="home_family_phone_e164"
            ),
            models.CheckConstraint(
                condition=Q(code=None) | Q(code__regex="^[BCDFGHJKMNPQRSTVWXYZ2-9]{4}$"), name="home_family_code_readable"
            ),
            models.CheckConstraint(
                condition=Q(code=None) | (~Q(family_name="") & ~Q(street="") & (~Q(phone="") | ~Q(email=""))),
                name="home_family_code_once_told",
            ),
        ]

    def __str__(self) -> str:
        return f"family {self.code or 'at work'}"


class HomeForm(models.Model):
    """What a family wishes for one student. Nothing is agreed to by it: no payment, no signature."""

    class Protection(models.TextChoices):
        YES = "yes", "With protection"
        NO = "no", "Without"
        ASK = "ask", "Wants to hear more"

    family = models.ForeignKey(HomeFamily, on_delete=models.CASCADE, related_name="forms")
    place = models.PositiveSmallIntegerField(help_text="1 for the first child of the family, 2 for the next.")
    given_name = models.CharField(max_length=60, blank=True)
    family_name = models.CharField(max_length=60, blank=True)
    grade = models.PositiveSmallIntegerField(null=True, blank=True)
    programme = models.ForeignKey("schools.Programme", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    size = models.CharField(max_length=6, blank=True, help_text="What the family believes; measured at the night.")
    protection = models.CharField(max_length=3, choices=Protection.choices, blank=True)
    answered = ArrayField(models.CharField(max_length=12), default=list, blank=True, help_text="Pages that are answered.")
    finished_at = models.DateTimeField(null=True, blank=True)
    used_at = models.DateTimeField(null=True, blank=True)
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["family", "place"], name="home_form_place_once"),
            models.CheckConstraint(condition=Q(place__gte=1, place__lte=8), name="home_form_place_sane"),
            models.CheckConstraint(condition=Q(grade=None) | Q(grade__gte=0, grade__lte=13), name="home_form_grade_known"),
            models.CheckConstraint(
                condition=Q(finished_at=None)
                | (~Q(given_name="") & ~Q(family_name="") & Q(programme__isnull=False) & ~Q(protection="")),
                name="home_form_finished_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(used_at=None) | Q(finished_at__isnull=False, used_at__gte=models.F("finished_at")),
                name="home_form_used_once_finished",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="home_form_used_stays",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Q(old__used_at__isnull=False),
                func="RAISE EXCEPTION 'a form that was used stays as it was' USING ERRCODE = 'restrict_violation';",
            ),
            pgtrigger.Trigger(
                name="home_form_finished_by_known_family",
                when=pgtrigger.After,
                operation=pgtrigger.Insert | pgtrigger.Update,
                condition=pgtrigger.Q(new__finished_at__isnull=False),
                func="""
                    IF NOT EXISTS (SELECT FROM portal_homefamily WHERE id = NEW.family_id AND code IS NOT NULL) THEN
                        RAISE EXCEPTION 'a finished form has a family with a code' USING ERRCODE = 'restrict_violation';
                    END IF;
                    RETURN NULL;
                """,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.family_id}/{self.place}"

    @property
    def code(self) -> str:
        """The family's code, with the child's place behind it from the second on: "K7QX", "K7QX-2"."""
        return f"{self.family.code or ''}{f'-{self.place}' if self.place > 1 else ''}"

    @property
    def initials(self) -> str:
        """First letters of both names, for lists."""
        return f"{self.given_name[:1]}{self.family_name[:1]}".upper()
