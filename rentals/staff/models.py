"""The people who work here, the office itself, and the marks that keep a request from being answered twice."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models.functions import Lower
from django.utils.crypto import salted_hmac


class Role(models.TextChoices):
    """What a person is here for. What a role may do stands in `rentals.staff.policy`, and nowhere else."""

    SPECIALIST = "specialist", "Rental specialist"
    BOOKKEEPER = "bookkeeper", "Bookkeeper"
    TECHNICIAN = "technician", "Repair technician"
    MANAGER = "manager", "Manager"
    ADMINISTRATOR = "administrator", "Administrator"
    DIRECTOR = "director", "Music director"
    """Works at a school, not here: sees the own roster and nothing else."""


class UserManager(BaseUserManager["User"]):
    """Makes people; `password=None` makes one who cannot sign in."""

    def create_user(self, *, email: str, name: str, role: str, password: str | None = None) -> "User":
        """Create and return a person with a hashed password."""
        user = self.model(email=self.normalize_email(email).lower(), name=name, role=role)
        user.set_password(password)
        user.save(using=self._db)
        return user


@pghistory.track(exclude=["password", "last_login"])
class User(AbstractBaseUser):
    """A person who signs in, by e-mail address."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=20, choices=Role.choices)
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(auto_now_add=True)
    password_link_at = models.DateTimeField(null=True, blank=True)
    factor_reset_at = models.DateTimeField(null=True, blank=True)

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name", "role"]
    objects: ClassVar[UserManager] = UserManager()

    class Meta:
        constraints = [
            models.UniqueConstraint(Lower("email"), name="user_email_once"),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="user_role_known"),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="administrator_stays",
                when=pgtrigger.After,
                operation=pgtrigger.Update | pgtrigger.Delete,
                func="""
                    IF OLD.role = 'administrator' AND OLD.is_active
                        AND NOT EXISTS (SELECT FROM staff_user WHERE role = 'administrator' AND is_active) THEN
                        RAISE EXCEPTION 'the last administrator stays' USING ERRCODE = 'restrict_violation';
                    END IF;
                    RETURN NULL;
                """,
            )
        ]

    def __str__(self) -> str:
        return self.name

    def _get_session_auth_hash(self, secret: str | None = None) -> str:
        """Tie sessions to the role as well as to the password: whose role changes is signed out everywhere, at once."""
        return salted_hmac("staff session", f"{self.password} {self.role}", secret=secret, algorithm="sha256").hexdigest()


@pghistory.track()
class Office(models.Model):
    """The shop as it stands on letterheads; exactly one row."""

    id = models.SmallIntegerField(primary_key=True, default=1)
    name = models.CharField(max_length=120)
    street = models.CharField(max_length=120)
    city = models.CharField(max_length=80)
    state = models.CharField(max_length=2)
    postal_code = models.CharField(max_length=10)
    phone = models.CharField(max_length=20)
    email = models.EmailField()
    approval_limit = models.DecimalField(
        max_digits=9, decimal_places=2, default=50, help_text="An adjustment above this is decided on by somebody else."
    )
    cash_limit = models.DecimalField(
        max_digits=9, decimal_places=2, default=5, help_text="A difference of cash above this is confirmed by somebody else."
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(id=1), name="office_is_one"),
            models.CheckConstraint(condition=models.Q(approval_limit__gte=0), name="office_limit_not_negative"),
            models.CheckConstraint(condition=models.Q(cash_limit__gte=0), name="office_cash_limit_not_negative"),
        ]

    def __str__(self) -> str:
        return self.name


class RequestKey(models.Model):
    """The mark of a request that made something: sent again, it gets the same answer and makes nothing new."""

    key = models.UUIDField(primary_key=True)
    purpose = models.CharField(max_length=60)
    request_sha256 = models.CharField(max_length=64)
    answer = models.JSONField(null=True)
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return f"{self.purpose} {self.key}"


class NumberSeries(models.Model):
    """The last number given out in a series without gaps; taken under a row lock, last in the transaction."""

    name = models.CharField(max_length=40, primary_key=True)
    last_number = models.BigIntegerField(default=0)

    class Meta:
        verbose_name_plural = "number series"

    def __str__(self) -> str:
        return f"{self.name} {self.last_number}"
