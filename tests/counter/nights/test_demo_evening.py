"""The demo's past night: lived through as tablets send, closed with everything in agreement, and the books in order."""

import io

import pytest
from django.core.management import call_command
from django.urls import reverse

from billing import verify, waited
from billing.models import Payment
from rentals.agreements.models import NightSignUp, UnitPromise
from rentals.counter.nights.board import closing
from rentals.portal.models import HomeForm
from rentals.runtime import clock
from schools.models import Night

pytestmark = pytest.mark.django_db(transaction=True)


def test_the_evening_of_the_demo(client_as):
    call_command("load_demo", households=40, stdout=io.StringIO())
    night = Night.objects.get(state="closed")
    rows = NightSignUp.objects.filter(night=night)
    assert [(row.state, row.why) for row in rows] == [("arrived", "")] * 10
    assert sorted({row.taken_by.name for row in rows}) == ["Rosa Delgado", "Sam Whitlock"]
    promise = UnitPromise.objects.get(night=night)
    assert promise.given is not None
    sheet = closing.get_sheet(night, now=clock.now())
    assert [(line.name, line.differs) for line in sheet.lines if line.state != closing.GOOD] == []
    assert HomeForm.objects.filter(used_at__isnull=False).count() == 3
    taken = Payment.objects.filter(household__agreements__night_sign_up__night=night)
    assert {each.method for each in taken} == {"cash", "cheque"}
    assert [found.amount > 0 for found in waited.list_proposals()] == [True]
    assert [breach for __, breach in verify.run_checks() if breach] == []
    client = client_as("manager")
    for name in ("night_board", "night_closing", "night_sign_ups"):
        assert client.get(reverse(name, args=[night.pk])).status_code == 200
