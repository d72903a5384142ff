"""The manager's terms: prices and rates from a day on, areas, which plans there are. Their versions: test_plans.py."""

import datetime
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from rentals.agreements import drafts, queries, terms
from rentals.agreements.models import Rate, SignUpDraft, TaxRate
from rentals.runtime import clock
from rentals.runtime.money import money
from tests.agreements.factories import OfficeFactory, PlanFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.factories import ManagerFactory, SpecialistFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import kind

pytestmark = pytest.mark.django_db

TODAY = datetime.date(2026, 1, 31)
NOW = datetime.datetime(2026, 1, 31, 17, 0, tzinfo=datetime.UTC)
TOMORROW = TODAY + datetime.timedelta(days=1)


def add_rate(rent: str = "35", on: datetime.date = TOMORROW, by=None, **changes):
    line = terms.RateLine(
        **{
            "kind": kind("violin"),
            "tier": "beginner",
            "monthly_rent": money(rent),
            "monthly_protection": money("5"),
            "effective_from": on,
            **changes,
        }
    )
    return terms.add_rate(line=line, acting_user=by or ManagerFactory(), today=TODAY)


class TestAddRate:
    def test_takes_over_on_its_day_and_not_before(self):
        RateFactory(kind=kind("violin"))
        add_rate("35")
        assert queries.get_rate("violin", "beginner", TODAY).monthly_rent.amount == Decimal("30.00")
        assert queries.get_rate("violin", "beginner", TOMORROW).monthly_rent.amount == Decimal("35.00")
        assert [rate.monthly_rent.amount for rate in queries.list_rates(TOMORROW)] == [Decimal("35.00")]

    def test_refuses_a_day_that_is_past(self):
        with pytest.raises(terms.EffectiveInThePastError):
            add_rate(on=TODAY - datetime.timedelta(days=1))

    def test_refuses_a_second_one_for_the_same_day(self):
        add_rate()
        with pytest.raises(terms.AlreadyThatDayError):
            add_rate("36")
        assert Rate.objects.count() == 1

    def test_is_for_the_manager(self):
        with pytest.raises(PermissionDenied):
            add_rate(by=SpecialistFactory())


class TestGetRate:
    def test_says_what_is_missing(self):
        with pytest.raises(queries.NoRateError, match="no price for tuba"):
            queries.get_rate("tuba", "beginner", TODAY)

    @pytest.mark.parametrize(
        ("plan", "condition", "rent"),
        [
            ("school-year", "new", "33"),
            ("school-year", "returned", "32"),
            ("by-the-month", "new", "31"),
            ("by-the-month", "returned", "30"),
            ("", "new", "31"),
        ],
    )
    def test_takes_the_line_of_the_plan_before_the_line_of_the_condition(self, plan, condition, rent):
        of_plan = PlanFactory()
        PlanFactory(code="by-the-month", name="By the month")
        add_rate("30", on=TODAY)
        add_rate("31", on=TODAY, condition="new")
        add_rate("32", on=TODAY, plan=of_plan)
        add_rate("33", on=TODAY, plan=of_plan, condition="new")
        assert queries.get_rate("violin", "beginner", TODAY, plan=plan, condition=condition).monthly_rent.amount == Decimal(rent)

    def test_takes_over_line_by_line(self):
        add_rate("30", on=TODAY)
        add_rate("28", on=TODAY, condition="returned")
        add_rate("35", on=TOMORROW)
        assert queries.get_rate("violin", "beginner", TOMORROW, condition="returned").monthly_rent.amount == Decimal("28.00")
        assert queries.get_rate("violin", "beginner", TOMORROW, condition="new").monthly_rent.amount == Decimal("35.00")

    def test_refuses_where_only_the_other_condition_has_a_price(self):
        add_rate("31", on=TODAY, condition="new")
        with pytest.raises(queries.NoRateError):
            queries.get_rate("violin", "beginner", TODAY, condition="returned")


class TestTaxes:
    def test_the_rate_of_the_day_counts(self):
        area = TaxAreaFactory(rates={"rent": "0.08"})
        terms.add_tax_rate(
            area=area,
            applies_to="rent",
            rate=Decimal("0.085"),
            effective_from=TOMORROW,
            acting_user=ManagerFactory(),
            today=TODAY,
        )
        assert queries.get_tax_rates(area, TODAY) == {"rent": Decimal("0.08"), "protection": 0, "goods": 0}
        assert queries.get_tax_rates(area, TOMORROW)["rent"] == Decimal("0.085")

    def test_an_unknown_zip_code_is_taxed_as_the_shop_is(self):
        OfficeFactory()
        area = TaxAreaFactory()
        hills = terms.add_tax_area(name="Hills", acting_user=ManagerFactory())
        terms.put_postal_code(postal_code="61001-1234", area=hills, acting_user=ManagerFactory())
        assert queries.get_tax_area("61001-9999") == hills
        assert queries.get_tax_area("99999") == area

    def test_says_when_no_area_is_known(self):
        with pytest.raises(queries.NoTaxAreaError, match="ZIP 99999"):
            queries.get_tax_area("99999")


