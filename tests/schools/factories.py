"""Schools for tests."""

import factory

from schools.models import Programme, RequiredItem, School


class SchoolFactory(factory.django.DjangoModelFactory):
    """A school."""

    class Meta:
        model = School

    name = factory.Sequence(lambda n: f"Maplewood {n} School")
    district = "Prairie Unit District"
    street = factory.Sequence(lambda n: f"{n + 1} School Street")
    city = "Springdale"
    state = "IL"
    postal_code = "62704"
    delivery_weekday = School.Weekday.TUESDAY


class ProgrammeFactory(factory.django.DjangoModelFactory):
    """A school's band."""

    class Meta:
        model = Programme

    school = factory.SubFactory(SchoolFactory)
    kind = Programme.Kind.BAND
    director_name = "Jo Baton"
    director_email = factory.Sequence(lambda n: f"director{n}@school.example.com")


class RequiredItemFactory(factory.django.DjangoModelFactory):
    """One line of a required list; give it a `kind` and a `product` (tests/inventory/factories.py)."""

    class Meta:
        model = RequiredItem

    programme = factory.SubFactory(ProgrammeFactory)
    quantity = 1
