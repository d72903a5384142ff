"""People for tests. Each room's own things are made in `tests/<room>/factories.py`."""

import factory
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret

from rentals.staff.models import Role, User
from rentals.staff.policy import SECOND_FACTOR_ROLES

PASSWORD = "a long walk to the music shop"


class UserFactory(factory.django.DjangoModelFactory):
    """A person who works here; a rental specialist unless told otherwise."""

    class Meta:
        model = User
        skip_postgeneration_save = True

    email = factory.Sequence(lambda n: f"person{n}@rentals.example")
    name = factory.Sequence(lambda n: f"Robin Sample {n}")
    role = Role.SPECIALIST

    @factory.post_generation
    def password(self, create, extracted, **_):
        """`UserFactory(password=…)`; without one the person signs in with PASSWORD only if `password=True` asks for it."""
        if extracted:
            self.set_password(PASSWORD if extracted is True else extracted)
            if create:
                self.save(update_fields=["password"])

    @factory.post_generation
    def second_factor(self, create, extracted, **_):
        """Whose role needs one has set it up; `second_factor=False` makes a person who has yet to."""
        if create and (self.role in SECOND_FACTOR_ROLES if extracted is None else extracted):
            TOTP.activate(self, generate_totp_secret())


class SpecialistFactory(UserFactory):
    """A rental specialist."""


class BookkeeperFactory(UserFactory):
    """A bookkeeper."""

    role = Role.BOOKKEEPER


class TechnicianFactory(UserFactory):
    """A repair technician."""

    role = Role.TECHNICIAN


class ManagerFactory(UserFactory):
    """A manager."""

    role = Role.MANAGER


class AdministratorFactory(UserFactory):
    """An administrator."""

    role = Role.ADMINISTRATOR
