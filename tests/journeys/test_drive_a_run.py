"""A delivery run at the screen, from what waits to the last scan: planned, put in order, loaded, printed, driven, finished.

And what a driver does in the middle of a stop whose network is gone: kept over a closed tab, sent once when it is back.

One instrument is signed for, one left in a safe place, one comes back, one is fetched for repair, and one is given back.
"""

import datetime
import io
import re
import uuid

import pypdf
import pytest
from django.core.management import call_command
from django.test import Client
from playwright.sync_api import Page, expect

from rentals.counter.runs import operations
from rentals.inventory import queries
from rentals.inventory.models import WorkOrder
from rentals.runtime import clock
from rentals.staff.models import RequestKey
from schools import runs
from schools.models import Errand, HomeErrand, Load, Run
from tests.agreements.factories import AgreementFactory
from tests.browser import Office
from tests.factories import SpecialistFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.inventory.test_bench_browser import Scanner
from tests.schools.factories import ErrandFactory, HomeErrandFactory, RunFactory, SchoolFactory


@pytest.fixture
def waiting(transactional_db):
    """Two spares for two schools, a repair to fetch at the first, a rental to bring home, and one that a family gives back."""
    LocationFactory(name="Main Street shop")
    alder, birch = (SchoolFactory(name=name, street=f"1 {name} Way") for name in ("Alder School", "Birch School"))
    for school, tag in ((alder, "CL-101"), (birch, "CL-102")):
        ErrandFactory(school=school, kind="drop_off", instrument=InstrumentFactory(asset_tag=tag), what="Spare for the class")
    rented = {}
    for tag, name in (("CL-201", "Quillfeather"), ("CL-202", "Marshbank"), ("CL-203", "Oxbow")):
        made = AgreementFactory(household=HouseholdFactory(name=name), unit=True)
        unit = made.units.get().instrument
        unit.asset_tag = tag
        unit.save(update_fields=["asset_tag"])
        rented[tag] = made
    unit_of = {tag: made.units.get().instrument for tag, made in rented.items()}
    ErrandFactory(school=alder, instrument=unit_of["CL-201"], kind="pick_up", what="A key sticks")
    HomeErrandFactory(household=rented["CL-202"].household, instrument=unit_of["CL-202"], kind="drop_off")
    HomeErrandFactory(household=rented["CL-203"].household, instrument=unit_of["CL-203"], kind="pick_up", is_return=True)
    return rented


def sign_in(context, url, user):
    client = Client()
    client.force_login(user)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": url}])


@pytest.fixture
def page(office: Office, context, waiting):
    """The runs of a specialist who plans and drives."""
    sign_in(context, office.url, SpecialistFactory(name="Rosa Sample"))
    opened = context.new_page()
    opened.set_default_timeout(30_000)
    opened.goto(f"{office.url}/runs/")
    return opened


def custody_of(tag):
    return queries.get_whereabouts(queries.get_by_tag(tag)).custody


def load_of(tag) -> Load:
    return Load.objects.select_related("stop").get(instrument__asset_tag=tag)


def said(words, name) -> re.Pattern[str]:
    """What a link or button is called whose words go on, unseen, with what it is for."""
    return re.compile(f"^{re.escape(words)} ?: {re.escape(name)}$")


