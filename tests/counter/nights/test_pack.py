"""What a tablet takes along: small, asked for in few queries, the same words and prices as the office, no more than it needs."""

import json
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from rentals.agreements.courtesy import plan_in_spanish
from rentals.counter.signup import sheet
from schools import queries as schools
from schools import wishes
from schools.models import ApprovedItem, NightUnit
from tests.agreements.factories import PlanVersionFactory, RateFactory
from tests.counter.nights.tablets import Tablet, load, open_night
from tests.factories import SpecialistFactory
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, ProductFactory, kind
from tests.schools.factories import RequiredItemFactory

pytestmark = pytest.mark.django_db


class TestPack:
    def test_is_small_and_asks_as_much_whatever_is_along(self, client, django_assert_max_num_queries):
        night = open_night()
        programme = night.programmes.get()
        RateFactory(kind=kind("violin"))
        items = [CatalogueItemFactory(kind_code="clarinet", model=f"C-{n}") for n in range(20)]
        items += [CatalogueItemFactory(kind_code="violin", size="1/2", model=f"V-{n}") for n in range(20)]
        for n in range(200):
            load(night, InstrumentFactory(asset_tag=f"NU-{n:04d}", item=items[n % 40]))
        for _ in range(300):
            StudentFactory(household=HouseholdFactory(), programme=programme)
        client.force_login(night.staff.get().user)
        with django_assert_max_num_queries(19):
            answer = client.get(reverse("tablet_pack", args=[night.pk]))
        pack = answer.json()
        assert (len(pack["units"]), len(pack["families"])) == (200, 300)
        assert len(answer.content) < 1_000_000

    def test_has_a_version_that_changes_with_what_matters_only(self):
        night = open_night("CL-1")
        first = Tablet(night).pack
        assert len(first["version"]) == 16
        assert Tablet(night).pack["version"] == first["version"]
        load(night, InstrumentFactory(asset_tag="CL-9"))
        assert Tablet(night).pack["version"] != first["version"]

    def test_is_sent_again_only_when_it_changed(self, client):
        night = open_night("CL-1", "CL-2")
        client.force_login(night.staff.get().user)

        def ask(tag=""):
            return client.get(reverse("tablet_pack", args=[night.pk]), headers={"If-None-Match": tag} if tag else {})

        first = ask()
        assert first["ETag"] == f'"{first.json()["version"]}"'
        same = ask(first["ETag"])
        assert (same.status_code, same.content, same["ETag"]) == (304, b"", first["ETag"])
        assert ask(f"W/{first['ETag']}").status_code == 304
        NightUnit.objects.filter(instrument__asset_tag="CL-1").update(
            outcome="missing", ended_at=timezone.now(), ended_by=night.staff.get().user
        )
        changed = ask(first["ETag"])
        assert changed.status_code == 200
        assert [unit["tag"] for unit in changed.json()["units"]] == ["CL-2"]

    def test_holds_no_address_and_no_telephone_of_a_known_family(self):
        night = open_night("CL-1")
        home = HouseholdFactory(guardian=None, street="77 Secret Lane")
        adult = GuardianFactory(household=home, phone="+13125550177", email="hidden@example.com")
        StudentFactory(household=home, programme=night.programmes.get())
        words = json.dumps(Tablet(night).pack)
        assert "0177" in words
        for hidden in ("Secret", adult.phone, adult.email):
            assert hidden not in words


class TestUsualSizes:
    def test_are_those_that_the_counters_own_sheet_shows(self):
        night = open_night("CL-1")
        programme = night.programmes.get()
        told = {"programme": programme, "kind": kind("violin"), "acting_user": SpecialistFactory()}
        wishes.set_usual_size(**told, grade=5, size="3/4")
        wishes.set_usual_size(**told, grade=4, size="1/2")
        rows = Tablet(night).pack["usual_sizes"]
        seen = wishes.with_wishes(schools.list_programmes()).get(pk=programme.pk)
        assert {(row["programme"], row["kind"], row["grade"], row["size"]) for row in rows} == {
            (programme.pk, "violin", grade, wishes.usual_size(seen, "violin", grade)) for grade in (4, 5)
        }


