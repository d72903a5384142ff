"""What a tablet takes along: small, asked for in few queries, the same words and prices as the office, no more than it needs."""

import json

import pytest
from django.urls import reverse

from tests.agreements.factories import RateFactory
from tests.counter.nights.tablets import Tablet, load, open_night
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, kind

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

    def test_holds_no_address_and_no_telephone_of_a_known_family(self):
        night = open_night("CL-1")
        home = HouseholdFactory(guardian=None, street="77 Secret Lane")
        adult = GuardianFactory(household=home, phone="+13125550177", email="hidden@example.com")
        StudentFactory(household=home, programme=night.programmes.get())
        words = json.dumps(Tablet(night).pack)
        assert "0177" in words
        for hidden in ("Secret", adult.phone, adult.email):
            assert hidden not in words
