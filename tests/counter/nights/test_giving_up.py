"""A sign-up given up on a tablet: the office knows who, when and why, once, and nothing of what stood in it."""

import json
import uuid
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from rentals.agreements.models import GivenUpSignUp
from rentals.counter.nights.board import closing
from tests.counter.nights.tablets import open_night

pytestmark = pytest.mark.django_db


@pytest.fixture
def night():
    return open_night("CL-1", state="open", opened_at=timezone.now())


@pytest.fixture
def tell(client, night):
    client.force_login(night.staff.get().user)
    facts = {"id": str(uuid.uuid4()), "device": str(uuid.uuid4()), "made_at": timezone.now().isoformat()}

    def send(**changes):
        told = {**facts, "reason": "Signed again on paper", "paid": "0.00", **changes}
        return client.post(reverse("night_give_up", args=[night.pk]), json.dumps(told), content_type="application/json")

    return send


class TestGivingUp:
    def test_is_noted_once_with_who_and_why(self, night, tell):
        who = night.staff.get().user
        first = tell()
        assert (first.status_code, first.json()["by"]) == (200, who.name)
        assert tell(reason="Another word").json() == first.json()
        row = GivenUpSignUp.objects.get()
        assert (row.reason, row.given_up_by, row.night) == ("Signed again on paper", who, night)

    @pytest.mark.parametrize("changes", [
        {"reason": ""}, {"reason": "No"}, {"reason": "x" * 201}, {"id": "x"}, {"device": None}, {"made_at": "yesterday"},
        {"paid": "-1.00"}, {"paid": "a lot"}, {"student": "y" * 3000},
    ])  # fmt: skip
    def test_refuses_what_is_not_whole(self, tell, changes):
        assert tell(**changes).status_code == 422
        assert not GivenUpSignUp.objects.exists()

    def test_keeps_nothing_else_that_is_sent(self, tell):
        tell(student={"given_name": "Ottilie"})
        kept = GivenUpSignUp.objects.values().get()
        assert "Ottilie" not in str(kept)
        assert set(kept) == {"id", "night_id", "device", "made_at", "given_up_at", "given_up_by_id", "reason", "paid"}

    def test_is_taken_from_who_works_at_that_night_only(self, night, client_as):
        here = reverse("night_give_up", args=[night.pk])
        for role, status in (("specialist", 404), ("technician", 403)):
            assert client_as(role).post(here, "{}", content_type="application/json").status_code == status

    @pytest.mark.parametrize(("changes", "name"), [({"reason": ""}, "given_up_says_why"), ({"paid": -1}, "given_up_paid")])
    def test_the_database_refuses_one_without_a_reason(self, tell, changes, name):
        tell()
        with pytest.raises(IntegrityError, match=name), transaction.atomic():
            GivenUpSignUp.objects.update(**changes)


class TestWhoReadsIt:
    def test_the_board_says_it(self, night, tell, client_as):
        tell(paid="37.89")
        page = client_as("specialist").get(reverse("night_board", args=[night.pk])).text
        for words in ("Given up on a tablet", night.staff.get().user.name, "Signed again on paper", "Money was taken", "$37.89"):
            assert words in page

    def test_the_closing_sheet_asks_for_a_word_about_it(self, night, tell):
        lines = {each.name: each for each in closing.get_sheet(night, now=timezone.now()).lines}
        assert lines["Sign-ups"].state == "good"
        tell()
        tell(id=str(uuid.uuid4()), paid="37.89")
        line = {each.name: each for each in closing.get_sheet(night, now=timezone.now()).lines}["Sign-ups"]
        assert (line.state, dict(line.facts)["Given up on a tablet"]) == ("warn", "2")
        assert line.differs.startswith("2 sign-ups were given up on a tablet")
        assert "$37.89 was taken for them" in line.differs
        assert GivenUpSignUp.objects.get(paid__gt=0).paid == Decimal("37.89")
