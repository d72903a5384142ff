"""A tablet that cannot send: its file is opened with its passphrase, and every sign-up of it taken in once."""

import base64
import json
import os

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from billing.models import Payment, Taking
from rentals.agreements.models import Agreement, NightSignUp
from rentals.counter.nights.intake import file_views
from tests.counter.nights.tablets import ADULT, FAMILY, Tablet, open_night

pytestmark = pytest.mark.django_db
PHRASE = "bassoon 7 window"


def text(data):
    return base64.b64encode(data).decode()


def hand_off(envelopes, phrase=PHRASE, rounds=1000):
    """A file as the tablet's page writes it: AES-256-GCM rows, their key wrapped under PBKDF2-HMAC-SHA-256 (RFC 8018)."""
    salt, iv, key = os.urandom(16), os.urandom(12), os.urandom(32)
    wrapping = PBKDF2HMAC(SHA256(), 32, salt, rounds).derive(phrase.encode())
    rows = []
    for at, envelope in enumerate(envelopes):
        nonce, about = os.urandom(12), f"envelope/{at}"
        sealed = AESGCM(key).encrypt(nonce, json.dumps({"envelope": envelope}).encode(), about.encode())
        rows.append({"kind": "envelope", "id": str(at), "at": at, "iv": text(nonce), "sealed": text(sealed)})
    wrapped = {"salt": text(salt), "rounds": rounds, "iv": text(iv), "wrapped": text(AESGCM(wrapping).encrypt(iv, key, None))}
    return json.dumps({"what": "night unsent", "format": 1, "night": 1, "key": wrapped, "rows": rows}).encode()


@pytest.fixture
def night():
    return open_night("CL-1", "CL-2")


@pytest.fixture
def send(client, night):
    client.force_login(night.staff.get().user)

    def upload(content, phrase=PHRASE, to=night):
        file = SimpleUploadedFile("not-sent-night-1.json", content)
        return client.post(reverse("night_file", args=[to.pk]), {"file": file, "passphrase": phrase})

    return upload


@pytest.fixture
def two(night):
    tablet = Tablet(night)
    other = {"household": {**FAMILY, "street": "2 Elm"}, "guardian": {**ADULT, "phone": "+13125550143", "email": ""}}
    return [tablet.envelope("CL-1"), tablet.envelope("CL-2", **other)]


class TestNightFile:
    def test_takes_each_in_once_however_often_the_file_comes(self, send, night, two):
        content = hand_off(two)
        first, again = send(content), send(content)
        assert first.text.count("Taken in") == 2
        assert again.text.count("Was here already") == 2
        assert (NightSignUp.objects.count(), Agreement.objects.count(), Payment.objects.count()) == (2, 2, 2)
        taking = Taking.objects.get()
        assert (taking.day, taking.person) == (night.on, night.staff.get().user)

    def test_what_the_tablet_sends_afterwards_is_the_same_sign_up(self, send, client, two):
        send(hand_off(two))
        answer = client.post(reverse("night_take_in"), json.dumps(two[0]), content_type="application/json")
        assert answer.json()["outcome"] == "arrived"
        assert Agreement.objects.count() == 2

    def test_one_that_is_wrong_leaves_the_others_alone(self, send, two):
        less = {**two[1], "payment": {"method": "cash", "amount": "1.00", "cheque_number": ""}}
        odd = {**two[1], "format": 9, "id": "no id"}
        page = send(hand_off(["not one", two[0], odd, less, {**two[1], "night": 10**6}])).text
        assert page.count("Taken in") == 1
        assert page.count("Not taken in") == 3
        assert "It was made at another night" in page
        assert "Needs attention" in page
        assert sorted(NightSignUp.objects.values_list("state", flat=True)) == ["arrived", "attention"]

    def test_names_no_family_on_the_page(self, send, two):
        page = send(hand_off(two)).text
        assert "Orchard" not in page
        assert "0142" not in page

    @pytest.mark.parametrize("content", [b"{}", b"no json", b'{"what": "night unsent", "format": 1}', hand_off([])[:-40]])
    def test_says_that_another_file_is_none(self, send, content):
        answer = send(content)
        assert answer.status_code == 422
        assert "That file holds no sign-ups of a tablet." in answer.text

    def test_says_that_the_passphrase_is_another_ones(self, send, two):
        answer = send(hand_off(two), phrase="oboe 1 door")
        assert answer.status_code == 422
        assert "not the passphrase of the tablet" in answer.text
        assert not NightSignUp.objects.exists()

    def test_an_empty_one_and_one_beyond_all_measure(self, send, two, monkeypatch):
        assert "had sent everything" in send(hand_off([])).text
        monkeypatch.setattr(file_views, "MOST_ROWS", 1)
        assert send(hand_off(two)).status_code == 422
        assert not NightSignUp.objects.exists()

    def test_asks_for_both(self, client, night):
        client.force_login(night.staff.get().user)
        page = client.post(reverse("night_file", args=[night.pk]))
        assert page.status_code == 422
        assert "Choose the file that was saved on the tablet." in page.text
        assert "Write the passphrase" in page.text

    def test_is_of_those_who_work_there_only(self, client_as, night):
        url = reverse("night_file", args=[night.pk])
        assert client_as("specialist").get(url).status_code == 404
        assert client_as("technician").get(url).status_code == 403
        assert client_as("manager").get(url).status_code == 200
        listed = reverse("night_sign_ups", args=[night.pk])
        assert url in client_as("manager").get(listed).text
        assert url not in client_as("specialist").get(listed).text
