"""A sign-up night with two tablets in a browser each, against the office's own processes: one of them loses the network for half
of the evening and its tab in the middle of a signature, both give out the same clarinet. Nothing is lost, nothing arrives twice.
"""

import io
import re
from collections.abc import Iterator

import pytest
from django.core.management import call_command
from django.test import Client
from playwright.sync_api import BrowserContext, Page, expect

from billing.models import Payment, Taking
from billing.taking import operations as taking
from billing.taking.rules import DENOMINATIONS
from rentals.agreements.models import Agreement, AgreementUnit, NightSignUp, UnitPromise
from rentals.inventory.models import Custody
from rentals.runtime import clock
from rentals.staff.models import User
from schools.models import Night, NightUnit, WaitingNumber
from tests.browser import Complaints, Office
from tests.counter.nights.tablets import open_night
from tests.factories import ManagerFactory, SpecialistFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.scanner import Scanner

PHRASE = "four quiet clarinets tonight"
WAIT = 30_000
LOADED = [f"CL-{number}" for number in range(1, 8)]


class Table:
    """One specialist with a tablet: every step is done on its screen."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.context, self.url = context, url
        self.page = self.open()
        self.page.locator("#begin-phrase").fill(PHRASE)
        self.page.get_by_label("The same again").fill(PHRASE)
        self.page.get_by_role("button", name="Keep the evening").click()
        expect(self.page.get_by_role("heading", name="This tablet is ready")).to_be_visible(timeout=WAIT)
        self.page.locator("[data-start]").click()

    def open(self) -> Page:
        """Open the tablet's page, from the device where there is no network."""
        page = self.context.new_page()
        page.goto(self.url)
        return page

    def lose_the_tab(self) -> None:
        """Close the tab as it stands, open the page again and unlock it."""
        self.page.wait_for_timeout(1000)  # what was just drawn is sealed and kept
        self.page.close()
        self.page = self.open()
        self.page.locator("#open-phrase").fill(PHRASE)
        self.page.get_by_role("button", name="Open", exact=True).click()

    def heading(self, words: str) -> None:
        expect(self.page.get_by_role("heading", level=1)).to_have_text(words, timeout=WAIT)

    def state(self, words: str | re.Pattern[str]) -> None:
        expect(self.page.locator("[data-state]")).to_have_text(words, timeout=WAIT)

    def go_on(self) -> None:
        self.page.locator("#night-go-on").click()

    def call(self, number: int) -> None:
        self.page.get_by_role("button", name="Call the next number").click()
        expect(self.page.locator("#night-line")).to_contain_text(f"Number {number}")

    def known(self, name: str) -> None:
        self.page.get_by_label("First letters of any name").fill(name[:4])
        self.page.get_by_role("button", name=name).click()
        self.heading("Who will play?")
        self.go_on()

    def new(self, given: str, family: str, phone: str, child: str) -> None:
        self.page.get_by_role("button", name="New family").click()
        for label, words in [("First name", given), ("Last name", family), ("Mobile phone", phone)]:
            self.page.get_by_label(label, exact=True).fill(words)
        self.go_on()
        for label, words in [("Street and number", f"{phone[-2:]} Elm Street"), ("City", "Springdale"), ("ZIP code", "62704")]:
            self.page.get_by_label(label, exact=True).fill(words)
        self.go_on()
        self.heading("Who will play?")
        self.page.get_by_label("First name", exact=True).fill(child)
        self.page.get_by_label("School year").select_option("5")
        self.go_on()

    def choose(self, tag: str, *, protection: bool = True) -> None:
        """Choose a clarinet by its tag, and go on to the signature."""
        self.heading("Which instrument?")
        self.page.get_by_text("Clarinet", exact=True).click()
        self.go_on()
        self.page.get_by_label("Tag on the case").fill(tag)
        self.page.get_by_role("button", name="Take this tag").click()
        expect(self.page.get_by_text(f"{tag} goes home").first).to_be_visible()
        self.go_on()
        self.heading("How the rental works")
        self.page.get_by_text("With protection" if protection else "Without protection", exact=True).click()
        self.go_on()
        self.heading("The price, and is everything right?")
        self.go_on()
        self.heading("Read and sign")
        self.page.get_by_text("I agree to sign electronically, as said here").click()

    def draw(self) -> str:
        """Draw a signature; gives its strokes."""
        pad = self.page.locator("canvas")
        pad.hover(position={"x": 60, "y": 80})
        self.page.mouse.down()
        for step in range(6):
            pad.hover(position={"x": 60 + 30 * step, "y": 60 if step % 2 else 100})
        self.page.mouse.up()
        return self.strokes()

    def strokes(self) -> str:
        expect(self.page.locator("#night-strokes")).to_have_value(re.compile("^M.+L"))
        return self.page.locator("#night-strokes").input_value()

    def pay(self, child: str, *, check: str = "", later: bool = False) -> None:
        self.go_on()
        self.heading("How is today’s amount paid?")
        expect(self.page.get_by_text("Nothing tonight")).to_have_count(0)
        words = "By card or bank account, afterwards" if later else "Check" if check else "Cash"
        self.page.get_by_text(words, exact=True).click()
        if later:
            expect(self.page.get_by_text("Nothing is taken now.")).to_be_visible()
        elif check:
            self.page.get_by_label("Number of the check").fill(check)
        else:
            self.page.get_by_label("Cash in hand").fill("100")
        self.page.get_by_role("button", name="Finish the sign-up").click()
        self.heading(f"{child} is signed up")

    def arrived(self) -> None:
        expect(self.page.get_by_text("The office has it: agreement")).to_be_visible(timeout=WAIT)
        self.state("All sent")

    def next_family(self) -> None:
        self.page.get_by_role("button", name="Next family").click()
        self.heading("Which family is it?")


