"""Doors and forms from home for tests."""

import datetime
import uuid

import factory

from rentals.portal import rules
from rentals.portal.models import HomeFamily, HomeForm, NightDoor
from tests.factories import UserFactory
from tests.schools.factories import NightFactory

AT = datetime.datetime(2026, 11, 28, 18, 0, tzinfo=datetime.UTC)


class DoorFactory(factory.django.DjangoModelFactory):
    """The open door of a night."""

    class Meta:
        model = NightDoor

    night = factory.SubFactory(NightFactory)
    code = factory.LazyFunction(rules.new_door_code)
    opened_on = datetime.date(2026, 11, 20)
    opened_by = factory.SubFactory(UserFactory)


class HomeFamilyFactory(factory.django.DjangoModelFactory):
    """A family that has told everything about itself and has its code."""

    class Meta:
        model = HomeFamily

    door = factory.SubFactory(DoorFactory)
    browser = factory.LazyFunction(uuid.uuid4)
    language = "es"
    given_name = "Marisol"
    family_name = "Quintero"
    phone = "+13125550142"
    email = "marisol@example.com"
    street = "12 Alder Lane"
    city = "Springdale"
    state = "IL"
    postal_code = "62704"
    answered = list(rules.FAMILY_PAGES)
    code = factory.LazyFunction(rules.new_code)
    made_at = AT
    changed_at = AT


class HomeFormFactory(factory.django.DjangoModelFactory):
    """A finished form; its programme is the first of its night."""

    class Meta:
        model = HomeForm

    family = factory.SubFactory(HomeFamilyFactory)
    place = 1
    given_name = "Wren"
    family_name = "Quintero"
    grade = 5
    programme = factory.LazyAttribute(lambda form: form.family.door.night.programmes.first())
    kind = None
    protection = "ask"
    answered = list(rules.CHILD_PAGES)
    finished_at = AT
    changed_at = AT
