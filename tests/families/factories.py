"""Families for tests. Invented names; numbers of the 555-01xx range, addresses under example.com."""

import factory

from rentals.families.models import Guardian, Household, Student


class HouseholdFactory(factory.django.DjangoModelFactory):
    """A household with its primary guardian (`guardian__phone=…` sets a field); `guardian=None` makes none."""

    class Meta:
        model = Household
        skip_postgeneration_save = True

    number = factory.Sequence(lambda n: f"H-9{n:04d}")
    name = factory.Sequence(lambda n: f"Samplefield {n}")
    street = factory.Sequence(lambda n: f"{100 + n} Orchard Lane")
    city = "Springdale"
    state = "IL"
    postal_code = "62704"

    guardian = factory.RelatedFactory("tests.families.factories.GuardianFactory", factory_related_name="household")


class GuardianFactory(factory.django.DjangoModelFactory):
    """The primary guardian of a household."""

    class Meta:
        model = Guardian

    household = factory.SubFactory(HouseholdFactory, guardian=None)
    given_name = "Alex"
    family_name = factory.SelfAttribute("household.name")
    phone = factory.Sequence(lambda n: f"+1{(201 + n // 100) % 800 + 200}55501{n % 100:02d}")
    email = factory.Sequence(lambda n: f"guardian{n}@example.com")
    is_primary = True


class StudentFactory(factory.django.DjangoModelFactory):
    """A student of a household, in no programme unless told."""

    class Meta:
        model = Student

    household = factory.SubFactory(HouseholdFactory)
    given_name = "Sky"
    family_name = factory.SelfAttribute("household.name")
    grade = 5
