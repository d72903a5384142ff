"""What happens to a tablet in the course of an evening: it lies about, fills up, its clock is wrong, the list moves on, its
camera may be used or not. A real browser; its clock is moved by Playwright, its room taken away by the browser's own quota.
"""

import datetime
import re
import uuid

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from tests.counter.nights.gym import PHRASE, SLOWLY
from tests.counter.nights.test_tablet_browser import add, envelopes, state, unlock
from tests.staff.test_screens import sign_in


@pytest.fixture
def clock(page):
    """The page's clock: it goes as any does, and can be set forward."""
    page.clock.install()
    return page.clock


def heading(page, words):
    expect(page.get_by_role("heading", level=1).filter(visible=True)).to_have_text(words, timeout=SLOWLY)


def begin(page):
    ready = page.get_by_role("button", name="Sign families up")
    expect(ready).to_be_visible(timeout=SLOWLY)
    ready.click()
    heading(page, "Which family is it?")


def go_on(page):
    page.locator("#night-go-on").click()


def to_size(page):
    page.get_by_label("First letters of any name").fill("Quar")
    page.get_by_role("button", name="Quarrington").click()
    heading(page, "Who will play?")
    go_on(page)
    page.get_by_text("Violin", exact=True).click()
    go_on(page)
    heading(page, "Which size?")
    page.get_by_label("Arm, from the neck").fill("21 1/2")


def to_unit(page):
    to_size(page)
    go_on(page)
    heading(page, "Which one goes home?")


class TestFiveMinutes:
    def test_lock_it_and_keep_what_waits(self, clock, tablet, night):
        tablet.context.set_offline(True)
        add(tablet, envelopes(night, 2))
        begin(tablet)
        tablet.get_by_label("First letters of any name").fill("Quar")
        clock.fast_forward("04:30")
        expect(tablet.locator("#steps")).to_be_visible()
        tablet.keyboard.press("Tab")  # somebody is there: five minutes from here
        clock.fast_forward("04:30")
        tablet.wait_for_timeout(300)
        expect(tablet.locator("#steps")).to_be_visible()
        clock.fast_forward("00:50")
        heading(tablet, "This tablet is locked")
        expect(tablet.get_by_text("2 sign-ups are not sent yet, oldest 9 min")).to_be_visible()
        expect(tablet.locator("body")).not_to_contain_text("Quarrington")
        unlock(tablet)
        # Back where it was, with what was typed.
        expect(tablet.get_by_label("First letters of any name")).to_have_value("Quar", timeout=SLOWLY)
        expect(state(tablet)).to_contain_text("2 not sent yet")


class TestNoRoom:
    def quota(self, page, url, size):
        told = {"origin": re.match(r"https?://[^/]+", url)[0], **({"quotaSize": size} if size is not None else {})}
        page.context.new_cdp_session(page).send("Storage.overrideQuotaForOrigin", told)

    def test_says_so_and_loses_nothing(self, tablet, night, gym, url):
        tablet.context.set_offline(True)
        rows = envelopes(night, 2)
        add(tablet, rows)
        begin(tablet)
        self.quota(tablet, url, 1)
        tablet.wait_for_timeout(31_000)  # the browser keeps what it counted as free for half a minute
        tablet.get_by_role("button", name="New family").click()
        tablet.get_by_label("Last name").fill("Ostrander")
        words = "This tablet has no room left. Nothing you typed is lost"
        expect(tablet.get_by_role("alert").filter(has_text=words)).to_be_visible()
        expect(tablet.get_by_label("Last name")).to_have_value("Ostrander")
        with pytest.raises(Exception, match="no room left"):
            add(tablet, [{**rows[0], "id": str(uuid.uuid4())}])
        self.quota(tablet, url, None)
        tablet.get_by_label("First name").fill("Noor")
        tablet.locator("#night-phone").fill("312 555 0151")
        go_on(tablet)
        heading(tablet, "Where does the family live?")
        expect(tablet.get_by_text(words)).to_have_count(0)
        tablet.get_by_role("button", name="Back").click()
        expect(tablet.get_by_label("Last name")).to_have_value("Ostrander")
        tablet.context.set_offline(False)
        expect(state(tablet)).to_have_text("All sent", timeout=SLOWLY)
        assert sorted(gym.arrived) == sorted(row["id"] for row in rows)


class TestAWrongClock:
    @pytest.mark.parametrize(("minutes", "words"), [
        (12, "12 minutes ahead of the office"), (-30, "30 minutes behind the office"), (2, ""),
    ])  # fmt: skip
    def test_is_said_before_the_evening(self, page, specialist, url, live_server, minutes, words):
        page.clock.install(time=timezone.now() + datetime.timedelta(minutes=minutes))
        sign_in(page.context, live_server.url, specialist)
        page.goto(url)
        page.locator("#begin-phrase").fill(PHRASE)
        page.get_by_label("The same again").fill(PHRASE)
        page.get_by_role("button", name="Keep the evening").click()
        if words:
            heading(page, "This tablet is not ready yet")
            said = page.locator('[data-check="clock"]')
            expect(said).to_contain_text(words)
            expect(said).to_contain_text("Set the tablet’s clock" if "’" in said.inner_text() else "Set the tablet's clock")
        else:
            heading(page, "This tablet is ready")


