"""The door of every scan: what it sends where, what it asks, and which pages may use the camera."""

import pytest
from django.urls import reverse

from tests.inventory.factories import InstrumentFactory

pytestmark = pytest.mark.django_db


def door(client, code):
    return client.get(reverse("scan"), {"code": code})


class TestScan:
    @pytest.mark.parametrize(
        "code", ["FL-1042", "fl-1042", " ]C1FL-1042\r\n", "]Q3FL–1042", "https://x.example/scan/?code=FL-1042", "ab 77/3"]
    )
    def test_sends_a_technician_to_the_bench_whatever_the_code_looks_like(self, client_as, code):
        InstrumentFactory(asset_tag="FL-1042", serial_number="AB 77/3")
        response = door(client_as("technician"), code)
        assert (response.status_code, response["Location"]) == (302, "/bench/?tag=FL-1042")

    def test_sends_a_specialist_to_the_instrument(self, client_as):
        unit = InstrumentFactory(asset_tag="FL-1042")
        assert door(client_as("specialist"), "FL-1042")["Location"] == reverse("instrument", args=[unit.pk])

    def test_a_tag_goes_before_a_serial_number(self, client_as):
        InstrumentFactory(asset_tag="OTHER-1", serial_number="FL-1042"), InstrumentFactory(asset_tag="FL-1042")
        assert door(client_as("technician"), "FL-1042")["Location"] == "/bench/?tag=FL-1042"

    def test_asks_which_where_two_have_the_serial_number(self, client_as):
        for tag in ("FL-1", "FL-2"):
            InstrumentFactory(asset_tag=tag, serial_number="77")
        page = door(client_as("technician"), "77").content.decode()
        assert "Several instruments carry this serial number" in page
        assert "/scan/?code=FL-1" in page
        assert "/scan/?code=FL-2" in page

    def test_says_what_to_do_with_an_unknown_tag_and_shows_its_like(self, client_as):
        InstrumentFactory(asset_tag="FL-1042")
        response = door(client_as("technician"), "FL-1O42")
        page = response.content.decode()
        assert response.status_code == 404
        assert "No instrument has this tag or serial number." in page
        assert "/scan/?code=FL-1042" in page
        assert "/instruments/add/?tag=FL-1O42" in page

    def test_offers_a_specialist_nothing_he_may_not_do(self, client_as):
        assert "/instruments/add/" not in door(client_as("specialist"), "NO-1").content.decode()

    @pytest.mark.parametrize("code", ["", "<script>alert(1)</script>", "a" * 5000, "\x00", "'; --", "https://[bad"])
    def test_nonsense_is_told_as_such_and_breaks_nothing(self, client_as, code):
        response = door(client_as("technician"), code)
        assert response.status_code in {200, 404}
        assert "<script>alert" not in response.content.decode()

    def test_names_no_family_to_a_technician(self, client_as):
        from tests.families.factories import HouseholdFactory

        home = HouseholdFactory(name="The Quill family")
        for tag in ("FL-1", "FL-2"):
            InstrumentFactory(asset_tag=tag, serial_number="77", place="family", place__household=home)
        assert "Quill" not in door(client_as("technician"), "77").content.decode()
        assert "Quill" in door(client_as("specialist"), "77").content.decode()


class TestCamera:
    @pytest.mark.parametrize("name", ["scan", "bench"])
    def test_pages_that_scan_may_use_it(self, client_as, name):
        assert "camera=(self)" in client_as("technician").get(reverse(name))["Permissions-Policy"]

    @pytest.mark.parametrize("name", ["instruments", "search", "home"])
    def test_others_may_not(self, client_as, name):
        policy = client_as("technician").get(reverse(name))["Permissions-Policy"]
        assert "camera=()" in policy
        assert "microphone=()" in policy


class TestWedgeOnThePage:
    @pytest.mark.parametrize("name", ["instruments", "catalogue", "locations", "bench_queue", "cleanings", "bench"])
    def test_pages_of_the_rooms_read_a_scanner(self, client_as, name):
        assert 'data-wedge data-wedge-to="/scan/"' in client_as("technician").get(reverse(name)).content.decode()

    def test_other_rooms_do_not(self, client_as):
        assert "data-wedge-to" not in client_as("specialist").get(reverse("households")).content.decode()
