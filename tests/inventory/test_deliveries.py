"""Deliveries received: all or nothing, every refusal by its row, each order as often as it comes."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.db.models import Sum
from django.urls import reverse

from billing.fleet import queries as books
from rentals.inventory.models import Custody, Delivery, Instrument, TagSeries
from rentals.inventory.operations import deliveries as operations
from rentals.inventory.operations.deliveries import DeliveryFacts, DeliveryLine, DeliveryRefusedError
from rentals.inventory.operations.tag_series import NoTagSeriesError, take_tags
from rentals.inventory.queries import deliveries as queries
from rentals.staff.operations import RequestKeyReusedError
from tests.factories import TechnicianFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory, kind

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 8, 3, 15, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 8, 3)
MOST_QUERIES = 12


def facts(**changed):
    told = {"supplier": "Northgate Wholesale", "order_number": "PO-7731", "location": LocationFactory(), "acquired_on": TODAY}
    return DeliveryFacts(**{**told, **changed})


def line(item, serials=("A1", "A2"), **changed):
    told = {"item": item, "pieces": len(serials), "grade": "new", "cost": Decimal("310.00"), "serials": tuple(serials)}
    return DeliveryLine(**{**told, **changed})


def receive(*lines, key=None, **changed):
    return operations.receive_delivery(
        facts=facts(**changed), lines=lines, request_key=key or uuid.uuid4(), acting_user=TechnicianFactory(), now=NOW
    )


def refused(*lines):
    with pytest.raises(DeliveryRefusedError) as caught:
        receive(*lines)
    assert not Delivery.objects.exists()
    assert not Instrument.objects.filter(delivery__isnull=False).exists()
    return [(problem.line, problem.box, problem.row) for problem in caught.value.problems], caught.value.problems


class TestReceiveDelivery:
    def test_puts_every_piece_on_the_shelf_with_tag_serial_and_cost(self):
        clarinet, flute = CatalogueItemFactory(), CatalogueItemFactory(kind_code="flute")
        made = receive(line(clarinet, ["a1", "a2"]), line(flute, ["F9"], cost=Decimal("455.25"), grade="good"))
        found = list(
            made.instruments.order_by("pk").values_list("asset_tag", "serial_number", "item", "grade", "cost", "acquired_on")
        )
        assert found == [
            ("CL-0001", "A1", clarinet.pk, "new", Decimal("310.00"), TODAY),
            ("CL-0002", "A2", clarinet.pk, "new", Decimal("310.00"), TODAY),
            ("FL-0001", "F9", flute.pk, "good", Decimal("455.25"), TODAY),
        ]
        places = Custody.objects.filter(instrument__delivery=made, ended_at=None)
        assert {(each.place, each.location_id, each.reason) for each in places} == {("shelf", "main", "Received, order PO-7731")}

    def test_cost_waits_for_the_books_at_once(self):
        receive(line(CatalogueItemFactory(), ["A1", "A2", "A3"]))
        assert books.sum_unbooked(TODAY).cost == Decimal("930.00")

    def test_an_order_is_received_in_several_goes(self):
        item = CatalogueItemFactory()
        first = receive(line(item, ["A1", "A2"]))
        second = receive(line(item, ["A3"]), order_number="po-7731")
        assert [each.pk for each in queries.list_same_order(second)] == [first.pk]
        assert list(second.instruments.values_list("asset_tag", flat=True)) == ["CL-0003"]

    def test_the_same_key_again_gives_the_first_and_another_content_is_refused(self):
        item, key = CatalogueItemFactory(), uuid.uuid4()
        user, place = TechnicianFactory(), LocationFactory()
        given = {"facts": facts(location=place), "request_key": key, "acting_user": user, "now": NOW}
        first = operations.receive_delivery(lines=[line(item)], **given)
        assert operations.receive_delivery(lines=[line(item)], **given) == first
        assert Instrument.objects.count() == 2
        with pytest.raises(RequestKeyReusedError):
            operations.receive_delivery(lines=[line(item, ["B1"])], **given)

    def test_pieces_without_serial_numbers(self):
        made = receive(
            line(CatalogueItemFactory(kind_code="violin", size="1/2"), (), pieces=3), line(CatalogueItemFactory(), ["A1", ""])
        )
        assert list(made.instruments.order_by("pk").values_list("serial_number", flat=True)) == ["", "", "", "A1", ""]

    def test_takes_tags_that_are_printed_already(self):
        made = receive(line(CatalogueItemFactory(), tags=("]C1cl-0001", "X 900")))
        assert list(made.instruments.order_by("pk").values_list("asset_tag", flat=True)) == ["CL-0001", "X900"]
        assert TagSeries.objects.get(kind="clarinet").next_number == 1
        assert list(receive(line(CatalogueItemFactory(), ["B1"])).instruments.values_list("asset_tag", flat=True)) == ["CL-0002"]


class TestWhatIsRefused:
    def test_a_serial_number_that_is_in_the_fleet_names_the_instrument(self):
        known = InstrumentFactory(serial_number="A2")
        places, problems = refused(line(known.item, ["A1", "A2", "A3"]))
        assert places == [(0, "serials", 2)]
        assert problems[0].instrument == known
        assert known.asset_tag in problems[0].message

    def test_another_model_may_have_the_same_serial_number(self):
        InstrumentFactory(serial_number="A2")
        assert receive(line(CatalogueItemFactory())).instruments.count() == 2

    def test_doubles_inside_the_delivery_are_told_where_they_stand_first(self):
        item = CatalogueItemFactory()
        places, problems = refused(line(item, ["A1", "A1"]), line(item, ["B1", "A1"], cost=Decimal(1)))
        assert places == [(0, "serials", 2), (1, "serials", 2)]
        assert [problem.message.split(" too")[0] for problem in problems] == [
            "It stands in row 1",
            "It stands in row 1 of line 1",
        ]

    def test_tags_on_another_instrument_twice_or_no_tags_at_all(self):
        InstrumentFactory(asset_tag="FL-1")
        places, problems = refused(line(CatalogueItemFactory(), ["A", "B", "C", "D"], tags=("FL-1", "FL-2", "fl-2", "?")))
        assert places == [(0, "tags", 1), (0, "tags", 3), (0, "tags", 4)]
        assert "has this tag" in problems[0].message
        assert "three to twenty" in problems[2].message

    @pytest.mark.parametrize(
        ("pieces", "serials", "tags", "box", "words"),
        [
            (10, 9, 0, "serials", "10 instruments and 9 serial numbers: scan the one that is missing"),
            (2, 3, 0, "serials", "2 instruments and 3 serial numbers: take one out"),
            (2, 2, 1, "tags", "2 instruments and 1 tag: scan the one"),
        ],
    )
    def test_counts_that_do_not_match(self, pieces, serials, tags, box, words):
        told = line(
            CatalogueItemFactory(), [f"A{n}" for n in range(serials)], pieces=pieces, tags=tuple(f"TG-{n}" for n in range(tags))
        )
        places, problems = refused(told)
        assert places == [(0, box, 0)]
        assert words in problems[0].message

    def test_two_serial_numbers_run_into_one(self):
        places, _ = refused(line(CatalogueItemFactory(), ["A1", "9" * 41]))
        assert places == [(0, "serials", 2)]

    def test_one_bad_row_lets_no_row_in_and_no_tag_is_lost(self):
        known = InstrumentFactory(serial_number="A2")
        refused(line(CatalogueItemFactory(), ["Z1", "Z2"]), line(known.item, ["A2"]))
        assert TagSeries.objects.get(kind="clarinet").next_number == 1


class TestTakeTags:
    def test_passes_over_what_is_on_an_instrument_already(self):
        for number in (1, 2, 4):
            InstrumentFactory(asset_tag=f"CL-{number:04d}")
        assert take_tags(wanted={kind("clarinet"): 2}, leave={"CL-0005"}) == {"clarinet": ["CL-0003", "CL-0006"]}
        assert TagSeries.objects.get(kind="clarinet").next_number == 7

    def test_goes_on_behind_hundreds_that_are_taken(self):
        item = CatalogueItemFactory()
        Instrument.objects.bulk_create(
            Instrument(asset_tag=f"CL-{number:04d}", item=item, acquired_on=TODAY) for number in range(1, 701)
        )
        assert take_tags(wanted={kind("clarinet"): 1}) == {"clarinet": ["CL-0701"]}

    def test_kinds_without_a_series_of_their_own_share_the_one_for_the_rest(self):
        TagSeries.objects.filter(kind__in=["clarinet", "flute"]).delete()
        TagSeries.objects.create(prefix="Z", width=5)
        taken = take_tags(wanted={kind("clarinet"): 1, kind("flute"): 2, kind("oboe"): 1})
        assert taken == {"clarinet": ["Z00001"], "flute": ["Z00002", "Z00003"], "oboe": ["OB-0001"]}

    def test_says_so_when_there_is_none(self):
        TagSeries.objects.filter(kind="clarinet").delete()
        with pytest.raises(NoTagSeriesError, match="no tag series for clarinet"):
            take_tags(wanted={kind("clarinet"): 1})


def sent(*lines, **changed):
    data = {
        "supplier": "Northgate Wholesale",
        "order_number": "PO-7731",
        "location": LocationFactory().pk,
        "acquired_on": "8/3/2026",
        "request_key": str(uuid.uuid4()),
        "lines-TOTAL_FORMS": str(len(lines)),
        "lines-INITIAL_FORMS": "0",
    }
    for place, told in enumerate(lines):
        data |= {f"lines-{place}-{name}": value for name, value in {"cost": "310", "grade": "new", **told}.items()}
    return data | changed


class TestReceiveScreen:
    def test_receives_and_shows_what_came(self, client_as):
        item = CatalogueItemFactory()
        client = client_as("technician")
        response = client.post(reverse("receive"), sent({"item": item.pk, "pieces": "2", "serials": "a1\r\na2\r\n"}), follow=True)
        assert response.status_code == 200
        text = response.content.decode()
        assert "2 instruments received" in text
        assert "CL-0001" in text
        assert "PO-7731" in text

    def test_leads_on_to_the_labels_of_what_came(self, client_as):
        made, other = receive(line(CatalogueItemFactory())), InstrumentFactory()
        client, way = client_as("technician"), f"{reverse('labels_print')}?delivery={made.pk}"
        assert f'href="{way}">Print labels</a>' in client.get(reverse("delivery", args=[made.pk])).content.decode()
        chosen = client.get(way).context["chosen"].instruments
        assert [unit.asset_tag for unit in chosen] == ["CL-0001", "CL-0002"]
        assert other not in chosen

    def test_keeps_every_word_and_names_the_rows(self, client_as):
        known = InstrumentFactory(serial_number="A2")
        told = {"item": known.item_id, "pieces": "3", "serials": "A1\nA2\nA1", "cost": "$1,250.50"}
        response = client_as("technician").post(reverse("receive"), sent(told, note="One case cracked"))
        text = response.content.decode()
        assert response.status_code == 422
        assert "A1\nA2\nA1</textarea>" in text
        assert "$1,250.50" in text
        assert "One case cracked" in text
        assert reverse("instrument", args=[known.pk]) in text
        assert "2 rows of this box need another look" in text
        assert not Delivery.objects.exists()

    def test_asks_for_what_a_line_lacks(self, client_as):
        response = client_as("technician").post(reverse("receive"), sent({"pieces": "2", "cost": ""}))
        errors = response.context["lines"].forms[0].errors
        assert set(errors) == {"item", "cost", "serials"}

    @pytest.mark.parametrize(
        "told", [{"serials": "A1", "unnumbered": "on"}, {"pieces": "0", "serials": "A1"}, {"pieces": "9999", "serials": "A1"}]
    )
    def test_refuses_contradictions(self, client_as, told):
        response = client_as("technician").post(
            reverse("receive"), sent({"item": CatalogueItemFactory().pk, "pieces": "1", **told})
        )
        assert response.status_code == 422
        assert not Delivery.objects.exists()

    def test_nothing_on_the_lines(self, client_as):
        response = client_as("technician").post(reverse("receive"), sent({"cost": ""}, {"cost": ""}))
        assert response.status_code == 422
        assert "Nothing stands on the lines yet" in response.content.decode()

    def test_adds_a_line_and_keeps_what_was_typed_without_complaint(self, client_as):
        response = client_as("technician").post(
            reverse("receive"), sent({"serials": "A1", "cost": ""}, add_line="1", supplier="")
        )
        text = response.content.decode()
        assert response.status_code == 200
        assert len(response.context["lines"].forms) == 2
        assert "A1</textarea>" in text
        assert "error-summary" not in text

    def test_the_same_form_twice_makes_one_delivery(self, client_as):
        data = sent({"item": CatalogueItemFactory().pk, "pieces": "1", "serials": "A1"})
        client = client_as("technician")
        places = {client.post(reverse("receive"), data).url for _ in range(2)}
        assert len(places) == 1
        assert Delivery.objects.count() == Instrument.objects.count() == 1

    def test_is_for_those_who_may_change_the_fleet(self, client_as):
        assert client_as("specialist").get(reverse("receive")).status_code == 403

    def test_begins_with_the_order_of_the_delivery_before(self, client_as):
        receive(line(CatalogueItemFactory()))
        response = client_as("technician").get(reverse("receive"), {"supplier": "Northgate", "order_number": "PO-7731"})
        assert 'value="PO-7731"' in response.content.decode()


class TestDeliveriesScreen:
    def test_costs_the_same_however_many_there_are(self, client_as, django_assert_max_num_queries):
        item = CatalogueItemFactory()
        for place in range(15):
            receive(line(item, [f"S{place}"]), order_number=f"PO-{place}")
        client = client_as("manager")
        with django_assert_max_num_queries(MOST_QUERIES):
            response = client.get(reverse("deliveries"))
        assert len(response.context["page"]) == 15

    @pytest.mark.parametrize("text", ["northgate", "po-7731", "CL-0001", "a1", "northgate 7731"])
    def test_is_found_by_supplier_order_tag_or_serial(self, client_as, text):
        wanted = receive(line(CatalogueItemFactory(), ["A1"]))
        receive(line(CatalogueItemFactory(), ["B1"]), supplier="Elm & Sons", order_number="77")
        response = client_as("manager").get(reverse("deliveries"), {"text": text})
        assert [each.pk for each in response.context["page"]] == [wanted.pk]

    def test_tells_cost_to_the_manager_only(self, client_as):
        made = receive(line(CatalogueItemFactory(), ["A1"]))
        total = Instrument.objects.aggregate(all=Sum("cost"))["all"]
        assert total == Decimal("310.00")
        for role, shown in (("manager", True), ("specialist", False)):
            client = client_as(role)
            export = b"".join(client.get(reverse("deliveries_export")).streaming_content).decode("utf-8-sig")
            assert ("310.00" in export) is shown
            for url in (reverse("deliveries"), reverse("delivery", args=[made.pk])):
                assert ("310.00" in client.get(url).content.decode()) is shown

    def test_empty_and_nothing_found(self, client_as):
        assert 'data-empty="never"' in client_as("manager").get(reverse("deliveries")).content.decode()
        assert 'data-empty="nothing"' in client_as("manager").get(reverse("deliveries"), {"text": "zz"}).content.decode()


class TestTagSeriesScreen:
    def test_changes_a_series_and_refuses_what_others_did_meanwhile(self, client_as):
        series = TagSeries.objects.get(kind="clarinet")
        url = reverse("tag_series_change", args=[series.pk])
        data = {"letters": "kl", "width": "5", "next_number": "500", "version": "1", "shown_next": "1"}
        take_tags(wanted={kind("clarinet"): 2})
        response = client_as("manager").post(url, data)
        assert response.status_code == 409
        assert "It is 3 now" in response.content.decode()
        assert 'name="shown_next" value="3"' in response.content.decode()
        assert client_as("manager").post(url, {**data, "shown_next": "3"}).status_code == 302
        assert take_tags(wanted={kind("clarinet"): 1}) == {"clarinet": ["KL00500"]}

    def test_adds_one_for_the_rest_once(self, client_as):
        data = {"kind": "", "letters": "Z-", "width": "4", "next_number": "1"}
        client = client_as("manager")
        assert client.post(reverse("tag_series_add"), data).status_code == 302
        again = client.post(reverse("tag_series_add"), {**data, "letters": "Y-"})
        assert again.status_code == 422
        assert "change that one" in again.content.decode()

    @pytest.mark.parametrize("letters", ["FL-", "-X", "TOO LONG INDEED", "Ü"])
    def test_refuses_letters_that_cannot_be(self, client_as, letters):
        data = {"kind": "", "letters": letters, "width": "4", "next_number": "1"}
        assert client_as("manager").post(reverse("tag_series_add"), data).status_code == 422
