"""The list of households and a household's page, through the test client."""

import csv
from datetime import UTC, date, datetime
from decimal import Decimal
from io import StringIO

import pytest
from django.urls import reverse

from billing import payments, runs
from billing.models import BillingRun
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def specialist(client_as):
    client = client_as("specialist")
    client.get(reverse("home"))  # the first request of a session also writes down when it began
    return client


class TestHouseholdList:
    def names(self, client, **query):
        page = client.get(reverse("households"), query)
        assert page.status_code == 200
        return [row.name for row, _ in page.context["rows"]]

    def test_sorts_names_as_people_read_them(self, specialist):
        for name in ("Zapata", "Ábalos", "adams", "Baker"):
            HouseholdFactory(name=name)
        assert self.names(specialist) == ["Ábalos", "adams", "Baker", "Zapata"]
        assert self.names(specialist, sort="-name") == ["Zapata", "Baker", "adams", "Ábalos"]
        assert self.names(specialist, sort="nonsense") == ["Ábalos", "adams", "Baker", "Zapata"]

    def test_narrows_by_school_language_and_words(self, specialist):
        programme = ProgrammeFactory()
        ours = StudentFactory(household=HouseholdFactory(name="Ours", language="es"), programme=programme).household
        HouseholdFactory(name="Theirs")
        assert self.names(specialist, school=programme.school_id) == ["Ours"]
        assert self.names(specialist, language="es") == ["Ours"]
        assert self.names(specialist, q=ours.number) == ["Ours"]
        assert self.names(specialist, school="9999999") == []
        assert "Clear filters" in specialist.get(reverse("households"), {"q": "zzzz"}).text

    def test_costs_the_same_for_one_page_of_many(self, specialist, django_assert_max_num_queries):
        for _ in range(55):
            GuardianFactory(household=StudentFactory().household, is_primary=False)
        with django_assert_max_num_queries(12):
            page = specialist.get(reverse("households"))
        assert len(page.context["rows"]) == 50
        assert "1–50 of 55" in page.text

    @pytest.mark.parametrize("role", ["technician", "administrator"])
    def test_is_closed_to_others(self, client_as, role):
        assert client_as(role).get(reverse("households")).status_code == 403


class TestHouseholdExport:
    def test_guards_formulas_and_keeps_figures(self, specialist):
        HouseholdFactory(name="=1+1", city="@home")
        answer = specialist.get(reverse("household_export"))
        rows = list(csv.DictReader(StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
        assert (rows[0]["Name"], rows[0]["City"], rows[0]["Balance"]) == ("'=1+1", "'@home", "0.00")

    def test_gives_what_the_list_shows(self, specialist):
        HouseholdFactory(name="Wanted", language="es")
        HouseholdFactory(name="Other")
        answer = specialist.get(reverse("household_export"), {"language": "es"})
        assert b"Wanted" in (body := b"".join(answer.streaming_content))
        assert b"Other" not in body


class TestHouseholdPage:
    def test_shows_the_family(self, specialist):
        household = HouseholdFactory(name="Rivera", guardian__phone="+13125550142", notes="Prefers mornings")
        StudentFactory(household=household, given_name="Zoë", grade=0, programme=ProgrammeFactory(kind="orchestra"))
        page = specialist.get(reverse("household", args=[household.pk]))
        for words in ("Rivera", "(312) 555-0142", "Zoë", "orchestra", "kindergarten", "Nothing owed", "Prefers mornings"):
            assert words in page.text

    def test_offers_changes_to_those_who_may_make_them(self, client_as):
        household = HouseholdFactory()
        address = reverse("household", args=[household.pk])
        change = reverse("household_change", args=[household.pk])
        assert change in client_as("specialist").get(address).text
        assert change not in client_as("bookkeeper").get(address).text

    def test_says_so_when_there_is_no_such_family(self, specialist):
        assert specialist.get(reverse("household", args=[987654])).status_code == 404
        assert specialist.get(reverse("household_history", args=[987654])).status_code == 404

    def test_history_names_what_happened_and_who_did_it(self, client_as):
        household = HouseholdFactory(name="Rivera")  # before any request of this transaction: nobody did that
        specialist = client_as(UserFactory(role="specialist", name="Robin Counter"))
        fields = {"name": "Rivera", "street": "9 New Street", "city": "Springdale", "state": "IL", "postal_code": "62704"}
        specialist.post(reverse("household_change", args=[household.pk]), {**fields, "language": "en", "version": "1"})
        page = specialist.get(reverse("household_history", args=[household.pk]))
        happened = {event.text: event.who for event in page.context["events"]}
        assert happened == {"Written down": "", "Guardian added": "", "Name, address or notes changed": "Robin Counter"}
        assert "Robin Counter" in page.text


class TestAccount:
    """The account of a household billed for 40 months, with payments: line by line, and never more than twelve queries."""

    @pytest.fixture
    def household(self):
        agreement = AgreementFactory(starts_on=date(2022, 1, 31), unit=True, monthly_rent="24.50", protection=True)
        user, now = UserFactory(), datetime(2025, 5, 1, 18, tzinfo=UTC)
        due = BillingRun.objects.create(through_on=date(2025, 4, 30), asked_at=now, asked_by=user)
        runs.continue_run(due.pk, now=now)
        for day in (5, 6, 7):
            payments.record_payment(
                household=agreement.household,
                method="cash",
                cheque_number="",
                amount=Decimal("100.00"),
                received_on=date(2025, 5, day),
                acting_user=user,
                now=now,
            )
        return agreement.household

    def test_shows_forty_charges_in_at_most_twelve_queries(self, specialist, household, django_assert_max_num_queries):
        with django_assert_max_num_queries(12):
            page = specialist.get(reverse("household", args=[household.pk]))
        assert len(page.context["account"].charges) == 40
        assert page.context["balance"].word == "Past due"

    def test_history_costs_at_most_twelve_queries(self, specialist, household, django_assert_max_num_queries):
        with django_assert_max_num_queries(12):
            page = specialist.get(reverse("household_history", args=[household.pk]))
        assert [event.text for event in page.context["events"]].count("Payment taken") == 3

    def test_running_balance_ends_at_the_balance(self, specialist, household):
        page = specialist.get(reverse("household", args=[household.pk]))
        account = page.context["account"]
        assert account.movements[0].balance == account.balance == sum(line.amount for line in account.movements)
        assert f"{account.balance:,}" in page.text

    def test_list_knows_who_owes(self, specialist, household):
        HouseholdFactory(name="Owes nothing")
        owing = specialist.get(reverse("households"), {"owing": "owing"})
        assert [row.id for row, _ in owing.context["rows"]] == [household.pk]
        assert list(specialist.get(reverse("households"), {"owing": "credit"}).context["rows"]) == []
        by_balance = specialist.get(reverse("households"), {"sort": "-balance"})
        assert [row.id for row, _ in by_balance.context["rows"]] == [household.pk]
