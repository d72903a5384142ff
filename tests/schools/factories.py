"""Schools for tests."""

import datetime

import factory

from schools.models import (
    CleaningDay,
    Contact,
    Director,
    District,
    Errand,
    HomeErrand,
    Load,
    Night,
    NightUnit,
    Programme,
    RequiredItem,
    RosterConsent,
    Run,
    School,
    SchoolDay,
    Stop,
)
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory


class SchoolFactory(factory.django.DjangoModelFactory):
    """A school."""

    class Meta:
        model = School

    name = factory.Sequence(lambda n: f"Maplewood {n} School")
    district = "Prairie Unit District"  # a District, or the name of one; empty for none
    street = factory.Sequence(lambda n: f"{n + 1} School Street")
    city = "Springdale"
    state = "IL"
    postal_code = "62704"
    delivery_weekday = School.Weekday.TUESDAY

    @classmethod
    def _create(cls, model_class, *args, **kwargs):
        district = kwargs["district"]
        if isinstance(district, str):
            kwargs["district"] = District.objects.get_or_create(name=district)[0] if district else None
        return super()._create(model_class, *args, **kwargs)


class ProgrammeFactory(factory.django.DjangoModelFactory):
    """A school's band."""

    class Meta:
        model = Programme

    school = factory.SubFactory(SchoolFactory)
    kind = Programme.Kind.BAND


class DirectorFactory(factory.django.DjangoModelFactory):
    """A director; give `programmes` (a list)."""

    class Meta:
        model = Director
        skip_postgeneration_save = True

    name = "Jo Baton"
    email = factory.Sequence(lambda n: f"director{n}@school.example.com")

    @factory.post_generation
    def programmes(self, create, extracted, **kwargs):
        """Let the person direct these."""
        self.programmes.set(extracted or [])


class RosterConsentFactory(factory.django.DjangoModelFactory):
    """A school's consent that a director may see the roster, in force."""

    class Meta:
        model = RosterConsent

    director = factory.SubFactory(DirectorFactory)
    agreed_by = "Pat Chalk, principal"
    agreed_on = datetime.date(2026, 11, 2)
    words = "The director may see who in the programme has which instrument."
    words_version = "1"
    recorded_at = datetime.datetime(2026, 11, 3, 16, 0, tzinfo=datetime.UTC)
    recorded_by = factory.SubFactory(UserFactory)


class SchoolDayFactory(factory.django.DjangoModelFactory):
    """A day without school."""

    class Meta:
        model = SchoolDay

    school = factory.SubFactory(SchoolFactory)
    kind = SchoolDay.Kind.CLOSED
    first_on = datetime.date(2026, 12, 21)
    last_on = datetime.date(2027, 1, 1)
    name = "Winter break"


class ContactFactory(factory.django.DjangoModelFactory):
    """A talk with a school that left something to be done."""

    class Meta:
        model = Contact

    school = factory.SubFactory(SchoolFactory)
    with_whom = "Jo Baton"
    how = Contact.How.PHONE
    on = datetime.date(2026, 11, 23)
    about = "Twelve violins for the beginners"
    next_step = "Send the list of sizes"
    next_on = datetime.date(2026, 11, 30)
    made_at = datetime.datetime(2026, 11, 23, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SubFactory(UserFactory)


class RequiredItemFactory(factory.django.DjangoModelFactory):
    """One line of a required list; give it a `kind` and a `product` (tests/inventory/factories.py)."""

    class Meta:
        model = RequiredItem

    programme = factory.SubFactory(ProgrammeFactory)
    quantity = 1


class ErrandFactory(factory.django.DjangoModelFactory):
    """Something the van fetches at a school."""

    class Meta:
        model = Errand

    school = factory.SubFactory(SchoolFactory)
    kind = Errand.Kind.PICK_UP
    instrument = factory.SubFactory(InstrumentFactory)
    what = "A key sticks"
    wanted_from = datetime.date(2026, 11, 24)
    made_at = datetime.datetime(2026, 11, 23, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SubFactory(UserFactory, role="technician")


class CleaningDayFactory(factory.django.DjangoModelFactory):
    """A school's cleaning day, with nothing expected yet."""

    class Meta:
        model = CleaningDay

    school = factory.SubFactory(SchoolFactory)
    on = datetime.date(2026, 12, 3)
    due_until = datetime.date(2027, 1, 2)
    location = factory.SubFactory(LocationFactory)
    made_at = datetime.datetime(2026, 11, 23, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SubFactory(UserFactory, role="technician")


class NightFactory(factory.django.DjangoModelFactory):
    """A planned sign-up night; give it `programmes` (a list) or it asks one band of its school."""

    class Meta:
        model = Night
        skip_postgeneration_save = True

    school = factory.SubFactory(SchoolFactory)
    on = datetime.date(2026, 11, 30)
    begins_at = datetime.time(17, 30)
    ends_at = datetime.time(20, 0)
    room = "Gym"
    expected_families = 40
    location = factory.SubFactory(LocationFactory)
    made_at = datetime.datetime(2026, 11, 20, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SubFactory(UserFactory)

    @factory.post_generation
    def programmes(self, create, extracted, **kwargs):
        """Ask these programmes."""
        self.programmes.set(extracted or [ProgrammeFactory(school=self.school)])


class NightUnitFactory(factory.django.DjangoModelFactory):
    """An instrument loaded for a night. Its custody is the caller's."""

    class Meta:
        model = NightUnit

    night = factory.SubFactory(NightFactory)
    instrument = factory.SubFactory(InstrumentFactory)
    loaded_at = datetime.datetime(2026, 11, 30, 20, 0, tzinfo=datetime.UTC)
    loaded_by = factory.SubFactory(UserFactory)


class HomeErrandFactory(factory.django.DjangoModelFactory):
    """Something the van brings to a family's door."""

    class Meta:
        model = HomeErrand

    household = factory.SubFactory(HouseholdFactory)
    kind = Errand.Kind.DROP_OFF
    instrument = factory.SubFactory(InstrumentFactory)
    wanted_from = datetime.date(2026, 11, 24)
    made_at = datetime.datetime(2026, 11, 23, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SubFactory(UserFactory)


class RunFactory(factory.django.DjangoModelFactory):
    """A planned run without a stop."""

    class Meta:
        model = Run

    on = datetime.date(2026, 11, 24)
    driver = factory.SubFactory(UserFactory)
    location = factory.SubFactory(LocationFactory)
    made_at = datetime.datetime(2026, 11, 23, 16, 0, tzinfo=datetime.UTC)
    made_by = factory.SelfAttribute("driver")


class StopFactory(factory.django.DjangoModelFactory):
    """A stop at a school."""

    class Meta:
        model = Stop

    run = factory.SubFactory(RunFactory)
    order = factory.Sequence(lambda n: n % 30000 + 1)
    kind = Stop.Kind.SCHOOL
    school = factory.SubFactory(SchoolFactory)
    name = factory.SelfAttribute("school.name")
    address = "1 School Street, Springdale, IL 62704"
    postal_code = "62704"


class LoadFactory(factory.django.DjangoModelFactory):
    """Something to hand over at a stop, not loaded yet. Its custody is the caller's."""

    class Meta:
        model = Load

    stop = factory.SubFactory(StopFactory)
    run = factory.SelfAttribute("stop.run")
    instrument = factory.SubFactory(InstrumentFactory)
    task = Load.Task.DELIVER