def enter(context: BrowserContext, url: str, person: User) -> None:
    """Let the browser be signed in as somebody."""
    client = Client()
    client.force_login(person)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": url}])


@pytest.fixture
def night(office: Office) -> Night:
    """Seven clarinets in the van, two specialists, a family that is written down already."""
    found = open_night(*LOADED, expected_families=6)
    lead = found.staff.get()
    lead.is_lead = True
    lead.save()
    found.staff.create(user=SpecialistFactory(name="Sam Sample"))
    StudentFactory(household=HouseholdFactory(name="Lindqvist"), programme=found.programmes.get(), given_name="Ada")
    return found


@pytest.fixture
def contexts(browser, complaints: Complaints) -> Iterator[list[BrowserContext]]:
    """Two tablets and the lead's own screen, each a browser of its own; what they complain about fails the test."""
    made = [browser.new_context(viewport={"width": 1024, "height": 768}, timezone_id="America/Chicago") for _ in range(3)]
    for each in made:
        each.on("console", complaints.hear)
        each.on("weberror", lambda error: complaints.script.append(str(error.error)))
        each.set_default_timeout(15_000)
    yield made
    for each in made:
        each.close()
    assert (complaints.policy, complaints.script) == ([], [])


@pytest.fixture
def desk(contexts: list[BrowserContext], office: Office, night: Night) -> Page:
    """The manager's screen."""
    enter(contexts[2], office.url, ManagerFactory(name="Mina Sample"))
    return contexts[2].new_page()


@pytest.fixture
def tables(contexts: list[BrowserContext], office: Office, night: Night) -> list[Table]:
    """Two tablets that were got ready."""
    made = []
    for context, row in zip(contexts, night.staff.order_by("pk"), strict=False):
        enter(context, office.url, row.user)
        made.append(Table(context, f"{office.url}/tablet/{night.pk}/"))
    return made


def tile(page: Page, name: str):
    return page.locator(".tile", has=page.get_by_text(name, exact=True)).locator("dd")


def test_two_tablets_one_of_them_without_a_network(office, night, desk, tables):
    here = f"{office.url}/nights/{night.pk}"
    give_numbers(desk, here, 5)
    the_evening(office, desk, here, *tables)
    what_arrived()
    the_board_shows_it(desk, here)
    what_is_to_be_collected(desk, here)
    the_van_comes_home(desk, here)
    the_night_is_closed(desk, here, night)
    out = io.StringIO()
    call_command("verify_books", stdout=out)
    assert re.search(r"All \d+ checks hold", out.getvalue()), out.getvalue()


def give_numbers(desk: Page, here: str, count: int) -> None:
    desk.goto(f"{here}/line/")
    for number in range(1, count + 1):
        desk.get_by_role("button", name="Give a number").click()
        expect(desk.locator(".line-taken-number")).to_have_text(str(number))


def the_evening(office: Office, desk: Page, here: str, rosa: Table, sam: Table) -> None:
    """Three families at each table; the second table is without a network from its second family on."""
    rosa.call(1)
    sam.call(2)
    rosa.known("Lindqvist")
    rosa.choose("CL-1")
    rosa.draw()
    rosa.pay("Ada")
    rosa.arrived()
    sam.new("Noor", "Calder", "312 555 0151", "Ilya")
    sam.choose("CL-4", protection=False)
    sam.draw()
    sam.pay("Ilya", check="1042")
    sam.arrived()

    sam.context.set_offline(True)
    sam.next_family()
    expect(sam.page.locator("#night-line-act")).to_be_disabled()
    sam.new("Wren", "Ostrow", "312 555 0152", "Mika")
    sam.choose("CL-1")  # given to the Lindqvists, which this tablet cannot know
    drawn = sam.draw()
    sam.lose_the_tab()
    sam.heading("Read and sign")
    expect(sam.page.get_by_text("You are back where you were.")).to_be_visible()
    assert sam.strokes() == drawn
    sam.pay("Mika")
    sam.state("No network · 1 not sent yet, oldest 0 min")

    rosa.next_family()
    rosa.call(3)
    rosa.new("Tess", "Harrow", "312 555 0153", "June")
    rosa.choose("CL-2")
    rosa.draw()
    rosa.pay("June")
    rosa.arrived()
    assert NightSignUp.objects.count() == 3

    sam.next_family()
    sam.new("Ode", "Fenwick", "312 555 0154", "Pax")
    sam.choose("CL-5")
    sam.draw()
    sam.pay("Pax", later=True)
    sam.state(re.compile(r"No network · 2 not sent yet, oldest \d min"))
    # The first answer is lost on the way: the office has it, the tablet asks again.
    sam.page.route("**/nights/take-in/", lambda route: (route.fetch(), route.abort()), times=1)
    # Somebody else is signed in on it by then: what Sam took stays Sam's.
    enter(sam.context, office.url, User.objects.get(name="Mina Sample"))
    sam.context.set_offline(False)
    sam.arrived()
    expect(sam.page.get_by_role("link", name="Take the payment now")).to_be_visible()

    rosa.next_family()
    rosa.call(4)
    rosa.new("Bram", "Ashby", "312 555 0155", "Cleo")
    rosa.choose("CL-3")
    rosa.draw()
    rosa.pay("Cleo")
    rosa.arrived()


