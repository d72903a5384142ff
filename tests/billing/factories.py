"""Things for tests of the books: a household with an agreement, at round prices a bookkeeper can add up."""

import datetime
from decimal import Decimal

import factory
from djmoney.money import Money

from rentals.agreements.models import Agreement, Plan, PlanVersion, TaxArea, TaxRate
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import CatalogueItem, InstrumentKind
from tests.agreements.factories import create_with_terms
from tests.factories import BookkeeperFactory

NOON = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)
DAY = datetime.date(2026, 3, 10)


class HouseholdFactory(factory.django.DjangoModelFactory):
    """A household."""

    class Meta:
        model = Household

    number = factory.Sequence(lambda n: f"H-9{n:05}")
    name = factory.Sequence(lambda n: f"Sample {n}")
    street = "12 Elm Street"
    city = "Springfield"
    state = "IL"
    postal_code = "62704"


class GuardianFactory(factory.django.DjangoModelFactory):
    """A guardian of a household."""

    class Meta:
        model = Guardian

    household = factory.SubFactory(HouseholdFactory)
    given_name = "Jo"
    family_name = "Sample"
    is_primary = False


class StudentFactory(factory.django.DjangoModelFactory):
    """A student of a household."""

    class Meta:
        model = Student

    household = factory.SubFactory(HouseholdFactory)
    given_name = "Kit"
    family_name = "Sample"


class KindFactory(factory.django.DjangoModelFactory):
    """A flute."""

    class Meta:
        model = InstrumentKind
        django_get_or_create = ("name",)

    code = "flute"
    name = "Flute"
    family = "woodwind"


class ItemFactory(factory.django.DjangoModelFactory):
    """A catalogue item."""

    class Meta:
        model = CatalogueItem
        django_get_or_create = ("kind", "maker", "model", "size")

    kind = factory.SubFactory(KindFactory)
    maker = "Sample Works"
    model = "F1"
    size = ""
    purchase_price = Money("1080.00", "USD")
    replacement_value = Money("1080.00", "USD")


class PlanFactory(factory.django.DjangoModelFactory):
    """A plan."""

    class Meta:
        model = Plan
        django_get_or_create = ("code",)

    code = "school-year"
    name = "School year"


class PlanVersionFactory(factory.django.DjangoModelFactory):
    """The terms: all rent counts toward this instrument, half of it toward a better one."""

    class Meta:
        model = PlanVersion
        django_get_or_create = ("plan", "number")

    plan = factory.SubFactory(PlanFactory)
    number = 1
    title = "School year rental"
    terms = "Sample terms."
    credit_share = Decimal("1")
    step_up_share = Decimal("0.5")
    published_at = datetime.datetime(2024, 6, 1, 12, 0, tzinfo=datetime.UTC)


class TaxAreaFactory(factory.django.DjangoModelFactory):
    """A tax area that taxes rent and goods at 8.25 %, protection not."""

    class Meta:
        model = TaxArea
        skip_postgeneration_save = True
        django_get_or_create = ("code",)

    code = "sample-county"
    name = "Sample County"

    @factory.post_generation
    def rates(self, create, extracted, **_):
        """`TaxAreaFactory(rates={"rent": "0.07"})`."""
        for applies_to, rate in (extracted or {"rent": "0.0825", "goods": "0.0825"}).items():
            TaxRate.objects.get_or_create(
                area=self, applies_to=applies_to, effective_from=datetime.date(2020, 1, 1), defaults={"rate": Decimal(rate)}
            )


class AgreementFactory(factory.django.DjangoModelFactory):
    """A rental at 20.00 a month and 5.00 for protection, begun on January 31."""

    class Meta:
        model = Agreement

    number = factory.Sequence(lambda n: f"A-9{n:05}")
    household = factory.SubFactory(HouseholdFactory)
    guardian = factory.SubFactory(GuardianFactory, household=factory.SelfAttribute("..household"))
    student = factory.SubFactory(StudentFactory, household=factory.SelfAttribute("..household"))
    item = factory.SubFactory(ItemFactory)
    plan_version = factory.SubFactory(PlanVersionFactory)
    signed_at = datetime.datetime(2026, 1, 31, 18, tzinfo=datetime.UTC)
    starts_on = datetime.date(2026, 1, 31)
    monthly_rent = Money("20.00", "USD")
    monthly_protection = Money("5.00", "USD")
    purchase_price = Money("1080.00", "USD")
    replacement_value = Money("1080.00", "USD")
    received_at = "counter"
    tax_area = factory.SubFactory(TaxAreaFactory)
    signed_by = factory.SubFactory(BookkeeperFactory)

    @classmethod
    def _create(cls, model_class, *args, terms=None, **kwargs):
        return create_with_terms(kwargs, terms)


class FollowingAgreementFactory(AgreementFactory):
    """The agreement after an exchange: give it the one it `follows`, which ends for it."""

    household = factory.SelfAttribute("follows.household")
    follows_by = "exchange"

    @classmethod
    def _create(cls, model_class, *args, terms=None, **kwargs):
        before = kwargs["follows"]
        Agreement.objects.filter(pk=before.pk).update(ended_on=before.starts_on, end_reason="exchanged")
        return super()._create(model_class, *args, terms=terms, **kwargs)
