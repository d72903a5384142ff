"""Poster and cards: the code on paper leads a telephone to the form, and nothing of a child stands on either.

The QR code is read back from the printed page by ZXing (zxing-cpp), at the resolution of an office printer.
"""

import datetime
import io

import pypdf
import pypdfium2
import pytest
import zxingcpp
from django.core.cache import cache
from django.urls import reverse

from rentals.portal.models import NightDoor
from rentals.portal.poster.reach import reach_of
from tests.portal.factories import AT, DoorFactory, HomeFamilyFactory, HomeFormFactory
from tests.schools.factories import NightFactory


@pytest.fixture(autouse=True)
def counted_anew():
    cache.clear()


@pytest.fixture
def door(db):
    return DoorFactory(night=NightFactory(on=datetime.date(2030, 11, 30), room="Gym"))


@pytest.fixture
def specialist(client_as):
    return client_as("specialist")


def codes_on(pdf: bytes) -> list[str]:
    """Read every QR code of the first page, as printed at 200 dots an inch."""
    picture = pypdfium2.PdfDocument(pdf)[0].render(scale=200 / 72).to_pil()
    return [code.text for code in zxingcpp.read_barcodes(picture) if code.format == zxingcpp.BarcodeFormat.QRCode]


def words_on(pdf: bytes) -> str:
    return " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())


class TestPoster:
    def test_its_code_leads_to_the_form(self, door, specialist, client):
        pdf = specialist.get(reverse("night_poster", args=[door.night_id])).content
        assert codes_on(pdf) == [f"http://testserver/start/{door.code}/"]
        assert client.get(codes_on(pdf)[0].removeprefix("http://testserver")).status_code == 200

    def test_says_when_and_where_in_both_languages(self, door, specialist):
        words = words_on(specialist.get(reverse("night_poster", args=[door.night_id])).content)
        for text in ("Instrument sign-up night", "Noche de inscripción para instrumentos", str(door.night.school), "Gym"):
            assert text in words
        assert "Sat, Nov 30, 2030, 5:30 PM–8:00 PM" in words
        assert "sábado, 30 de noviembre de 2030" in words
        assert "What to bring" in words
        assert "Qué traer" in words

    def test_is_one_letter_page(self, door, specialist):
        for name in ("night_poster", "night_cards"):
            pages = pypdf.PdfReader(io.BytesIO(specialist.get(reverse(name, args=[door.night_id])).content)).pages
            assert [(float(page.mediabox.width), float(page.mediabox.height)) for page in pages] == [(612, 792)]

    def test_knows_nothing_of_a_child(self, door, specialist):
        canary = {"given_name": "Canaria", "family_name": "Vogelsang"}
        HomeFormFactory(family=HomeFamilyFactory(door=door, **canary), **canary)
        for name in ("night_poster", "night_cards"):
            words = words_on(specialist.get(reverse(name, args=[door.night_id])).content)
            assert not {"Canaria", "Vogelsang"} & set(words.split())

    def test_carries_the_public_address_where_one_is_set(self, door, specialist, settings):
        settings.PUBLIC_URL = "https://forms.tamarack.example"
        pdf = specialist.get(reverse("night_poster", args=[door.night_id])).content
        assert codes_on(pdf) == [f"https://forms.tamarack.example/start/{door.code}/"]

    def test_waits_for_the_form_to_be_open(self, db, specialist):
        night = NightFactory(on=datetime.date(2030, 1, 7))
        response = specialist.get(reverse("night_poster", args=[night.pk]), follow=True)
        assert response.redirect_chain == [(reverse("night_door", args=[night.pk]), 302)]
        assert "Open the form first" in response.content.decode()


class TestCards:
    def test_eight_of_them_each_with_the_code(self, door, specialist):
        pdf = specialist.get(reverse("night_cards", args=[door.night_id])).content
        assert codes_on(pdf) == [f"http://testserver/start/{door.code}/"] * 8


class TestThePageOfTheForm:
    def test_opens_and_closes_it(self, db, specialist, client):
        night = NightFactory(on=datetime.date(2030, 1, 7))
        page = reverse("night_door", args=[night.pk])
        assert "Not opened yet" in specialist.get(page).content.decode()
        specialist.post(reverse("night_door_open", args=[night.pk]))
        door = NightDoor.objects.get(night=night)
        assert door.opened_by == specialist.user
        assert f"http://testserver/start/{door.code}/" in specialist.get(page).content.decode()
        specialist.post(reverse("night_door_close", args=[night.pk]))
        assert client.get(reverse("home_form", args=[door.code])).status_code == 410

    def test_lists_who_sent_a_form_by_initials(self, door, specialist, django_assert_max_num_queries):
        form = HomeFormFactory(family__door=door)
        HomeFormFactory(family__door=door, used_at=AT)
        with django_assert_max_num_queries(12):
            shown = specialist.get(reverse("night_door", args=[door.night_id])).content.decode()
        assert form.family.code in shown
        assert ">WQ<" in shown
        for private in ("Wren", form.family.phone, form.family.email, form.family.street, form.family.given_name):
            assert private not in shown

    def test_says_when_families_cannot_reach_it(self, door, specialist):
        page = reverse("night_door", args=[door.night_id])
        for host, said in (("127.0.0.1", "this machine only"), ("localhost", "this machine only")):
            assert said in specialist.get(page, headers={"host": host}).content.decode()

    def test_of_another_night_is_not_there(self, db, specialist):
        assert specialist.get(reverse("night_door", args=[999_999])).status_code == 404


@pytest.mark.parametrize(
    ("address", "reach"),
    [
        ("http://127.0.0.1:8000/start/x/", "here"),  # RFC 1122, 3.2.1.3: loopback
        ("http://[::1]/", "here"),  # RFC 4291, 2.5.3
        ("http://0.0.0.0:8000/", "here"),
        ("http://shop.test/", "here"),  # RFC 6761, 6.2
        ("http://10.1.2.3/", "inside"),  # RFC 1918
        ("http://172.20.0.9/", "inside"),
        ("http://192.168.1.5:8000/", "inside"),
        ("http://fileserver/", "inside"),
        ("http://office.local/", "inside"),  # RFC 6762
        ("https://198.51.100.7/", "inside"),  # RFC 5737: for documentation, routed nowhere
        ("https://8.8.8.8/", "outside"),
        ("https://forms.example.com/", "outside"),
    ],
)
def test_from_where_an_address_is_reached(address, reach):
    assert reach_of(address) == reach
