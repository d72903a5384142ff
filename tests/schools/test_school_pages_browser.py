"""The pages of a school in a real browser: nothing runs off the side, and nothing stands in the way of a reader."""

import os
from pathlib import Path

import pytest
from django.urls import reverse

from schools import wishes
from tests.browser import list_violations
from tests.factories import UserFactory
from tests.inventory.factories import CatalogueItemFactory, ProductFactory, kind
from tests.schools.factories import ContactFactory, DirectorFactory, NightFactory, ProgrammeFactory, RequiredItemFactory
from tests.schools.test_importing import GOOD, HEADER, written

PICTURES = os.environ.get("OFFICE_PICTURES", "")


@pytest.fixture
def programme(live_server):
    """A band whose director asks for much, with a night and two talks."""
    made = ProgrammeFactory(school__name="Maplewood School", school__delivery_weekday=1, expected_beginners=30)
    user = UserFactory()
    wishes.expect(programme=made, kind=kind("violin"), count=12, acting_user=user)
    wishes.approve(programme=made, item=CatalogueItemFactory(kind_code="violin", size="1/2"), acting_user=user)
    wishes.set_usual_size(programme=made, kind=kind("violin"), grade=5, size="3/4", acting_user=user)
    RequiredItemFactory(programme=made, kind=kind("violin"), product=ProductFactory(name="Rosin", price="8.00"))
    DirectorFactory(programmes=[made])
    NightFactory(school=made.school, programmes=[made])
    ContactFactory(school=made.school, about="Twelve violins for the beginners, and whether the gym has a door to the yard")
    ContactFactory(school=made.school, next_step="", next_on=None)
    return made


@pytest.mark.django_db(transaction=True)
def test_every_page_reads_well_at_every_width(page, programme, client_as, live_server):
    client = client_as("specialist")
    page.context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}])
    school = [programme.school_id]
    pages = {
        "school": reverse("school", args=school),
        "schools": reverse("schools"),
        "wishes": reverse("programme_wishes", args=[programme.pk]),
        "talks": reverse("school_contacts", args=school),
        "talk": reverse("contact_add", args=school),
        "steps": reverse("next_steps"),
    }
    found = []
    for name, address in pages.items():
        page.goto(live_server.url + address)
        for width, theme in ((1280, "light"), (1024, "dark"), (390, "dark"), (390, "light")):
            page.set_viewport_size({"width": width, "height": 844})
            page.emulate_media(color_scheme=theme)
            found += [f"{name}, {width}, {theme}: {each}" for each in list_violations(page)]
            if not page.evaluate("document.documentElement.scrollWidth <= innerWidth"):
                found.append(f"{name} runs off the side at {width}")
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"{name}-{width}-{theme}.png", full_page=True)
    assert found == []


@pytest.mark.django_db(transaction=True)
def test_a_spreadsheet_is_mended_and_taken_in(page, client_as, live_server):
    client = client_as("specialist")
    page.context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}])
    found = []
    for step, rows in enumerate(([*GOOD[:2], [*GOOD[2][:6], "Caturday", *GOOD[2][7:]]], GOOD)):
        page.goto(live_server.url + reverse("school_import"))
        file = {"name": "district.csv", "mimeType": "text/csv", "buffer": written(HEADER, rows)}
        for width, theme in ((1280, "light"), (390, "dark")):
            page.set_viewport_size({"width": width, "height": 844})
            page.emulate_media(color_scheme=theme)
            found += list_violations(page)
        if PICTURES:
            page.screenshot(path=Path(PICTURES) / "import.png", full_page=True)
        page.get_by_label("Spreadsheet").set_input_files(files=[file])
        page.get_by_role("button", name="Look at the file").click()
        page.get_by_role("heading", name="Check and take in").wait_for()
        for width, theme in ((390, "dark"), (1280, "light")):
            page.set_viewport_size({"width": width, "height": 844})
            page.emulate_media(color_scheme=theme)
            found += list_violations(page)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"import-check-{step}-{width}.png", full_page=True)
    page.get_by_role("button", name="Take all of it in").click()
    page.get_by_text("Taken in: 6 new, 1 changed.").wait_for()
    assert found == []