class TestDriveARun:
    def test_from_what_waits_to_the_last_scan(self, page: Page, waiting):
        self.page, self.rented = page, waiting
        self.scanner, self.told = Scanner(page), page.locator(".desk-words")
        self.it_is_planned()
        self.what_waits_goes_on_it_and_the_stops_are_put_in_order()
        self.it_is_loaded_by_scans()
        self.the_manifest_is_printed()
        self.the_first_school_signs_and_gives_one_along_for_repair()
        self.the_second_schools_is_left_in_a_safe_place()
        self.one_family_is_not_at_home()
        self.another_gives_its_instrument_back()
        self.it_is_not_finished_before_the_van_is_empty()
        self.what_is_in_the_van_is_scanned_out_and_the_run_is_done()
        self.every_instrument_is_where_the_books_say()

    def press(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("button", name=name).click()

    def scan(self, tag: str, answer: str) -> None:
        self.page.wait_for_load_state()  # a scanner's first key is heard by a page that is there
        self.scanner.scan(tag, 10, "Enter")
        expect(self.told).to_have_text(f"{answer}: {tag}", timeout=15_000)

    def go_to_stop(self, name: str) -> None:
        self.page.get_by_role("navigation", name="Stops").get_by_role("link", name=name).click()
        expect(self.page.get_by_role("heading", level=1)).to_contain_text(name, timeout=30_000)

    def it_is_planned(self) -> None:
        self.page.get_by_role("link", name="Plan a run").click()
        self.page.get_by_label("Day").fill(f"{clock.today():%m/%d/%Y}")
        self.page.get_by_label("Driver", exact=True).select_option(label="Rosa Sample")
        self.page.get_by_label("Shop the van leaves from").select_option(label="Main Street shop")
        self.press("Plan it")
        expect(self.page.get_by_role("heading", name="Waits to go along")).to_be_visible()

    def what_waits_goes_on_it_and_the_stops_are_put_in_order(self) -> None:
        for box in self.page.get_by_role("checkbox").all():
            box.check()
        self.press("Put on this run")
        expect(self.page.get_by_text("5 put on the run.")).to_be_visible()
        homes = {name: load_of(tag).stop.name for name, tag in (("brought", "CL-202"), ("fetched", "CL-203"))}
        points = {"Alder School": "40.00, -88.10", "Birch School": "40.00, -88.40", homes["brought"]: "40.00, -88.20"}
        for name, point in {**points, homes["fetched"]: "40.00, -88.30"}.items():
            self.page.get_by_role("link", name=said("Write down where it lies", name)).click()
            self.page.get_by_label("Latitude and longitude").fill(point)
            self.press("Write it down")
        self.page.get_by_role("link", name="Write down where the shop lies").click()
        self.page.get_by_label("Latitude and longitude").fill("40.00, -88.00")
        self.press("Write it down")
        self.press(said("Always first", "Alder School"))
        self.press("Put the stops in order")
        expect(self.page.get_by_text("In order: about")).to_be_visible()
        # On a straight road out and back every order that does not turn round is as long; the first stop is held.
        assert Run.objects.get().stops.get(order=1).name == "Alder School"
        self.brought, self.fetched = homes["brought"], homes["fetched"]

    def it_is_loaded_by_scans(self) -> None:
        self.page.get_by_role("link", name="Load the van").click()
        for tag in ("CL-101", "CL-102", "CL-202"):
            self.scan(tag, "Loaded")
            assert custody_of(tag).place == "van"
        self.scan("CL-201", "Fetched on the way")

    def the_manifest_is_printed(self) -> None:
        self.page.get_by_role("link", name="The run").click()
        self.press("Manifest")
        read = self.page.get_by_role("link", name="Open to print")
        expect(read).to_be_visible(timeout=30_000)
        address = read.get_attribute("href")
        reader = pypdf.PdfReader(io.BytesIO(self.page.request.get(f"{self.page.url.split('/documents')[0]}{address}").body()))
        words = " ".join("\n".join(sheet.extract_text() for sheet in reader.pages).split())
        order = [words.index(f"{stop.order}. {stop.name}") for stop in Run.objects.get().stops.order_by("order")]
        assert order == sorted(order)
        for tag in ("CL-101", "CL-102", "CL-201", "CL-202", "CL-203"):
            assert tag in words
        assert "A key sticks" in words
        for made in self.rented.values():
            assert made.student.initials in words
            assert made.student.given_name not in words
            assert made.household.name not in words
        self.page.goto(f"{self.page.url.split('/documents')[0]}/runs/{Run.objects.get().pk}/drive/")
        self.press("The van leaves")

    def the_first_school_signs_and_gives_one_along_for_repair(self) -> None:
        expect(self.page.get_by_role("heading", level=1)).to_have_text("Stop 1: Alder School")
        self.scan("CL-102", "Another stop")
        self.scan("CL-201", "Fetched")
        self.scan("CL-101", "Hand it over")
        assert custody_of("CL-101").place == "van"
        self.page.get_by_label("Name of the adult who takes it").fill("Jo Baton")
        pad = self.page.get_by_role("img", name=re.compile("^Or sign here"))
        pad.scroll_into_view_if_needed()
        box = pad.bounding_box()
        self.page.mouse.move(box["x"] + 30, box["y"] + 40)
        self.page.mouse.down()
        self.page.mouse.move(box["x"] + 120, box["y"] + 70, steps=5)
        self.page.mouse.up()
        self.press("Hand over")
        expect(self.page.get_by_text("Handed over: CL-101.")).to_be_visible()
        load = load_of("CL-101")
        assert (load.outcome, load.receiver, load.strokes[:1]) == ("delivered", "Jo Baton", "M")

    def the_second_schools_is_left_in_a_safe_place(self) -> None:
        self.go_to_stop("Birch School")
        self.scan("CL-102", "Hand it over")
        self.page.get_by_text("Left in a safe place").click()
        self.press("Hand over")
        expect(self.page.get_by_text("Write where it is left").first).to_be_visible()
        self.page.get_by_label("Which safe place").fill("School office, behind the counter")
        self.press("Hand over")
        expect(self.page.get_by_text("Left in a safe place: CL-102.")).to_be_visible()

    def one_family_is_not_at_home(self) -> None:
        self.go_to_stop(self.brought)
        self.page.get_by_role("group").filter(has_text="CL-202").locator("summary").click()
        self.page.get_by_label("Why").fill("Nobody opened")
        self.press("Write it down")
        expect(self.page.get_by_text("CL-202: not handed over. It waits for another day.")).to_be_visible()

    def another_gives_its_instrument_back(self) -> None:
        self.go_to_stop(self.fetched)
        self.scan("CL-203", "Fetched")

    def it_is_not_finished_before_the_van_is_empty(self) -> None:
        self.page.get_by_role("navigation", name="Stops").get_by_role("link", name="Back at the shop").click()
        self.press("Finish the run")
        expect(self.page.get_by_text(re.compile("^Still in the van: "))).to_be_visible()

    def what_is_in_the_van_is_scanned_out_and_the_run_is_done(self) -> None:
        for tag in ("CL-201", "CL-202", "CL-203"):
            self.scan(tag, "Out of the van")
        self.press("Finish the run")
        expect(self.page.get_by_text("The run is done: everything is accounted for.")).to_be_visible()
        assert Run.objects.get().state == "done"

    def every_instrument_is_where_the_books_say(self) -> None:
        signed, left = custody_of("CL-101"), custody_of("CL-102")
        assert (signed.place, signed.school.name) == ("school", "Alder School")
        assert (left.place, left.school.name) == ("school", "Birch School")
        # What was not handed over, what is to be repaired and what was given back: all three in the shop's custody again.
        for tag in ("CL-201", "CL-202", "CL-203"):
            assert (custody_of(tag).place, custody_of(tag).location.name) == ("bench", "Main Street shop")
        assert WorkOrder.objects.get().problem == "A key sticks"
        assert load_of("CL-202").words == "Nobody opened"
        waits = HomeErrand.objects.get(ended_at=None)
        assert waits.instrument.asset_tag == "CL-202"
        assert waits.wanted_from > clock.today()
        assert not Errand.objects.filter(ended_at=None).exists()
        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue()), out.getvalue()


