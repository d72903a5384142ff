"""A tablet that was got ready, in a real browser, against the office of `gym.py`."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from schools.models import NightStaff
from tests.counter.nights import gym as gyms
from tests.counter.nights.gym import PHRASE, SLOWLY
from tests.factories import SpecialistFactory
from tests.schools.factories import NightFactory
from tests.staff.test_screens import sign_in


@pytest.fixture
def gym(settings, live_server):
    settings.ROOT_URLCONF = "tests.counter.nights.gym"
    gyms.GYM = gyms.Gym()
    yield gyms.GYM
    gyms.GYM.go_on.set()


@pytest.fixture
def night(gym):
    return NightFactory(school__name="Alder School")


@pytest.fixture
def specialist(night):
    person = SpecialistFactory(name="Rosa Field")
    NightStaff.objects.create(night=night, user=person)
    return person


@pytest.fixture
def url(night, live_server):
    return live_server.url + reverse("tablet", args=[night.pk])


@pytest.fixture
def tablet(page, specialist, url, live_server):
    """A tablet that was got ready at the shop."""
    sign_in(page.context, live_server.url, specialist)
    page.on("dialog", lambda dialog: dialog.accept())
    page.goto(url)
    page.locator("#begin-phrase").fill(PHRASE)
    page.get_by_label("The same again").fill(PHRASE)
    page.get_by_role("button", name="Keep the evening").click()
    expect(page.get_by_role("heading", name="This tablet is ready")).to_be_visible(timeout=SLOWLY)
    return page