class TestTheListMovesOn:
    def test_what_was_given_elsewhere_is_gone_from_the_picker(self, clock, tablet, gym):
        begin(tablet)
        expect(tablet.locator("#night-age")).to_have_text("List just loaded")
        to_size(tablet)
        gym.gone = {"VN-1001"}
        asked = len(gym.packs)
        clock.fast_forward("02:30")
        tablet.wait_for_timeout(700)
        assert gym.packs[asked:] == [200]
        go_on(tablet)
        heading(tablet, "Which one goes home?")
        expect(tablet.get_by_role("radio", name="VN-1001")).to_have_count(0)
        expect(tablet.get_by_role("radio", name="VN-1002")).to_have_count(1)

    def test_nothing_moves_under_the_hand_that_picks_one(self, clock, tablet, gym):
        begin(tablet)
        to_unit(tablet)
        gym.gone = {"VN-1001"}
        clock.fast_forward("02:30")
        tablet.wait_for_timeout(700)
        assert gym.packs[-1] == 200
        tablet.get_by_text("VN-1001", exact=True).click()
        expect(tablet.get_by_text("VN-1001 goes home")).to_be_visible()
        go_on(tablet)
        expect(tablet.get_by_text("VN-1001 was given out meanwhile. Choose another one.")).to_be_visible()
        heading(tablet, "Which one goes home?")
        expect(tablet.get_by_role("radio", name="VN-1001")).to_have_count(0)

    def test_an_unchanged_list_is_younger_and_an_old_one_says_its_age(self, clock, tablet, gym):
        begin(tablet)
        tablet.context.set_offline(True)
        clock.fast_forward("04:10")
        expect(tablet.locator("#night-age")).to_have_text("List 4 min old")
        tablet.keyboard.press("Tab")
        tablet.context.set_offline(False)
        clock.fast_forward("00:30")
        tablet.wait_for_timeout(700)
        assert gym.packs[-1] == 304
        expect(state(tablet)).to_have_text("All sent")


# The browser of the tests reads no codes itself (Chromium has a reader on some systems only): this stands in for it and sees one
# tag in whatever the camera shows. The camera is the browser's own fake one, its permission the browser's own.
READER = """window.BarcodeDetector = class { detect(video) {
  const sees = !window.seen && video.srcObject?.getVideoTracks().length; if (sees) window.seen = true;
  return Promise.resolve(sees ? [{ rawValue: "VN-1002" }] : []); } };"""


@pytest.fixture
def reader(page):
    """A browser that reads codes."""
    page.add_init_script(READER)


@pytest.fixture
def no_camera(page):
    """A browser that lets the page have no camera, as one does whose owner forbade it: refused by its own policy."""

    def forbid(route):
        answer = route.fetch()
        route.fulfill(response=answer, headers={**answer.headers, "permissions-policy": "camera=()"})

    page.route(re.compile(r"/tablet/\d+/$"), forbid)


@pytest.fixture
def no_reader(page):
    """A browser that reads none."""
    page.add_init_script("delete window.BarcodeDetector")


class TestCamera:
    def test_takes_the_tag_it_sees(self, reader, tablet):
        tablet.context.grant_permissions(["camera"])
        begin(tablet)
        to_unit(tablet)
        tablet.get_by_role("button", name="Scan by camera").click()
        expect(tablet.get_by_text("VN-1002 goes home")).to_be_visible()
        expect(tablet.locator("video")).to_be_hidden()

    def test_denied_it_says_so_and_typing_works(self, reader, no_camera, tablet):
        begin(tablet)
        to_unit(tablet)
        tablet.get_by_role("button", name="Scan by camera").click()
        expect(tablet.locator("[data-camera-words]")).to_contain_text("The camera may not be used here.")
        self.type(tablet)

    def test_where_the_browser_reads_no_codes_there_is_no_button_and_typing_works(self, no_reader, tablet):
        tablet.context.grant_permissions(["camera"])
        begin(tablet)
        to_unit(tablet)
        expect(tablet.get_by_role("button", name="Scan by camera")).to_have_count(0)
        self.type(tablet)

    def type(self, tablet):
        tablet.get_by_label("Tag on the case").fill("vn-1002")
        tablet.get_by_role("button", name="Take this tag").click()
        expect(tablet.get_by_text("VN-1002 goes home")).to_be_visible()
