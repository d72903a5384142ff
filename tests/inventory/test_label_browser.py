"""Labels and pictures in a real browser: by keyboard alone, and with what a telephone sends."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from rentals.inventory.models import LabelLayout, LabelPrint, Photo
from tests.browser import list_violations
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory
from tests.inventory.picture_files import SVG, picture
from tests.staff.test_screens import sign_in

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def at(page, context, live_server):
    """Open an address as a technician."""
    sign_in(context, live_server.url, TechnicianFactory())

    def go(address: str):
        page.goto(live_server.url + address)
        return page

    return go


def test_labels_are_printed_by_keyboard_alone(at):
    units = [InstrumentFactory(asset_tag=tag) for tag in ("FL-1", "FL-2", "FL-3")]
    page = at(reverse("labels"))
    page.get_by_label("Asset tags").focus()
    for unit in units:
        page.keyboard.type(unit.asset_tag)
        page.keyboard.press("Enter")
    expect(page.get_by_label("Asset tags")).to_have_value("FL-1\nFL-2\nFL-3\n")
    page.get_by_role("link", name="the list of instruments").focus()
    page.keyboard.type("FL-2")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Asset tags")).to_have_value("FL-1\nFL-2\nFL-3\nFL-2\n")
    expect(page.get_by_label("Asset tags")).to_be_focused()
    page.wait_for_timeout(500)  # an Enter sooner than that is the second half of the scanner's own
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Go on to their labels")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Print 3 labels")
    assert list_violations(page) == []
    four = LabelLayout.objects.get(columns=2, rows=5)
    sheet = page.get_by_label("Sheet or roll")
    sheet.focus()
    sheet.select_option(label=four.name)
    expect(page.get_by_role("radio")).to_have_count(10)
    expect(page.get_by_role("heading", level=1)).to_have_text("Print 3 labels")
    page.get_by_role("radio", name="Label 1", exact=True).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("3 labels")
    made = LabelPrint.objects.get()
    assert (made.layout, made.starts_at) == (four, 3)
    assert [label.asset_tag for label in made.labels.all()] == ["FL-1", "FL-2", "FL-3"]


def test_pictures_of_a_telephone_are_kept_and_a_wrong_file_is_named(at):
    unit = InstrumentFactory()
    page = at(reverse("photos", args=[unit.pk]))
    taken = {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": picture(1200, 900)}
    page.get_by_label("Take a picture").set_input_files(taken)
    page.get_by_label("Or choose pictures").set_input_files(
        [
            {"name": "IMG_2.jpg", "mimeType": "image/jpeg", "buffer": picture(colour="navy")},
            {"name": "drawing.svg", "mimeType": "image/svg+xml", "buffer": SVG},
        ]
    )
    page.get_by_label("What they show").fill("Dent in the bell")
    page.get_by_role("button", name="Keep the pictures").click()
    expect(page.get_by_text("drawing.svg: This is not a JPEG").first).to_be_visible()
    expect(page.get_by_text("2 pictures are kept")).to_be_visible()
    shown = page.get_by_role("img", name="Dent in the bell")
    expect(shown).to_have_count(2)
    assert shown.first.evaluate("image => image.naturalWidth") == 320
    assert list_violations(page) == []
    assert Photo.objects.count() == 2
