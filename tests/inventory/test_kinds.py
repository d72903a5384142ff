"""The lists of a kind changed by the manager, a kind's page, and the catalogue by family and kind."""

import re
from decimal import Decimal

import pytest
from django.urls import reverse

from rentals.inventory import queries, reference
from rentals.inventory.models import CatalogueItem, KindPart, KindService
from rentals.inventory.operations import kinds as operations
from rentals.inventory.operations.kinds import KindListChangedError, ListRow, NameOnListError
from rentals.inventory.queries.catalogue import Units, count_units, group_catalogue
from tests.factories import UserFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory, WorkOrderFactory, kind

pytestmark = pytest.mark.django_db
MOST_QUERIES = 12


def values(name="Mouthpiece pouch", **changed):
    told = {"name": name, "order": 90, "must_come_back": True, "replacement_price": Decimal("7.50"), "is_active": True}
    return {**told, **changed}


def save(*rows):
    operations.save_parts(kind=kind("clarinet"), rows=rows, acting_user=UserFactory(role="manager"))


def part(code="cap"):
    return KindPart.objects.get(kind="clarinet", code=code)


def old(row, **changed):
    seen = {name: getattr(row, name) for name in ("name", "order", "must_come_back", "is_active")}
    return ListRow({**seen, "replacement_price": None, **changed}, row.pk, row.version)


class TestSaveParts:
    def test_changes_adds_and_takes_off_together(self):
        cap, case = part(), part("case")
        save(old(cap, name="Brass cap", replacement_price=Decimal(6)), old(case, is_active=False), ListRow(values()))
        assert (part().name, part().replacement_price.amount, part().version) == ("Brass cap", Decimal(6), 2)
        assert "case" not in {row.code for row in queries.list_parts("clarinet")}
        assert queries.list_parts("clarinet").last().name == "Mouthpiece pouch"

    def test_refuses_rows_that_somebody_changed_meanwhile_and_saves_none(self):
        cap, case = part(), part("case")
        save(old(cap, name="Brass cap"))
        with pytest.raises(KindListChangedError, match="Brass cap") as caught:
            save(old(case, name="Box"), old(cap, name="Cover"), ListRow(values()))
        assert list(caught.value.now) == [cap.pk]
        assert (part().name, part("case").name) == ("Brass cap", case.name)
        assert not KindPart.objects.filter(name="Mouthpiece pouch").exists()

    @pytest.mark.parametrize("name", ["Case", "cASE"])
    def test_refuses_a_name_twice_and_saves_none(self, name):
        with pytest.raises(NameOnListError, match="stands on the list already") as caught:
            save(old(part(), name="Brass cap"), ListRow(values(name)))
        assert caught.value.place == 1
        assert part().name != "Brass cap"

    def test_says_that_the_name_was_taken_off(self):
        save(old(part(), is_active=False))
        with pytest.raises(NameOnListError, match="put that one back"):
            save(ListRow(values(part().name)))

    def test_two_rows_may_change_names(self):
        cap, case = part(), part("case")
        save(old(cap, name=case.name), old(case, name=cap.name))
        assert (part().name, part("case").name) == (case.name, cap.name)

    def test_a_new_row_may_take_the_first_name_of_a_renamed_one(self):
        name = part("case").name
        save(old(part("case"), name="Hard shell"))
        save(ListRow(values(name)))
        assert KindPart.objects.filter(kind="clarinet", name=name, code="case-2").exists()

    def test_leaves_the_lists_of_other_kinds_alone(self):
        flute = KindPart.objects.filter(kind="flute").first()
        save(ListRow(values("Stolen"), flute.pk, flute.version))
        flute.refresh_from_db()
        assert flute.name != "Stolen"

    def test_the_data_files_never_write_over_it(self):
        save(old(part(), name="Brass cap", is_active=False), old(part("case"), name="Hard shell"))
        before = list(KindPart.objects.order_by("pk").values())
        reference.ensure_kind_lists()
        assert list(KindPart.objects.order_by("pk").values()) == before


class TestSaveServices:
    def test_keeps_the_minutes(self):
        pad = KindService.objects.get(kind="clarinet", code="pad")
        row = ListRow({"name": pad.name, "order": 5, "usual_minutes": 35, "is_active": True}, pad.pk, pad.version)
        operations.save_services(kind=kind("clarinet"), rows=[row], acting_user=UserFactory(role="manager"))
        pad.refresh_from_db()
        assert (pad.usual_minutes, pad.order, pad.version) == (35, 5, 2)


