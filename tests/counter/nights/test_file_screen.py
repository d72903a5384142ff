"""A tablet that cannot send: its file is opened with its passphrase, and every sign-up of it taken in once."""

import base64
import json
import os
import re

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from billing import verify
from billing.models import Payment, Taking
from billing.taking.operations import CountedDown, count_down, reopen
from rentals.agreements.models import Agreement, NightSignUp
from rentals.counter.nights.board import closing
from rentals.counter.nights.intake import file_views, operations
from rentals.counter.nights.intake.takers import make_slip
from tests.counter.nights.tablets import ADULT, FAMILY, Tablet, open_night
from tests.factories import ManagerFactory
from tests.schools.factories import NightFactory

pytestmark = pytest.mark.django_db
PHRASE = "bassoon 7 window"


def told(client, name, key):
    return " ".join(client.get(reverse(name, args=[key])).text.split())


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

    def test_leaves_the_money_with_who_took_it_and_names_who_brings_it_in(self, client, night, send):
        rosa, lead = night.staff.get().user, ManagerFactory(name="Mina Lake")
        rosa.name = "Rosa Field"
        rosa.save()
        sent = Tablet(night, taken_by=rosa).envelope("CL-1")
        client.force_login(lead)
        page = send(hand_off([sent])).text
        row, taking = NightSignUp.objects.get(), Taking.objects.get()
        assert (row.taken_by, row.sent_by) == (rosa, lead)
        assert (taking.person, taking.day) == (rosa, night.on)
        assert {Payment.objects.get().taken_by, row.agreement.signed_by} == {rosa}
        assert "Rosa Field" in page
        for name, key in (("night_sign_ups", night.pk), ("night_sign_up", row.pk)):
            assert re.search(r"Rosa Field.*brought in by Mina Lake|brought in by Mina Lake.*Rosa Field", told(client, name, key))
        sheet = closing.get_sheet(night, now=timezone.now())
        line = next(each for each in sheet.lines if each.name == "Takings of Rosa Field")
        assert dict(line.facts)["Of that from families of this night"] == f"${sent['shown']['due_today']}"
        assert "Takings of Mina Lake" not in [each.name for each in sheet.lines]
        assert [breach for check, breach in verify.run_checks() if breach] == []

    def test_waits_for_a_person_while_the_day_of_who_took_it_is_counted_down(self, client, night, send):
        rosa = night.staff.get().user
        taking = Taking.objects.create(person=rosa, day=night.on)
        count_down(taking=taking, counted=CountedDown({}, frozenset()), acting_user=rosa, now=timezone.now())
        client.force_login(ManagerFactory())
        sent = Tablet(night, taken_by=rosa).envelope("CL-1")
        assert "are counted down" in send(hand_off([sent])).text
        assert NightSignUp.objects.get().reason == "taking_closed"
        assert not Payment.objects.exists()
        acts = {"acting_user": ManagerFactory(), "now": timezone.now()}
        reopen(taking=taking, reason="A tablet's file came later", **acts)
        row = operations.take_in_after_all(row=NightSignUp.objects.get(), changes={}, today=night.on, **acts)
        assert row.state == "arrived", row.why
        assert Payment.objects.get().taking == taking

    @pytest.mark.parametrize("case", ["none", "forged", "of another night", "who left"])
    def test_nobody_answers_for_money_by_anothers_word_alone(self, client, night, send, case):
        rosa, lead = night.staff.get().user, ManagerFactory()
        slip = make_slip(night=night, person=rosa)
        slips = {"none": "", "forged": f"{night.pk}/{rosa.pk}:abc", "who left": slip}
        slips["of another night"] = make_slip(night=NightFactory(), person=rosa)
        if case == "who left":
            rosa.is_active = False
            rosa.save()
        client.force_login(lead)
        send(hand_off([Tablet(night).envelope("CL-1", taken_by=slips[case])]))
        row = NightSignUp.objects.get()
        assert (row.state, row.taken_by, Taking.objects.get().person) == ("arrived", lead, lead)

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
