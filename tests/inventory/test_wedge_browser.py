"""A scanner on any page of the fleet: read wherever the focus is, at any pace and with any ending, and no letter left behind.

The paces and endings are those of keyboard-wedge scanners as sold (common practice, no source).
"""

import pytest
from django.test import Client
from playwright.sync_api import expect

from tests.browser import Office
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory
from tests.inventory.scanner import Scanner

PACES = [2, 10, 30, 60]
ENDINGS = {"CR": ["Enter"], "LF": ["Enter"], "CRLF": ["Enter", "Enter"], "Tab": ["Tab"], "none": []}


def signed_in(office: Office, context, role: str):
    client = Client()
    client.force_login(UserFactory(role=role))
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    return context.new_page()


@pytest.fixture
def unit(office):
    InstrumentFactory(asset_tag="FL-1042")
    return InstrumentFactory(asset_tag="CL-2077", notes="")


@pytest.fixture
def page(office: Office, context, unit):
    opened = signed_in(office, context, "technician")
    opened.goto(f"{office.url}/instruments/")
    return opened


def scan(page, pace, endings, code="CL-2077"):
    scanner = Scanner(page)
    scanner.scan(code, pace, "")
    for ending in endings:
        scanner.key(pace, ending)


class TestAnyPageOfTheFleet:
    @pytest.mark.parametrize("pace", PACES)
    @pytest.mark.parametrize("ending", ENDINGS)
    def test_a_scan_opens_the_bench_at_any_pace_and_with_any_ending(self, page, pace, ending):
        scan(page, pace, ENDINGS[ending])
        page.wait_for_url("**/bench/?tag=CL-2077")

    def test_leads_a_specialist_to_the_instrument(self, office, context, unit):
        page = signed_in(office, context, "specialist")
        page.goto(f"{office.url}/instruments/catalogue/")
        scan(page, 10, ["Enter"])
        page.wait_for_url(f"**/instruments/{unit.pk}/")

    def test_an_unknown_tag_says_what_to_do(self, page):
        scan(page, 10, ["Enter"], code="XX-9999")
        expect(page.get_by_role("heading", level=1)).to_have_text("Unknown code")
        expect(page.get_by_role("link", name="Add an instrument with this tag")).to_be_visible()

    @pytest.mark.parametrize("ending", ENDINGS)
    @pytest.mark.parametrize("pace", PACES)
    def test_no_letter_stays_in_a_note_and_what_was_typed_is_not_lost(self, page, office, unit, pace, ending):
        page.goto(f"{office.url}/instruments/{unit.pk}/change/")
        note = page.locator("#id_notes")
        note.fill("Case lock is loose")
        note.focus()
        scan(page, pace, ENDINGS[ending], code="FL-1042")
        expect(page.get_by_text("What you typed on this page is not saved yet.")).to_be_visible()
        expect(note).to_have_value("Case lock is loose")
        page.get_by_role("link", name="Leave it and open what was scanned").click()
        page.wait_for_url("**/bench/?tag=FL-1042")

    def test_a_choice_keeps_what_was_chosen(self, page, office, unit):
        page.goto(f"{office.url}/instruments/{unit.pk}/change/")
        grade = page.locator("#id_grade")
        grade.select_option("worn")
        grade.focus()
        scan(page, 10, ["Enter"], code="GOOD-1042")
        expect(page.get_by_text("What you typed on this page is not saved yet.")).to_be_visible()
        expect(grade).to_have_value("worn")

    @pytest.mark.parametrize(("pace", "ending"), [(80, "Enter"), (80, ""), (120, "Enter"), (120, "")])
    def test_a_hand_is_never_taken_for_a_scanner(self, page, office, unit, pace, ending):
        page.goto(f"{office.url}/instruments/{unit.pk}/change/")
        note = page.locator("#id_notes")
        note.focus()
        scan(page, pace, [ending] if ending else [], code="CL-2077")
        page.wait_for_timeout(900)
        expect(note).to_have_value("CL-2077" + ("\n" if ending else ""))
        assert page.url.endswith("/change/")

    def test_a_quick_hand_that_writes_words_is_none_either(self, page, office, unit):
        page.goto(f"{office.url}/instruments/{unit.pk}/change/")
        page.locator("#id_notes").focus()
        scan(page, 60, ["Enter"], code="needs a new cork")
        expect(page.locator("#id_notes")).to_have_value("needs a new cork\n")

    def test_a_key_held_down_is_no_code(self, page):
        session = page.context.new_cdp_session(page)
        for place in range(12):
            event = {"type": "keyDown", "key": "7", "text": "7", "autoRepeat": place > 0, "windowsVirtualKeyCode": 55}
            session.send("Input.dispatchKeyEvent", event)
        page.keyboard.press("Enter")
        page.wait_for_timeout(500)
        assert page.url.endswith("/instruments/")

    def test_a_field_for_a_tag_keeps_it_and_goes_on_to_the_next(self, page, office):
        page.goto(f"{office.url}/instruments/add/")
        page.locator("#id_asset_tag").focus()
        page.locator("#id_asset_tag").fill("")
        scan(page, 10, ["Enter"], code="NEW-5001")
        expect(page.locator("#id_asset_tag")).to_have_value("NEW-5001")
        expect(page.locator("#id_asset_tag")).not_to_be_focused()
        assert page.url.endswith("/instruments/add/")