class TestSpanish:
    """The courtesy words of a plan say the same figures as the English ones; the translation itself is our own."""

    @pytest.mark.parametrize("fields", [
        {},
        {"intro_months": 3, "due_day": 15, "minimum_term": "school_year"},
        {"credit_share": "0.8500", "step_up_share": "0.6000", "credit_cap": "0.9000", "early_purchase_discount": "0.2500"},
        {"intro_months": 1, "credit_cap": "0.5000"},
    ])  # fmt: skip
    def test_says_sentence_by_sentence_what_the_english_says(self, fields):
        version = PlanVersionFactory.build(
            **{name: Decimal(value) if "." in str(value) else value for name, value in fields.items()}
        )
        english, spanish = sheet.plan_words(version), plan_in_spanish(version)
        figures = re.findall(r"[0-9]+%?", english)
        said = re.findall(r"[0-9]+%?", " ".join(spanish).replace(" %", "%"))
        assert [each for each in figures if each != "1"] == [each for each in said if each != "1"]
        assert len(spanish) == len(re.findall(r"[.](?: |$)", english))

    def test_goes_along_and_the_text_that_is_signed_stays_english(self, client):
        night = open_night("CL-1")
        client.force_login(night.staff.get().user)
        pack = client.get(reverse("tablet_pack", args=[night.pk]), headers={"Accept-Language": "es"}).json()
        assert pack["plans"][0]["words_es"][0].startswith("El 100 % del alquiler")
        assert pack["texts"] == json.loads(json.dumps(Tablet(night).pack["texts"]))


class TestRequired:
    def lines(self, night):
        return Tablet(night).pack["required"]

    @pytest.fixture
    def asks(self):
        night = open_night("CL-1")
        programme = night.programmes.get()

        def ask(name="", **fields):
            product = ProductFactory(name=name, price=Decimal("10.00")) if name else None
            RequiredItemFactory(programme=programme, kind=kind("clarinet"), product=product, **fields)
            return product

        return night, ask

    def test_of_lines_that_stand_for_each_other_ours_is_one_line_with_the_others_as_alternatives(self, asks):
        night, ask = asks
        school = ask("A school's book", choice=1, sold_by="school")
        first, other = ask("Book by one", choice=1), ask("Book by two", choice=1, quantity=2)
        alone = ask("Cork grease")
        grease, ours, instead = self.lines(night)
        assert (ours["product"], ours["alternatives"]) == (first.pk, [other.pk])
        assert ours["quantities"] == {first.pk: 1, other.pk: 2}
        assert (instead["product"], instead["sold_by"], instead["instead_of"]) == (school.pk, "school", "Book by one")
        assert (grease["product"], grease["alternatives"]) == (alone.pk, [])

    def test_what_has_only_words_is_a_line_that_nobody_can_tick(self, asks):
        night, ask = asks
        ask(words="Folding stand", sold_by="anywhere")
        (line,) = self.lines(night)
        assert (line["product"], line["name"], line["sold_by"], line["instead_of"]) == (None, "Folding stand", "anywhere", "")

    def test_a_product_that_is_sold_no_more_is_not_offered(self, asks):
        night, ask = asks
        product = ask("Old book")
        product.is_active = False
        product.save()
        assert self.lines(night) == []

    def test_ticks_what_the_counters_own_sheet_ticks(self, asks):
        night, ask = asks
        for name in ("Zither book", "Method book", "Another book"):
            ask(name, choice=3)
        ask("Reeds")
        rows = sheet._goods({}, schools.list_asked_for(night.programmes.get().pk, "clarinet"), "1/clarinet")
        ticked = [row.product.pk for row in rows if row.ticked]
        assert [line["product"] for line in self.lines(night)] == ticked


class TestApproved:
    def test_names_models_that_are_not_along_too_so_that_another_is_warned_of(self):
        night = open_night("CL-1")
        better = CatalogueItemFactory(kind_code="clarinet", model="Better")
        ApprovedItem.objects.create(programme=night.programmes.get(), item=better)
        (row,) = Tablet(night).pack["approved"]
        assert (row["kind"], row["items"]) == ("clarinet", [better.pk])
        assert better.pk not in {each["id"] for each in Tablet(night).pack["items"]}
