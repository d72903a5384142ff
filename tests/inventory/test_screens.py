"""The fleet's screens: what each role sees, what is refused and how, and how many queries a page costs."""

import csv
import datetime
import io
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from rentals.inventory import operations
from rentals.inventory.models import (
    CatalogueItem,
    Instrument,
    LabelLayout,
    LabelPrint,
    Location,
    PrintedLabel,
    Product,
    TagSeries,
    WorkOrder,
)
from rentals.runtime.exports import guarded, unguarded
from tests.agreements.factories import AgreementFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import (
    CatalogueItemFactory,
    HoldFactory,
    InstrumentFactory,
    LocationFactory,
    ProductFactory,
    WorkOrderFactory,
)
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db
MOST_QUERIES = 12


def text_of(response):
    return response.content.decode()


class TestInstruments:
    def test_costs_the_same_however_many_there_are(self, client_as, django_assert_max_num_queries):
        for _ in range(30):
            InstrumentFactory()
        InstrumentFactory(place="family", place__household=HouseholdFactory())
        client = client_as("manager")
        with django_assert_max_num_queries(MOST_QUERIES):
            response = client.get(reverse("instruments"))
        assert len(response.context["rows"]) == 31

    @pytest.mark.parametrize(
        ("query", "found"),
        [
            ("text=1042", ["FL-1042"]),
            ("text=harrow", ["CL-1", "FL-1042"]),
            ("text=s-77", ["CL-1"]),
            ("kind=flute", ["FL-1042"]),
            ("grade=worn", ["CL-1"]),
            ("place=bench", ["CL-1"]),
            ("location=west", ["CL-1"]),
            ("size=4%2F4", ["VN-9"]),
            ("sort=-tag", ["VN-9", "FL-1042", "CL-1"]),
            ("sort=nonsense&place=nowhere", ["CL-1", "FL-1042", "VN-9"]),
        ],
    )
    def test_is_narrowed_and_sorted_by_its_address(self, client_as, query, found):
        InstrumentFactory(asset_tag="FL-1042", item=CatalogueItemFactory(kind_code="flute"))
        west = LocationFactory(code="west", name="West side shop")
        InstrumentFactory(asset_tag="CL-1", serial_number="S-77", grade="worn", place="bench", place__location=west)
        InstrumentFactory(asset_tag="VN-9", item=CatalogueItemFactory(kind_code="violin", size="4/4", maker="Other"))
        response = client_as("specialist").get(f"{reverse('instruments')}?{query}")
        assert [row["instrument"].asset_tag for row in response.context["rows"]] == found

    @pytest.mark.parametrize(
        ("query", "found"),
        [
            ("held=yes", ["FL-2"]),
            ("held=no&place=shelf", ["FL-1"]),
            ("label=never", ["CL-3", "FL-1", "VN-4"]),
            ("tier=advanced", ["FL-1"]),
            ("acquired_from=1/1/2026", ["FL-2"]),
            ("acquired_to=2025-12-31&place=shelf", ["FL-1"]),
            ("idle_since=6/2/2025", ["FL-1", "FL-2"]),
            ("idle_since=6/1/2025", []),
            ("idle_since=nonsense&held=maybe&label=x&tier=y&school=z", ["CL-3", "FL-1", "FL-2", "VN-4"]),
        ],
    )
    def test_is_narrowed_further_and_the_file_has_the_same_rows(self, client_as, query, found):
        flute = CatalogueItemFactory(kind_code="flute")
        InstrumentFactory(asset_tag="FL-1", item=CatalogueItemFactory(kind_code="flute", tier="advanced"))
        held = HoldFactory(instrument=InstrumentFactory(asset_tag="FL-2", item=flute, acquired_on=datetime.date(2026, 2, 1)))
        InstrumentFactory(asset_tag="CL-3", place="bench")
        InstrumentFactory(asset_tag="VN-4", place="lost")
        layout = LabelLayout.objects.create(
            name="Roll", page_width=60, page_height=30, pitch_x=60, pitch_y=30, label_width=60, label_height=30
        )
        printed = LabelPrint.objects.create(layout=layout, printed_at=held.began_at, printed_by=held.made_by)
        PrintedLabel.objects.create(label_print=printed, instrument=held.instrument, asset_tag="FL-2", place=1)
        client = client_as("manager")
        response = client.get(f"{reverse('instruments')}?{query}")
        assert [row["instrument"].asset_tag for row in response.context["rows"]] == found
        file = b"".join(client.get(f"{reverse('instruments_export')}?{query}").streaming_content).decode("utf-8-sig")
        assert [row["Asset tag"] for row in csv.DictReader(io.StringIO(file))] == found

    def test_a_school_narrows_to_what_it_and_its_students_have(self, client_as, django_assert_max_num_queries):
        programme = ProgrammeFactory()
        household = HouseholdFactory()
        student = StudentFactory(household=household, programme=programme)
        agreement = AgreementFactory(unit=True, household=household, student=student)
        there = InstrumentFactory(place="school", place__school=programme.school)
        InstrumentFactory()
        client = client_as("manager")
        with django_assert_max_num_queries(14):
            response = client.get(f"{reverse('instruments')}?school={programme.school_id}")
        tags = {row["instrument"].asset_tag for row in response.context["rows"]}
        assert tags == {there.asset_tag, agreement.units.get().instrument.asset_tag}

    def test_no_match_offers_to_clear_the_filters(self, client_as):
        InstrumentFactory()
        response = client_as("specialist").get(f"{reverse('instruments')}?text=zzz")
        assert 'data-empty="nothing"' in text_of(response)

    def test_exports_what_is_shown_with_formulas_guarded(self, client_as):
        InstrumentFactory(asset_tag="FL-1042", notes="=HYPERLINK(1)")
        InstrumentFactory(asset_tag="CL-1", grade="worn")
        response = client_as("manager").get(f"{reverse('instruments_export')}?text=1042")
        content = b"".join(response.streaming_content).decode("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(content)))
        assert [(row["Asset tag"], row["Notes"], row["Location"]) for row in rows] == [
            ("FL-1042", "'=HYPERLINK(1)", "Main Street shop")
        ]

    def test_guard_comes_off_again_and_numbers_stay_numbers(self):
        for text in ("=1+1", "+1", "-x", "@a", "\tx", "plain", "'tis"):
            assert unguarded(guarded(text)) == text
        assert guarded(Decimal("-12.50")) == "-12.50"


class TestInstrument:
    def test_shows_where_it_has_been_within_twelve_queries(self, client_as, django_assert_max_num_queries):
        order = WorkOrderFactory(problem="A key sticks")
        client = client_as("manager")
        with django_assert_max_num_queries(MOST_QUERIES):
            response = client.get(reverse("instrument", args=[order.instrument_id]))
        assert "A key sticks" in text_of(response)
        assert "Main Street shop" in text_of(response)

    def test_names_the_family_only_to_those_who_may_know(self, client_as):
        household = HouseholdFactory(name="Quillfeather")
        instrument = InstrumentFactory(place="family", place__household=household)
        url = reverse("instrument", args=[instrument.pk])
        assert "Quillfeather" in text_of(client_as("specialist").get(url))
        assert "Quillfeather" not in text_of(client_as("technician").get(url))

    def test_what_the_shop_paid_is_for_the_manager(self, client_as):
        instrument = InstrumentFactory(cost=Decimal("417.77"))
        url = reverse("instrument", args=[instrument.pk])
        assert "$417.77" in text_of(client_as("manager").get(url))
        assert "$417.77" not in text_of(client_as("specialist").get(url))


class TestAddAndChange:
    def facts(self, **changes):
        facts = {
            "asset_tag": "fl-1042",
            "serial_number": "88123",
            "item": CatalogueItemFactory(kind_code="flute").pk,
            "grade": "new",
            "cost": "310",
            "acquired_on": "3/1/2026",
            "location": LocationFactory().pk,
            "notes": "",
            "request_key": str(uuid.uuid4()),
        }
        return facts | changes

    def test_without_a_tag_it_gets_the_next_of_its_kind_and_twice_sent_it_is_one(self, client_as):
        client, facts = client_as("technician"), self.facts(asset_tag="", serial_number="")
        before = TagSeries.objects.get(kind="flute").next_number
        for _ in range(2):
            assert client.post(reverse("instrument_add"), facts).status_code == 302
        added = Instrument.objects.get()
        assert added.asset_tag.endswith(str(before))
        assert TagSeries.objects.get(kind="flute").next_number == before + 1
        for change in ({"grade": "worn"}, {"cost": "311"}, {"notes": "Dent in the bell"}):
            other = client.post(reverse("instrument_add"), facts | change)
            assert other.status_code == 422
            assert "already sent with other contents" in text_of(other)

    def test_a_kind_without_a_series_asks_for_a_tag(self, client_as):
        TagSeries.objects.all().delete()
        response = client_as("technician").post(reverse("instrument_add"), self.facts(asset_tag=""))
        assert response.status_code == 422
        assert "no tag series for flute" in str(response.context["form"].errors["asset_tag"])

    def test_adds_one_to_the_shelf(self, client_as):
        response = client_as("technician").post(reverse("instrument_add"), self.facts())
        assert response.status_code == 302
        added = Instrument.objects.get(asset_tag="FL-1042")
        assert (added.cost.amount, added.acquired_on) == (Decimal("310.00"), datetime.date(2026, 3, 1))

    def test_a_taken_tag_is_said_beside_the_field_and_nothing_typed_is_lost(self, client_as):
        InstrumentFactory(asset_tag="FL-1042")
        response = client_as("technician").post(reverse("instrument_add"), self.facts(notes="Dent in the bell"))
        assert response.status_code == 422
        assert "already on another instrument" in str(response.context["form"].errors["asset_tag"])
        assert "Dent in the bell" in text_of(response)

    def test_two_who_change_the_same_one_are_told(self, client_as):
        instrument = InstrumentFactory()
        data = self.facts(asset_tag=instrument.asset_tag, item=instrument.item_id, cost="400.00", acquired_on="6/2/2025")
        data |= {"version": "1", "serial_number": instrument.serial_number}
        url = reverse("instrument_change", args=[instrument.pk])
        client = client_as("technician")
        assert client.post(url, data | {"grade": "worn"}).status_code == 302
        refused = client.post(url, data | {"grade": "poor"})
        assert refused.status_code == 409
        assert [(line["label"], line["value"]) for line in refused.context["theirs"]] == [("Condition", "Worn")]
        assert 'name="version" value="2"' in text_of(refused)

    def test_says_where_it_is(self, client_as):
        instrument = InstrumentFactory(place="lost")
        url = reverse("instrument_move", args=[instrument.pk])
        client = client_as("technician")
        missing = client.post(url, {"place": "shelf", "reason": "Found behind the risers"})
        assert "Choose the shop where it stands." in text_of(missing)
        found = {"place": "shelf", "reason": "Found behind the risers", "location": LocationFactory().pk}
        assert client.post(url, found).status_code == 302
        assert client.post(url, found).status_code == 422


class TestCatalogue:
    def test_a_string_needs_a_size_it_comes_in(self, client_as):
        data = {
            "kind": "violin", "maker": "Harrow", "model": "V1", "size": "5/4", "tier": "beginner",
            "purchase_price": "900", "replacement_value": "800", "is_active": "on",
        }  # fmt: skip
        client = client_as("manager")
        refused = client.post(reverse("catalogue_add"), data)
        assert refused.status_code == 422
        assert "1/16, 1/10, 1/8" in str(refused.context["form"].errors["size"])
        assert client.post(reverse("catalogue_add"), data | {"size": "½"}).status_code == 302
        assert CatalogueItem.objects.get().size == "1/2"
        again = client.post(reverse("catalogue_add"), data | {"size": "1/2"})
        assert "already has Harrow V1 1/2" in str(again.context["form"].errors)

    def test_two_who_change_a_price_are_told(self, client_as):
        item = CatalogueItemFactory()
        data = {
            "kind": "clarinet", "maker": item.maker, "model": item.model, "tier": "beginner", "size": "",
            "purchase_price": "950", "replacement_value": "850", "is_active": "on", "version": "1",
        }  # fmt: skip
        client = client_as("manager")
        url = reverse("catalogue_change", args=[item.pk])
        assert client.post(url, data).status_code == 302
        assert client.post(url, data | {"purchase_price": "1"}).status_code == 409
        item.refresh_from_db()
        assert item.purchase_price.amount == Decimal("950.00")

    def test_products(self, client_as):
        client = client_as("manager")
        data = {"sku": "reeds-2", "name": "Reeds, strength 2", "price": "24.50", "is_active": "on"}
        assert client.post(reverse("product_add"), data).status_code == 302
        assert client.post(reverse("product_add"), data).status_code == 422
        change = {"name": "Reeds, strength 2", "price": "26", "is_active": "on", "version": "1"}
        url = reverse("product_change", args=["reeds-2"])
        assert client.post(url, change).status_code == 302
        assert client.post(url, change).status_code == 409
        assert Product.objects.get().price.amount == Decimal("26.00")

    def test_shops(self, client_as):
        client = client_as("manager")
        data = {"name": "West side shop", "street": "9 West Road", "city": "Springdale", "state": "il", "postal_code": "62704"}
        assert client.post(reverse("location_add"), data | {"is_active": "on"}).status_code == 302
        assert client.post(reverse("location_add"), data).status_code == 422
        assert client.post(reverse("location_change", args=["west-side-shop"]), data | {"name": "West shop"}).status_code == 302
        shop = Location.objects.get()
        assert (shop.name, shop.state, shop.is_active) == ("West shop", "IL", False)

    @pytest.mark.parametrize("name", ["catalogue", "products", "locations", "bench_queue", "cleanings", "fleet_import"])
    def test_lists_cost_at_most_twelve_queries(self, client_as, django_assert_max_num_queries, name):
        for _ in range(15):
            WorkOrderFactory(instrument__acquired_on=datetime.date(2020, 1, 1))
            ProductFactory()
        client = client_as("manager")
        with django_assert_max_num_queries(MOST_QUERIES):
            assert client.get(reverse(name)).status_code == 200

    def test_prices_are_not_the_technicians_to_change(self, client_as):
        assert client_as("technician").get(reverse("catalogue_add")).status_code == 403


class TestWork:
    def test_the_queue_shows_the_longest_waiting_first(self, client_as):
        later = WorkOrderFactory(opened_at=datetime.datetime(2026, 3, 2, tzinfo=datetime.UTC))
        earlier = WorkOrderFactory(opened_at=datetime.datetime(2026, 3, 1, tzinfo=datetime.UTC))
        response = client_as("technician").get(reverse("bench_queue"))
        assert [card.order for column in response.context["columns"] for card in column.cards] == [earlier, later]

    def test_closing_asks_what_was_done(self, client_as):
        order = WorkOrderFactory()
        client, url = client_as("technician"), reverse("work_order_close", args=[order.pk])
        assert client.post(url, {"work_done": " "}).status_code == 422
        assert client.post(url, {"work_done": "New pad"}).status_code == 302
        assert WorkOrder.objects.get().work_done == "New pad"

    def test_cleaned_today_leaves_the_list(self, client_as):
        instrument = InstrumentFactory(acquired_on=datetime.date(2020, 1, 1))
        client = client_as("technician")
        listed = client.get(reverse("cleanings"))
        assert instrument.asset_tag in text_of(listed)
        assert "Reeds are never shared" in text_of(listed)
        client.post(reverse("cleaned_today", args=[instrument.pk]))
        assert 'data-empty="done"' in text_of(client.get(reverse("cleanings")))


class TestCurrentAgreement:
    def test_is_linked_for_those_who_may_see_it(self, client_as):
        agreement = AgreementFactory(unit=True)
        url = reverse("instrument", args=[agreement.units.get().instrument_id])
        link = f'href="{reverse("agreement", args=[agreement.pk])}"'
        assert link in text_of(client_as("specialist").get(url))
        assert agreement.number not in text_of(client_as("technician").get(url))


class TestMoveByHand:
    def test_one_on_an_agreement_is_not_moved_past_it(self, client_as):
        agreement = AgreementFactory(unit=True)
        instrument = agreement.units.get().instrument
        with pytest.raises(operations.InstrumentOnAgreementError, match=agreement.number):
            operations.move_by_hand(
                instrument=instrument,
                place="lost",
                reason="",
                acting_user=client_as("technician").user,
                now=datetime.datetime(2026, 5, 2, tzinfo=datetime.UTC),
            )
