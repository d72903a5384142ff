"""A tablet tells the office how much it still holds, by itself, once it is open and has a network."""

import pytest
from django.urls import reverse

from rentals.runtime import clock
from schools.models import NightStaff, NightTablet
from tests.factories import SpecialistFactory
from tests.schools.factories import NightFactory
from tests.staff.test_screens import sign_in

pytestmark = pytest.mark.django_db(transaction=True)
PHRASE = "four quiet clarinets tonight"


def test_a_tablet_reports_by_itself(page, live_server):
    rosa = SpecialistFactory()
    night = NightFactory(state="open", opened_at=clock.now(), on=clock.today())
    NightStaff.objects.create(night=night, user=rosa)
    sign_in(page.context, live_server.url, rosa)
    page.goto(live_server.url + reverse("tablet", args=[night.pk]))
    form = page.locator('[data-form="begin"]')
    form.locator('[name="phrase"]').fill(PHRASE)
    form.locator('[name="again"]').fill(PHRASE)
    with page.expect_response(lambda answer: answer.url.endswith("/beat/")) as told:
        form.locator("button").click()
    assert told.value.status == 200
    tablet = NightTablet.objects.get()
    assert (tablet.night, tablet.used_by, tablet.held) == (night, rosa, 0)