@pytest.fixture
def on_the_road(transactional_db):
    """A run that left an hour ago with an instrument for each of two schools."""
    left = clock.now() - datetime.timedelta(hours=1)
    driver = SpecialistFactory(name="Rosa Sample")
    run = RunFactory(on=clock.today(), driver=driver, made_at=left)
    for name, tag in (("Alder School", "CL-101"), ("Birch School", "CL-102")):
        runs.add_errand(
            run=run,
            errand=ErrandFactory(
                school=SchoolFactory(name=name), kind="drop_off", instrument=InstrumentFactory(asset_tag=tag), made_at=left
            ),
        )
        operations.scan(run=run, step="load", stop=None, code=tag, key=uuid.uuid4(), acting_user=driver, now=left)
    return operations.leave(run=run, acting_user=driver, now=left)


class TestWithoutANetwork:
    @pytest.fixture
    def address(self, office: Office, context, on_the_road):
        sign_in(context, office.url, on_the_road.driver)
        context.set_default_timeout(30_000)
        return f"{office.url}/runs/{on_the_road.pk}/drive/"

    def opened(self, context, address):
        page = context.new_page()
        page.goto(address)
        page.locator("[data-kept][data-ready]").wait_for(state="attached", timeout=90_000)
        return page

    def kept(self, page):
        return page.get_by_role("region", name="Kept on this device")

    def test_keeps_what_was_done_in_the_middle_of_a_stop_over_a_closed_tab(self, context, address):
        page = self.opened(context, address)
        context.set_offline(True)
        Scanner(page).scan("CL-102", 10, "Enter")
        expect(page.locator(".desk-words")).to_have_text("Not at this stop, by this page: CL-102")
        Scanner(page).scan("CL-101", 10, "Enter")
        expect(page.locator(".desk-words")).to_have_text("Kept on this device: CL-101")
        page.get_by_role("button", name="Hand over", exact=True).click()
        expect(page.get_by_role("alert").filter(has_text="Write the name of the adult")).to_be_visible()
        page.get_by_label("Name of the adult who takes it").fill("Jo Baton")
        page.get_by_role("button", name="Hand over", exact=True).click()
        expect(self.kept(page).get_by_role("listitem")).to_have_count(3)
        page.get_by_role("navigation", name="Stops").get_by_role("link", name="Birch School").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Stop 2: Birch School")
        page.get_by_role("group").filter(has_text="CL-102").locator("summary").click()
        page.get_by_label("Why").fill("Music room locked")
        page.get_by_role("button", name="Write it down").click()
        expect(self.kept(page)).to_contain_text("Not done: CL-102, Music room locked")
        expect(self.kept(page)).to_contain_text("4 acts on this device, not with the office yet.")
        assert {load.outcome for load in Load.objects.all()} == {""}
        page.close()
        context.set_offline(False)

        page = self.opened(context, address)
        expect(self.kept(page)).to_be_hidden()
        brought, back = load_of("CL-101"), load_of("CL-102")
        assert (brought.outcome, brought.receiver, back.outcome, back.words) == (
            "delivered",
            "Jo Baton",
            "not_delivered",
            "Music room locked",
        )
        assert (custody_of("CL-101").place, custody_of("CL-102").place) == ("school", "van")
        # When it was done is what counts, not when it came.
        assert brought.scanned_off_at <= brought.handed_at <= back.handed_at < clock.now() - datetime.timedelta(seconds=1)

    def test_a_lost_answer_is_asked_for_again_and_done_once(self, context, address):
        page = self.opened(context, address)
        Scanner(page).scan("CL-101", 10, "Enter")
        expect(page.locator(".desk-words")).to_have_text("Hand it over: CL-101")
        page.route("**/acts/", lambda route: (route.fetch(), route.abort()), times=1)
        page.get_by_label("Name of the adult who takes it").fill("Jo Baton")
        page.get_by_role("button", name="Hand over", exact=True).click()
        expect(page.locator(".desk-words")).to_have_text("Handed over: CL-101.")
        assert RequestKey.objects.filter(purpose="run hand over").count() == 1

    def test_what_the_office_cannot_take_stays_until_somebody_looks_at_it(self, context, address):
        page = self.opened(context, address)
        page.get_by_label("Name of the adult who takes it").fill("Jo Wrong")
        page.get_by_role("button", name="Hand over", exact=True).click()
        page.get_by_role("button", name="Take it off this list").click()
        expect(self.kept(page)).to_be_hidden()
        page.get_by_label("Name of the adult who takes it").fill("Jo Baton")
        page.get_by_role("button", name="Hand over", exact=True).click()
        expect(self.kept(page)).to_contain_text("Scan what is handed over first")
        expect(self.kept(page)).to_contain_text("Signature of Jo Baton, Stop 1: Alder School")
        Scanner(page).scan("CL-101", 10, "Enter")
        expect(page.locator(".desk-words")).to_have_text("Hand it over: CL-101")
        page.get_by_role("button", name="Try again").click()
        expect(self.kept(page)).to_be_hidden()
        assert load_of("CL-101").receiver == "Jo Baton"
