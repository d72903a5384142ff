"""The bench in a browser: what a keyboard-wedge scanner types, at any pace and with any ending, is read, and leaks nowhere."""

import pytest
from django.test import Client
from playwright.sync_api import expect

from tests.browser import Office
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, WorkOrderFactory
from tests.inventory.scanner import Scanner

# Milliseconds from one character to the next; a hand at 80 ms is never taken for a scanner outside the scan field.
PACES = [2, 10, 30, 60]
# What stood in the note when the scan was sent.
KEEP_NOTE = "addEventListener('submit', () => { window.noteWas = document.querySelector('#out_work_done').value; }, true)"
ENDINGS = {"CR": "Enter", "LF": "Enter", "Tab": "Tab"}


@pytest.fixture
def bench(office: Office, context):
    """The bench, open for a technician; one instrument in the shop with a note to write, one on the shelf to scan."""
    WorkOrderFactory(instrument__asset_tag="FL-1042")
    InstrumentFactory(asset_tag="CL-2077")
    client = Client()
    client.force_login(UserFactory(role="technician"))
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    page = context.new_page()
    page.goto(f"{office.url}/bench/?tag=FL-1042")
    return page


def verdict(page):
    return page.locator("#bench-verdict")


class TestWedge:
    @pytest.mark.parametrize("pace", PACES)
    def test_scan_over_a_note_is_read_and_leaves_no_letter_in_it(self, bench, pace):
        for ending in ENDINGS.values():
            bench.goto(bench.url.replace("CL-2077", "FL-1042"))
            bench.evaluate(KEEP_NOTE)
            note = bench.locator("#out_work_done")
            note.fill("New pad on the low C")
            note.focus()
            Scanner(bench).scan("CL-2077", pace, ending)
            verdict(bench).get_by_text("CL-2077: on the shelf").wait_for()
            assert bench.evaluate("window.noteWas") == "New pad on the low C"

    @pytest.mark.parametrize("pace", [*PACES, 120])
    def test_scan_into_the_field_is_read_at_any_pace(self, bench, pace):
        bench.locator("#tag").focus()
        Scanner(bench).scan("CL-2077", pace, "Enter")
        verdict(bench).get_by_text("CL-2077: on the shelf").wait_for()

    def test_scan_that_begins_before_the_field_has_the_focus_is_read_whole(self, bench):
        bench.locator("#tag").evaluate("field => { field.value = ''; field.blur(); }")
        scanner = Scanner(bench)
        scanner.key(10, "C")
        bench.locator("#tag").focus()
        for letter in "L-2077":
            scanner.key(10, letter)
        scanner.key(10, "Enter")
        verdict(bench).get_by_text("CL-2077: on the shelf").wait_for()

    def test_a_note_begun_is_there_again_after_another_scan(self, bench):
        bench.locator("#out_work_done").fill("New pad")
        bench.locator("#out_work_done").focus()
        Scanner(bench).scan("CL-2077", 10, "Enter")
        verdict(bench).get_by_text("CL-2077: on the shelf").wait_for()
        bench.locator("#in_problem").wait_for()
        assert bench.locator("#in_problem").input_value() == ""
        Scanner(bench).scan("FL-1042", 10, "Enter")
        verdict(bench).get_by_text("FL-1042: in the shop").wait_for()
        expect(bench.locator("#out_work_done")).to_have_value("New pad")

    def test_a_hand_at_80_ms_writes_its_note(self, bench):
        note = bench.locator("#out_work_done")
        note.focus()
        Scanner(bench).scan("CL-2077 is next", 80, "Enter")
        assert note.input_value() == "CL-2077 is next\n"
        assert "tag=FL-1042" in bench.url

    def test_works_by_typing_and_enter_without_the_script(self, office, browser, bench):
        plain = browser.new_context(java_script_enabled=False)
        plain.add_cookies(bench.context.cookies())
        page = plain.new_page()
        page.goto(f"{office.url}/bench/")
        page.fill("#tag", "cl-2077")
        page.press("#tag", "Enter")
        page.get_by_text("CL-2077: on the shelf, Main Street shop").first.wait_for()
        plain.close()
