"""Schools: writes, reads and screens."""

import pytest
from django.urls import reverse

from rentals.inventory.models import InstrumentKind, Product
from rentals.runtime.money import money
from schools import operations, queries
from schools.models import Programme, RequiredItem, School
from tests.factories import UserFactory
from tests.families.factories import StudentFactory
from tests.schools.factories import ProgrammeFactory, RequiredItemFactory, SchoolFactory

pytestmark = pytest.mark.django_db
SCHOOL = {"name": "Birch School", "district": "Prairie", "street": "1 Main", "city": "Springdale", "state": "il"}
SCHOOL |= {"postal_code": "62704", "delivery_weekday": "2", "is_active": "on"}


@pytest.fixture
def flute():
    return InstrumentKind.objects.get_or_create(code="flute", defaults={"name": "Flute", "family": "woodwind"})[0]


@pytest.fixture
def rosin():
    return Product.objects.get_or_create(sku="test-rosin", defaults={"name": "Test rosin", "price": money("7.50")})[0]


class TestRequiredList:
    def test_lists_what_one_kind_of_instrument_needs(self, flute, rosin):
        item = RequiredItemFactory(kind=flute, product=rosin, quantity=2)
        assert queries.list_required_items(item.programme_id, "flute") == [item]
        assert queries.list_required_items(item.programme_id, "violin") == []

    def test_leaves_out_what_is_no_longer_sold(self, flute, rosin):
        item = RequiredItemFactory(kind=flute, product=rosin)
        Product.objects.filter(pk=rosin.pk).update(is_active=False)
        assert queries.list_required_items(item.programme_id, "flute") == []

    def test_the_same_product_again_changes_how_many(self, flute, rosin):
        programme, user = ProgrammeFactory(), UserFactory()
        for quantity in (1, 3):
            facts = operations.RequiredFacts(product=rosin, quantity=quantity)
            operations.put_on_required_list(programme=programme, kind=flute, facts=facts, acting_user=user)
        assert RequiredItem.objects.get().quantity == 3


class TestSchoolScreens:
    def test_writes_a_school_down(self, client_as):
        answer = client_as("specialist").post(reverse("school_add"), SCHOOL)
        school = School.objects.get(name="Birch School")
        assert answer.url == reverse("school", args=[school.pk])
        assert (school.state, school.delivery_weekday) == ("IL", School.Weekday.WEDNESDAY)

    def test_refuses_a_name_twice(self, client_as):
        SchoolFactory(name="Birch School")
        answer = client_as("specialist").post(reverse("school_add"), SCHOOL)
        assert answer.status_code == 422
        assert "There is a school named Birch School already." in answer.text
        assert 'value="Prairie"' in answer.text

    def test_changes_one(self, client_as):
        school = SchoolFactory()
        client_as("specialist").post(reverse("school_change", args=[school.pk]), {**SCHOOL, "is_active": ""})
        school.refresh_from_db()
        assert (school.name, school.is_active) == ("Birch School", False)

    def test_gives_it_a_programme_once(self, client_as):
        school, client = SchoolFactory(), client_as("specialist")
        sent = {"kind": "band", "expected_beginners": "", "starting_grade": "5"}
        client.post(reverse("programme_add", args=[school.pk]), sent)
        programme = Programme.objects.get()
        answer = client.post(reverse("programme_add", args=[school.pk]), sent)
        assert answer.status_code == 422
        assert "has its band already" in answer.text
        client.post(reverse("programme_change", args=[programme.pk]), {**sent, "expected_beginners": "31"})
        programme.refresh_from_db()
        assert programme.expected_beginners == 31

    def test_edits_the_required_list(self, client_as, flute, rosin):
        programme, client = ProgrammeFactory(), client_as("specialist")
        address, prefix = reverse("required_item_add", args=[programme.pk]), f"p{programme.pk}"
        sent = {f"{prefix}-kind": "flute", f"{prefix}-product": rosin.pk, f"{prefix}-quantity": "2"}
        refused = client.post(address, {**sent, f"{prefix}-quantity": "50"})
        assert refused.status_code == 422
        assert "At most twenty" in refused.text
        assert not RequiredItem.objects.exists()
        client.post(address, sent)
        page = client.get(reverse("school", args=[programme.school_id]))
        assert "Test rosin" in page.text
        client.post(reverse("required_item_remove", args=[RequiredItem.objects.get().pk]))
        assert not RequiredItem.objects.exists()

    def test_the_page_costs_the_same_for_a_long_list(self, client_as, flute, django_assert_max_num_queries):
        programme, client = ProgrammeFactory(), client_as("bookkeeper")
        ProgrammeFactory(school=programme.school, kind="orchestra")
        for place in range(15):
            product = Product.objects.create(sku=f"p-{place}", name=f"Product {place}", price=money(1))
            RequiredItemFactory(programme=programme, kind=flute, product=product)
        with django_assert_max_num_queries(16):  # one page of seven parts, not a list
            client.get(reverse("school", args=[programme.school_id]))

    def test_the_list_counts_students(self, client_as, django_assert_max_num_queries):
        programme, client = ProgrammeFactory(), client_as("specialist")
        for _ in range(3):
            StudentFactory(programme=programme)
        with django_assert_max_num_queries(12):
            page = client.get(reverse("schools"), {"q": programme.school.name[:6]})
        assert [school.student_count for school, _ in page.context["schools"]] == [3]

    def test_readers_may_not_write(self, client_as):
        assert client_as("bookkeeper").post(reverse("school_add"), SCHOOL).status_code in {302, 403}
        assert client_as("technician").get(reverse("schools")).status_code == 403
        assert not School.objects.exists()