def what_arrived() -> None:
    """Six sign-ups, each once; the clarinet that was given twice is with one family, the other has a promise."""
    rows = NightSignUp.objects.all()
    assert [row.state for row in rows] == ["arrived"] * 6
    assert len({row.agreement_id for row in rows}) == Agreement.objects.count() == 6
    # The Fenwicks pay by card afterwards.
    assert Payment.objects.count() == 5
    assert rows.get(pays_later=True).agreement.household.name == "Fenwick"
    assert [(row.taken_by.name, row.sent_by.name) for row in rows.filter(was_offline=True)] == [("Sam Sample", "Mina Sample")] * 2
    assert [till.payments.count() for till in Taking.objects.order_by("person__name")] == [3, 2]
    assert AgreementUnit.objects.get(instrument__asset_tag="CL-1").agreement.household.name == "Lindqvist"
    promise = UnitPromise.objects.get()
    assert (promise.agreement.household.name, promise.promised.asset_tag) == ("Ostrow", "CL-1")
    assert sorted(rows.exclude(waiting=None).values_list("waiting", flat=True)) == [1, 2, 3, 4]
    assert sorted(WaitingNumber.objects.exclude(done_at=None).values_list("number", flat=True)) == [1, 2, 3, 4]


def the_board_shows_it(desk: Page, here: str) -> None:
    desk.goto(f"{here}/board/")
    expect(tile(desk, "Agreements")).to_have_text(re.compile("^6"))
    expect(tile(desk, "Waiting")).to_have_text(re.compile("^1"))
    expect(tile(desk, "Left in the van")).to_have_text("2")
    expect(tile(desk, "Without an instrument yet")).to_have_text("1")
    # By itself, once the tablets said so.
    expect(tile(desk, "Not sent yet")).to_have_text("0on 2 tablets", timeout=WAIT)


def what_is_to_be_collected(desk: Page, here: str) -> None:
    """The board leads to the family that pays afterwards, and from there to the counter's payment."""
    desk.locator("#collect-link").click()
    expect(desk.get_by_role("row").filter(has_text="Fenwick")).to_contain_text("$37.89")
    desk.get_by_role("link", name="Take the payment").click()
    expect(desk.get_by_role("heading", name="Take a payment")).to_be_visible()
    expect(desk.get_by_label("Amount")).to_have_value("37.89")
    desk.goto(f"{here}/board/")


def the_van_comes_home(desk: Page, here: str) -> None:
    """The family with the promise takes one of the two that are left; the other goes back on the shelf."""
    desk.get_by_role("link", name="1", exact=True).click()
    desk.get_by_label("Asset tag").fill("CL-6")
    desk.get_by_role("button", name="Assign").click()
    expect(desk.get_by_text("CL-6").first).to_be_visible()
    assert UnitPromise.objects.get().given.asset_tag == "CL-6"
    desk.goto(f"{here}/unload/")
    Scanner(desk).scan("CL-7", 10, "Enter")
    expect(desk.locator(".desk-words")).to_have_text("Back: CL-7")
    assert sorted(NightUnit.objects.values_list("outcome", flat=True)) == ["back", *["given"] * 6]
    assert Custody.objects.filter(ended_at=None, place="family").count() == 6


def the_night_is_closed(desk: Page, here: str, night: Night) -> None:
    """Both count their day down to the cent; then every line agrees, and the night is closed."""
    for till in Taking.objects.all():
        left, pieces = sum(int(each.amount * 100) for each in till.payments.filter(method="cash")), {}
        for size in DENOMINATIONS:
            pieces[size], left = divmod(left, size)
        cheques = till.payments.filter(method="cheque").values_list("pk", flat=True)
        counted = taking.CountedDown(pieces, frozenset(cheques))
        taking.count_down(taking=till, counted=counted, acting_user=till.person, now=clock.now())
    desk.goto(f"{here}/closing/")
    expect(desk.get_by_text("Everything agrees.")).to_be_visible()
    assert desk.locator(".closing-line").count() == desk.locator(".closing-good").count() >= 6
    desk.get_by_role("button", name="Close the night").click()
    expect(desk.get_by_role("link", name="The sheet as it was closed")).to_be_visible()
    night.refresh_from_db()
    assert night.state == "closed"
