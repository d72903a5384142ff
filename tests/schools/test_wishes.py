"""What a programme's director asks for: kept by the database, set on its page, shown on the sign-up sheet."""

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from rentals.counter.signup import sheet
from schools import wishes
from schools.models import ApprovedItem, KindExpected, UsualSize
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.counter.test_signup import answers, begin
from tests.factories import UserFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, kind
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db
EXPECTED = "INSERT INTO schools_kindexpected (programme_id, kind_id, count) VALUES (%s, %s, %s)"
APPROVED = "INSERT INTO schools_approveditem (programme_id, item_id) VALUES (%s, %s)"
SIZE = "INSERT INTO schools_usualsize (programme_id, kind_id, grade, size) VALUES (%s, 'violin', %s, %s)"


def refused(statement, *values) -> str:
    with pytest.raises(IntegrityError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, values)
    return str(caught.value)


class TestDatabase:
    @pytest.mark.parametrize("count", [0, 501])
    def test_refuses_counts_nobody_means(self, count):
        assert "kind_expected_sane" in refused(EXPECTED, ProgrammeFactory().pk, "violin", count)

    def test_refuses_two_counts_of_a_kind(self):
        programme = ProgrammeFactory()
        KindExpected.objects.create(programme=programme, kind=kind("violin"), count=12)
        assert "kind_expected_once" in refused(EXPECTED, programme.pk, "violin", 13)

    def test_refuses_a_model_twice(self):
        programme, item = ProgrammeFactory(), CatalogueItemFactory()
        ApprovedItem.objects.create(programme=programme, item=item)
        assert "approved_item_once" in refused(APPROVED, programme.pk, item.pk)

    @pytest.mark.parametrize(("grade", "size"), [(0, "1/2"), (13, "1/2"), (5, "")])
    def test_refuses_school_years_that_are_none_and_sizes_of_nothing(self, grade, size):
        assert "usual_size_known" in refused(SIZE, ProgrammeFactory().pk, grade, size)

    def test_refuses_two_usual_sizes_of_a_school_year(self):
        programme = ProgrammeFactory()
        UsualSize.objects.create(programme=programme, kind=kind("violin"), grade=5, size="1/2")
        assert "usual_size_once" in refused(SIZE, programme.pk, 5, "3/4")