class TestScanField:
    @pytest.mark.parametrize("ending", ENDINGS)
    @pytest.mark.parametrize("pace", [*PACES, 120])
    def test_reads_every_pace_and_every_ending(self, page, office, pace, ending):
        page.goto(f"{office.url}/scan/")
        page.locator("#code").focus()
        scan(page, pace, ENDINGS[ending])
        page.wait_for_url("**/bench/?tag=CL-2077")

    def test_waits_for_a_hand_that_pauses(self, page, office):
        page.goto(f"{office.url}/scan/")
        page.locator("#code").focus()
        scanner = Scanner(page)
        for pace, letter in zip((0, 90, 160, 110, 210, 95, 140), "CL-2077", strict=True):
            scanner.key(pace, letter)
        page.wait_for_timeout(900)
        expect(page.locator("#code")).to_have_value("CL-2077")
        assert page.url.endswith("/scan/")
        page.keyboard.press("Enter")
        page.wait_for_url("**/bench/?tag=CL-2077")


WITHOUT = "delete window.BarcodeDetector"
# The browser's own reader and camera, which a test machine has not: the reader sees one code, then nothing.
READS = """window.BarcodeDetector = class { detect() {
  const seen = window.seen ? [] : [{ rawValue: "CL-2077" }]; window.seen = true; return Promise.resolve(seen); } };
  Object.defineProperty(navigator, "mediaDevices", { value: { getUserMedia: () => CAMERA } });"""
PICTURE = "Promise.resolve(new MediaStream())"
REFUSED = "Promise.reject(new DOMException('no', '{}'))"


class TestCamera:
    def test_reads_a_code(self, page, office):
        page.add_init_script(READS.replace("CAMERA", PICTURE))
        page.goto(f"{office.url}/scan/")
        page.get_by_role("button", name="Scan by camera").click()
        page.wait_for_url("**/bench/?tag=CL-2077")

    @pytest.mark.parametrize(
        ("name", "words"), [("NotAllowedError", "may not be used here"), ("NotFoundError", "No camera was found")]
    )
    def test_refused_or_missing_it_says_so_and_the_field_works(self, page, office, name, words):
        page.add_init_script(READS.replace("CAMERA", REFUSED.replace("{}", name)))
        page.goto(f"{office.url}/scan/")
        page.get_by_role("button", name="Scan by camera").click()
        expect(page.locator("[data-camera-words]")).to_contain_text(words)
        page.fill("#code", "cl-2077")
        page.press("#code", "Enter")
        page.wait_for_url("**/bench/?tag=CL-2077")

    def test_where_the_browser_cannot_read_codes_no_button_shows_and_a_tablet_says_so(self, page, office, browser):
        tablet = browser.new_context(has_touch=True, viewport={"width": 390, "height": 844})
        tablet.add_cookies(page.context.cookies())
        small = tablet.new_page()
        small.add_init_script(WITHOUT)
        small.goto(f"{office.url}/scan/")
        expect(small.get_by_role("button", name="Scan by camera")).to_have_count(0)
        expect(small.locator("[data-camera-words]")).to_contain_text("Use a scanner, or type the tag.")
        small.fill("#code", "CL-2077")
        small.press("#code", "Enter")
        small.wait_for_url("**/bench/?tag=CL-2077")
        tablet.close()

    def test_works_by_typing_with_no_script_at_all(self, page, office, browser):
        plain = browser.new_context(java_script_enabled=False)
        plain.add_cookies(page.context.cookies())
        still = plain.new_page()
        still.goto(f"{office.url}/scan/")
        expect(still.get_by_role("button", name="Scan by camera")).to_have_count(0)
        still.fill("#code", "CL-2077")
        still.press("#code", "Enter")
        still.wait_for_url("**/bench/?tag=CL-2077")
        plain.close()