def sent(client, name="kind_parts", **changed):
    """Return the list's form as the browser would send it, with some fields changed."""
    rows = client.get(reverse(name, args=["clarinet"])).context["rows"]
    data = {f"rows-{key}": value for key, value in rows.management_form.initial.items()}
    for form in rows:
        for field in form:
            value = field.value()
            if value is True:
                data[field.html_name] = "on"
            elif value not in (None, False):
                data[field.html_name] = str(value)
    return {**data, **changed}


def place_of(data, name):
    return next(key.removesuffix("-name") for key, value in data.items() if key.endswith("-name") and value == name)


class TestListScreens:
    @pytest.mark.parametrize("name", ["kind_parts", "kind_services"])
    def test_saved_unchanged_it_changes_nothing(self, client_as, name):
        client = client_as("manager")
        before = list(KindPart.objects.order_by("pk").values()), list(KindService.objects.order_by("pk").values())
        assert client.post(reverse(name, args=["clarinet"]), sent(client, name)).status_code == 302
        assert (list(KindPart.objects.order_by("pk").values()), list(KindService.objects.order_by("pk").values())) == before

    def test_adds_a_row_at_the_end(self, client_as):
        client = client_as("manager")
        data = sent(client)
        new = int(data["rows-TOTAL_FORMS"]) - 1
        data |= {f"rows-{new}-name": "Mouthpiece pouch", f"rows-{new}-replacement_price": "7.50"}
        assert client.post(reverse("kind_parts", args=["clarinet"]), data).status_code == 302
        last = queries.list_parts("clarinet").last()
        assert (last.name, last.replacement_price.amount, last.must_come_back) == ("Mouthpiece pouch", Decimal("7.50"), True)

    def test_bad_input_keeps_every_word(self, client_as):
        client = client_as("manager")
        data = sent(client)
        new = f"rows-{int(data['rows-TOTAL_FORMS']) - 1}"
        refused = client.post(reverse("kind_parts", args=["clarinet"]), data | {f"{new}-replacement_price": "about five"})
        text = refused.content.decode()
        assert refused.status_code == 422
        assert "about five" in text
        assert "Write the amount in digits" in text
        assert "Write what it is called" in text

    def test_a_name_twice_is_said_at_its_row(self, client_as):
        client = client_as("manager")
        data = sent(client)
        new = f"rows-{int(data['rows-TOTAL_FORMS']) - 1}"
        refused = client.post(reverse("kind_parts", args=["clarinet"]), data | {f"{new}-name": "Case"})
        assert refused.status_code == 422
        assert f'href="#id_{new}-name"' in refused.content.decode()

    def test_two_managers_are_told_and_the_second_may_insist(self, client_as):
        client = client_as("manager")
        cap = part()
        data = sent(client)
        row = place_of(data, cap.name)
        save(old(cap, name="Brass cap", replacement_price=Decimal(6)), ListRow(values()))
        mine = data | {f"{row}-name": "Silver cap"}
        told = client.post(reverse("kind_parts", args=["clarinet"]), mine)
        text = told.content.decode()
        assert told.status_code == 409
        assert "It now says: Brass cap, must come back, 6.00, on the list." in text
        assert 'value="Silver cap"' in text
        assert part().name == "Brass cap"
        again = {**mine, f"{row}-version": str(told.context["rows"][int(row[5:])]["version"].value())}
        # The other rows are sent as they were first seen; the row that was added meanwhile is not among them and stays.
        assert client.post(reverse("kind_parts", args=["clarinet"]), again).status_code == 302
        assert part().name == "Silver cap"
        assert KindPart.objects.filter(kind="clarinet", name="Mouthpiece pouch").exists()

    @pytest.mark.parametrize("count", ["x", "9" * 30, "-1", ""])
    def test_a_spoilt_count_of_rows_is_refused_kindly(self, client_as, count):
        client = client_as("manager")
        data = sent(client, **{"rows-TOTAL_FORMS": count})
        assert client.post(reverse("kind_parts", args=["clarinet"]), data).status_code in {302, 422}

    def test_work_needs_minutes(self, client_as):
        client = client_as("manager")
        data = sent(client, "kind_services")
        new = f"rows-{int(data['rows-TOTAL_FORMS']) - 1}"
        refused = client.post(reverse("kind_services", args=["clarinet"]), data | {f"{new}-name": "Swedge a tenon"})
        assert "Write how many minutes it usually takes." in refused.content.decode()

    @pytest.mark.parametrize("name", ["kind_parts", "kind_services"])
    @pytest.mark.parametrize("role", ["technician", "specialist"])
    def test_lists_are_the_managers_to_change(self, client_as, name, role):
        assert client_as(role).get(reverse(name, args=["clarinet"])).status_code == 403