class TestDrafts:
    def test_are_purged_after_thirty_days_without_anybody(self):
        user, household = SpecialistFactory(), HouseholdFactory()
        old = drafts.begin_draft(household=household, answers={}, acting_user=user, now=NOW)
        fresh = drafts.begin_draft(household=household, answers={}, acting_user=user, now=NOW + datetime.timedelta(days=2))
        assert drafts.purge_drafts(now=NOW + datetime.timedelta(days=31)) == 1
        assert list(SignUpDraft.objects.all()) == [fresh]
        assert old != fresh


class TestScreens:
    @pytest.fixture
    def manager(self, client_as):
        OfficeFactory()
        TaxAreaFactory()
        PlanVersionFactory()
        RateFactory(kind=kind("violin"))
        return client_as("manager")

    def test_show_what_is_in_force(self, manager, django_assert_max_num_queries):
        with django_assert_max_num_queries(12):
            page = manager.get(reverse("terms")).content.decode()
        for words in ("Violin", "$30.00", "8.25%", "Rent to own", "62704"):
            assert words in page

    def test_add_a_price(self, manager):
        sent = {
            "kind": "violin",
            "tier": "beginner",
            "condition": "any",
            "monthly_rent": "$35.50",
            "monthly_protection": "5",
            "effective_from": f"{clock.today():%m/%d/%Y}",
        }
        assert manager.post(reverse("terms_rate_add"), sent).url == reverse("terms")
        assert Rate.objects.order_by("-effective_from").first().monthly_rent.amount == Decimal("35.50")
        again = manager.post(reverse("terms_rate_add"), sent)
        assert again.status_code == 422
        assert "already" in again.content.decode()

    def test_add_a_tax_rate_in_per_cent(self, manager):
        sent = {"area": "springdale", "applies_to": "rent", "rate": "8.5 %", "effective_from": f"{clock.today():%m/%d/%Y}"}
        manager.post(reverse("terms_tax_rate_add"), sent)
        assert TaxRate.objects.order_by("-effective_from").first().rate == Decimal("0.085")

    @pytest.mark.parametrize("rate", ["", "101", "100", "lots", "-1", "8.12345"])
    def test_refuse_what_is_no_rate_and_keep_it(self, manager, rate):
        sent = {"area": "springdale", "applies_to": "rent", "rate": rate, "effective_from": f"{clock.today():%m/%d/%Y}"}
        answer = manager.post(reverse("terms_tax_rate_add"), sent)
        assert answer.status_code == 422
        assert f'value="{rate}"' in answer.content.decode() or not rate

    def test_add_a_price_for_one_plan_and_condition_from_a_line_that_is_there(self, manager):
        line = Rate.objects.get()
        url = reverse("terms_rate_add")
        form = manager.get(url, {"like": line.pk}).context["form"]
        sent = {name: form[name].value() or "" for name in form.fields}
        assert sent["monthly_rent"] == "30.00"
        sent |= {"plan": "school-year", "condition": "new", "intro_rent": "60", "effective_from": f"{clock.today():%m/%d/%Y}"}
        assert manager.post(url, sent).url == reverse("terms")
        made = Rate.objects.get(plan="school-year")
        assert (made.condition, made.intro_rent.amount, made.monthly_rent.amount) == ("new", Decimal("60.00"), Decimal("30.00"))

    def test_show_the_card_of_a_day_and_a_plan(self, manager):
        other = PlanFactory(code="by-the-month", name="By the month")
        RateFactory(kind=kind("violin"), tier="advanced", plan=other, monthly_rent="44.00")
        RateFactory(kind=kind("violin"), effective_from=clock.today() + datetime.timedelta(days=9), monthly_rent="55.00")
        page = manager.get(reverse("terms_rates")).content.decode()
        assert all(words in page for words in ("$30.00", "$44.00", "Set for later", "$55.00"))
        later = manager.get(reverse("terms_rates"), {"on": f"{clock.today() + datetime.timedelta(days=9):%m/%d/%Y}"})
        assert "$30.00" not in later.content.decode()
        assert "$44.00" not in manager.get(reverse("terms_rates"), {"plan": "school-year"}).content.decode()
        assert "match this" in manager.get(reverse("terms_rates"), {"kind": "tuba"}).content.decode()
        assert manager.get(reverse("terms_rates"), {"on": "soon"}).status_code == 422

    def test_stop_offering_a_plan(self, manager):
        manager.post(reverse("terms_plan_offer", args=["school-year"]), {"offered": "no"})
        assert queries.list_offered_versions() == []
        assert PlanFactory().is_offered is False

    def test_add_plan_area_and_zip_code(self, manager):
        for name, sent in (
            ("terms_plan_add", {"name": "Rent by the month"}),
            ("terms_tax_area_add", {"name": "Hills"}),
            ("terms_postal_code", {"postal_code": "61001", "area": "hills"}),
        ):
            assert manager.post(reverse(name), sent).url == reverse("terms")
        assert manager.post(reverse("terms_plan_add"), {"name": "Rent by the month"}).status_code == 422
        assert queries.get_tax_area("61001").name == "Hills"

    def test_are_for_the_manager(self, client_as):
        for role in ("specialist", "bookkeeper", "technician"):
            assert client_as(role).get(reverse("terms")).status_code == 403