class TestPage:
    def test_takes_in_all_three_and_takes_them_off(self, client_as):
        programme, item, client = (
            ProgrammeFactory(),
            CatalogueItemFactory(kind_code="violin", size="1/2"),
            client_as("specialist"),
        )
        sent = {
            "wish_expected": {"expected-kind": "violin", "expected-count": "12"},
            "wish_approved": {"approved-item": item.pk},
            "wish_size": {"sizes-kind": "violin", "sizes-grade": "5", "sizes-size": "3/4"},
        }
        for name, data in sent.items():
            assert client.post(reverse(name, args=[programme.pk]), data).status_code == 302
        found = wishes.list_wishes(programme.pk)
        assert (found.expected_in_all, found.approved[0].item, found.sizes[0].size) == (12, item, "3/4")
        client.post(reverse("wish_expected", args=[programme.pk]), {**sent["wish_expected"], "expected-count": "9"})
        assert wishes.list_wishes(programme.pk).expected_in_all == 9
        page = client.get(reverse("programme_wishes", args=[programme.pk])).text
        assert str(item) in page
        rows = {"expected": found.expected[0].pk, "approved": found.approved[0].pk, "sizes": found.sizes[0].pk}
        stranger = ProgrammeFactory()
        client.post(reverse("wish_take_off", args=[stranger.pk]), rows)
        assert wishes.list_wishes(programme.pk).expected_in_all == 9
        client.post(reverse("wish_take_off", args=[programme.pk]), rows)
        gone = wishes.list_wishes(programme.pk)
        assert (gone.expected, gone.approved, gone.sizes) == ([], [], [])

    @pytest.mark.parametrize(
        ("name", "data", "said"),
        [
            ("wish_expected", {"expected-kind": "violin", "expected-count": "0"}, "At least one: take the line off"),
            ("wish_size", {"sizes-kind": "violin", "sizes-grade": "5", "sizes-size": "16 in"}, "violin is made in the sizes"),
        ],
    )
    def test_says_what_is_wrong_and_keeps_what_was_typed(self, client_as, name, data, said):
        programme = ProgrammeFactory()
        answer = client_as("specialist").post(reverse(name, args=[programme.pk]), data)
        assert answer.status_code == 422
        assert said.lower() in answer.text.lower()
        assert '<option value="violin" selected>' in answer.text
        assert not KindExpected.objects.exists()
        assert not UsualSize.objects.exists()

    def test_readers_see_it_and_may_not_write(self, client_as):
        programme, reader = ProgrammeFactory(), client_as("bookkeeper")
        page = reader.get(reverse("programme_wishes", args=[programme.pk]))
        assert page.status_code == 200
        assert "Put a model on the list" not in page.text
        reader.post(reverse("wish_expected", args=[programme.pk]), {"expected-kind": "violin", "expected-count": "12"})
        assert not KindExpected.objects.exists()

    def test_costs_the_same_for_long_lists(self, client_as, django_assert_max_num_queries):
        programme, client = ProgrammeFactory(), client_as("specialist")
        for place in range(8):
            wishes.approve(programme=programme, item=CatalogueItemFactory(model=f"M{place}"), acting_user=UserFactory())
        with django_assert_max_num_queries(13):  # a page of three lists, three forms and the seasons
            assert client.get(reverse("programme_wishes", args=[programme.pk])).status_code == 200

    def test_no_size_that_is_not_made(self):
        known = {"programme": ProgrammeFactory(), "grade": 5, "acting_user": UserFactory()}
        with pytest.raises(wishes.NoSuchSizeError, match="has no sizes"):
            wishes.set_usual_size(kind=kind("flute"), size="1/2", **known)


class TestSignUpSheet:
    @pytest.fixture(autouse=True)
    def shop(self):
        OfficeFactory()
        TaxAreaFactory()
        PlanVersionFactory()
        RateFactory(kind=kind("violin"))

    def panel(self, client, programme, **changes) -> sheet.Panel:
        draft = begin(client)
        client.post(reverse("signup_panel", args=[draft.pk]), answers(programme, kind="violin", **changes))
        page = client.get(reverse("signup_sheet", args=[draft.pk]))
        self.text = page.text
        return page.context["panel"]

    def test_says_kindly_that_a_model_is_not_on_the_list_and_goes_on(self, client_as):
        client, programme = client_as("specialist"), ProgrammeFactory()
        other = InstrumentFactory(item__kind_code="violin", item__size="3/4", item__model="Other")
        fine = CatalogueItemFactory(kind_code="violin", size="3/4", model="Fine")
        assert not self.panel(client, programme, size="3/4", tag=other.asset_tag).is_off_list
        wishes.approve(programme=programme, item=fine, acting_user=UserFactory())
        panel = self.panel(client, programme, size="3/4", tag=other.asset_tag)
        assert (panel.is_off_list, panel.unit) == (True, other)
        assert "is not on the director’s list" in self.text
        assert str(fine) in self.text
        wishes.approve(programme=programme, item=other.item, acting_user=UserFactory())
        assert not self.panel(client, programme, size="3/4", tag=other.asset_tag).is_off_list

    def test_shows_the_usual_size_beside_the_measure(self, client_as):
        client, programme = client_as("specialist"), ProgrammeFactory()
        wishes.set_usual_size(programme=programme, kind=kind("violin"), grade=5, size="3/4", acting_user=UserFactory())
        told = {"student": "new", "grade": "5", "size": "1/2", "arm": "20", "tag": None}
        panel = self.panel(client, programme, **told)
        assert panel.usual_size == "3/4"
        assert "the director usually wants <strong>3/4</strong>" in self.text
        assert self.panel(client, programme, **{**told, "grade": "6"}).usual_size == ""