class TestKind:
    def test_shows_what_belongs_to_it(self, client_as, django_assert_max_num_queries):
        for size in ("1/2", "4/4"):
            InstrumentFactory(item=CatalogueItemFactory(kind_code="violin", size=size))
        client = client_as("technician")
        with django_assert_max_num_queries(MOST_QUERIES):
            text = client.get(reverse("kind", args=["violin"])).content.decode()
        for told in ("Bow", "VN-", reference.list_condition_checks("violin")[0].what, queries.list_services("violin")[0].name):
            assert str(told) in text
        assert reverse("kind_parts", args=["violin"]) not in text

    def test_knows_no_kazoo(self, client_as):
        assert client_as("manager").get(reverse("kind", args=["kazoo"])).status_code == 404


class TestCountUnits:
    def test_counts_by_where_they_stand(self):
        item = CatalogueItemFactory()
        for place in ("shelf", "shelf", "bench", "lost", "retired"):
            InstrumentFactory(item=item, place=place)
        HoldFactory(instrument=InstrumentFactory(item=item))
        HoldFactory(instrument=InstrumentFactory(item=item, place="bench"))
        assert count_units()[item.pk] == Units(shelf=2, held=1, out=0, shop=2)
        assert count_units("clarinet") == count_units()
        assert count_units("flute") == {}


class TestCatalogueScreen:
    def test_goes_in_the_order_of_a_score_and_sizes_smallest_first(self):
        for size in ("4/4", "1/10", "1/2"):
            CatalogueItemFactory(kind_code="violin", model="V1", size=size)
        CatalogueItemFactory(kind_code="flute")
        families = group_catalogue(CatalogueItem.objects.select_related("kind"), {})
        assert [family.code for family in families] == ["woodwind", "string"]
        assert [item.size for item, _ in families[1].kinds[0].rows] == ["1/10", "1/2", "4/4"]

    @pytest.mark.parametrize(
        ("query", "found"),
        [
            ("family=string", ["violin"]),
            ("text=harrow+clar", ["clarinet"]),
            ("text=1/2", ["violin"]),
            ("offered=yes", ["clarinet"]),
            ("offered=no", ["violin"]),
            ("family=kazoo&tier=%00", ["clarinet", "violin"]),
            ("text=nothing+like+it", []),
        ],
    )
    def test_is_narrowed_by_its_address(self, client_as, query, found):
        CatalogueItemFactory()
        CatalogueItemFactory(kind_code="violin", maker="Ellsworth", size="1/2", is_active=False)
        page = client_as("technician").get(f"{reverse('catalogue')}?{query}")
        assert [group.kind.pk for family in page.context["families"] for group in family.kinds] == found
        assert ("No models match this." in page.content.decode()) == (not found)

    def test_costs_no_more_queries_with_many_models(self, client_as, django_assert_max_num_queries):
        for code in ("clarinet", "flute", "trumpet", "violin"):
            for _ in range(15):
                InstrumentFactory(item=CatalogueItemFactory(kind_code=code, size="4/4" if code == "violin" else ""))
        client = client_as("manager")
        with django_assert_max_num_queries(MOST_QUERIES):
            assert client.get(reverse("catalogue")).status_code == 200


class TestUsedPrice:
    data = {
        "kind": "clarinet", "maker": "Harrow", "model": "C1", "tier": "beginner", "size": "", "purchase_price": "900",
        "used_price": "640", "replacement_value": "850", "is_active": "on", "version": "1",
    }  # fmt: skip

    def test_is_kept_when_a_model_is_changed(self, client_as):
        client = client_as("manager")
        client.post(reverse("catalogue_add"), self.data)
        item = CatalogueItem.objects.get()
        form = client.get(reverse("catalogue_change", args=[item.pk])).context["form"]
        assert form["used_price"].value() == "640.00"
        client.post(reverse("catalogue_change", args=[item.pk]), {**self.data, "replacement_value": "860"})
        item.refresh_from_db()
        assert (item.used_price.amount, item.replacement_value.amount) == (Decimal(640), Decimal(860))

    def test_above_the_new_one_is_refused_kindly(self, client_as):
        refused = client_as("manager").post(reverse("catalogue_add"), {**self.data, "used_price": "900.01"})
        assert refused.status_code == 422
        assert "A used one cannot cost more than a new one" in refused.content.decode()


class TestSilhouettes:
    @pytest.mark.parametrize("name", ["instrument", "bench_queue"])
    def test_stand_on_the_board_and_at_the_head_of_an_instrument(self, client_as, name):
        unit = WorkOrderFactory(instrument__item=CatalogueItemFactory(kind_code="violin", size="1/2")).instrument
        page = client_as("technician").get(reverse(name, args=[unit.pk] if name == "instrument" else [])).content.decode()
        assert re.search(r"silhouettes[^\"#]*\.svg#violin\"", page)
