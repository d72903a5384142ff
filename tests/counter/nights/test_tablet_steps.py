"""The questions of a sign-up on the tablet, step by step in a real browser: what is asked, what is refused, what comes back."""

import hashlib
import json
import os
import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from playwright.sync_api import expect

from tests.browser import list_violations
from tests.look.test_gallery import SMALL

PICTURES = os.environ.get("OFFICE_PICTURES", "")
SIZES = [(1280, 800), (1024, 768), (768, 1024), (390, 844)]

PACK = settings.BASE_DIR / "tests" / "data" / "night_pack.json"
"""A pack of our own: one orchestra, violins in two sizes, no clarinet in the van, a school's list, a family with two children."""


def a_pack(**changes: object) -> dict[str, Any]:
    return {**json.loads(PACK.read_text(encoding="utf-8")), **changes}


BEGIN = """async pack => {
  document.body.className = "touch tablet";
  document.body.innerHTML = '<main id="steps" class="page-main"></main>';
  const sheet = Object.assign(document.createElement("link"), { rel: "stylesheet", href: "/static/css/tablet.css" });
  await new Promise(done => { sheet.onload = done; document.head.append(sheet); });
  const kept = window.kept ??= new Map();
  window.added ??= [];
  const vault = {
    isOpen: true,
    get: async (kind, id) => { const found = kept.get(kind + id); return found && JSON.parse(found); },
    put: async (kind, id, object) => { kept.set(kind + id, JSON.stringify(object)); },
  };
  const queue = {
    add: async envelope => { added.push(envelope); return envelope.id; },
    onChange: () => {},
    sent: () => [],
    unsent: () => added,
    status: () => ({ attention: [], waiting: added.length, online: false }),
    givenOut: () => new Set(added.map(each => each.instrument)),
  };
  const { startSteps } = await import("/static/js/night/steps.js");
  window.walk = await startSteps({ vault, queue, pack, root: document.getElementById("steps") });
}"""


@pytest.fixture
def tablet(page, live_server):
    """The questions of an evening, with a store in the page's memory; what was signed stands in `added`."""
    page.goto(f"{live_server.url}/sign-in/")
    page.set_viewport_size({"width": 768, "height": 1024})
    return page


def begin(page, **changes: object) -> None:
    page.evaluate(BEGIN, a_pack(**changes))


def go_on(page) -> None:
    page.get_by_role("button", name="Continue").click()


def heading(page, words: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(words)


def look(page, name: str) -> None:
    """Accessible in both themes, targets of 44 px at 768 by 1024, no sideways scroll; pictures where a folder is named."""
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        assert list_violations(page) == [], name
    assert page.evaluate(SMALL, 44) == [], name
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0, (name, width)
        for theme in ("light", "dark") if PICTURES else ():
            page.emulate_media(color_scheme=theme)
            page.screenshot(path=str(Path(PICTURES) / f"tablet-{name}-{width}-{theme}.png"), full_page=True)
    page.set_viewport_size({"width": 768, "height": 1024})
    page.emulate_media(color_scheme="light")


def draw(page) -> None:
    """Draw a stroke in the box."""
    pad = page.locator("canvas")
    pad.hover(position={"x": 60, "y": 80})
    page.mouse.down()
    for step in range(8):
        pad.hover(position={"x": 60 + 30 * step, "y": 60 if step % 2 else 100})
    page.mouse.up()
    expect(page.locator("#night-strokes")).to_have_value(re.compile("^M.+L"))


def to_student(page) -> None:
    page.get_by_label("First letters of any name").fill("li")
    page.get_by_role("button", name="Lindqvist").click()
    heading(page, "Who will play?")


def to_review(page) -> None:
    to_student(page)
    page.get_by_text("Ada Lindqvist").click()
    go_on(page)
    page.get_by_text("Violin", exact=True).click()
    go_on(page)
    page.get_by_label("Arm, from the neck").fill("21 1/2")
    go_on(page)
    page.get_by_text("VN-1001").click()
    go_on(page)
    go_on(page)
    page.get_by_text("With protection", exact=True).click()
    go_on(page)
    heading(page, "The price, and is everything right?")


class TestEveryStep:
    def test_is_accessible_large_and_fits(self, tablet):
        page = tablet
        begin(page)
        page.get_by_label("First letters of any name").fill("li")
        look(page, "01-family")
        page.get_by_role("button", name="New family").click()
        go_on(page)
        look(page, "02-new-family-errors")
        page.get_by_role("button", name="Another family").click()
        to_student(page)
        look(page, "03-student")
        page.get_by_text("Ada Lindqvist").click()
        go_on(page)
        look(page, "04-instrument")
        page.get_by_text("Violin", exact=True).click()
        go_on(page)
        page.get_by_label("Arm, from the neck").fill("21 1/2")
        expect(page.get_by_role("radio", name="1/2")).to_be_checked()
        look(page, "05-size")
        go_on(page)
        page.get_by_label("Tag on the case").fill("VN-2001")
        page.get_by_role("button", name="Take this tag").click()
        expect(page.get_by_text("VN-2001 is size 3/4; the size chosen is 1/2.")).to_have_count(2)
        look(page, "06-unit")
        page.get_by_text("VN-1001").click()
        go_on(page)
        expect(page.get_by_text("1 × Book of the district, instead of Method book, volume 1: from the school")).to_be_visible()
        look(page, "07-kit")
        go_on(page)
        page.get_by_text("En español").click()
        look(page, "08-plan")
        page.get_by_text("With protection", exact=True).click()
        go_on(page)
        look(page, "09-review")
        go_on(page)
        look(page, "10-sign")
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        go_on(page)
        page.get_by_text("Cash", exact=True).click()
        page.get_by_label("Cash in hand").fill("60")
        look(page, "11-pay")
        page.get_by_role("button", name="Finish the sign-up").click()
        heading(page, "Ada is signed up")
        look(page, "12-done")


class TestWhatIsSigned:
    def test_is_one_envelope_with_the_right_money_and_text(self, tablet):
        page = tablet
        begin(page)
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        go_on(page)
        page.get_by_text("Check", exact=True).click()
        page.get_by_role("button", name="Finish the sign-up").click()
        expect(page.get_by_role("link", name="Write the number of the check.")).to_be_visible()
        page.get_by_label("Number of the check").fill("1042")
        page.get_by_role("button", name="Finish the sign-up").dblclick()
        heading(page, "Ada is signed up")
        (envelope,) = page.evaluate("added")
        # 24.00 + 1.98 rent, 5.00 protection, 8.00 + 0.66 rosin, 11.50 + 0.95 book
        assert envelope["payment"] == {"method": "cheque", "amount": "52.09", "cheque_number": "1042"}
        assert envelope["shown"]["due_today"] == "52.09"
        assert envelope["shown"]["monthly"] == "30.98"
        assert (envelope["household"], envelope["guardian"], envelope["student"]) == ({"id": 71}, {"id": 81}, {"id": 91})
        assert (envelope["instrument"], envelope["item"], envelope["is_new"], envelope["plan_version"]) == (11, 1, False, 5)
        assert envelope["goods"] == [{"product": 21, "quantity": 1}, {"product": 22, "quantity": 1}]
        text = "\n\n".join("\n".join((each["heading"], *each["paragraphs"])) for each in envelope["shown"]["text"])
        assert envelope["shown"]["text_sha256"] == hashlib.sha256(text.encode()).hexdigest()
        assert "You: Jo Lindqvist, household H-000071." in text
        assert (envelope["signature"]["method"], envelope["signature"]["strokes"][0]) == ("drawn", "M")

    def test_is_paid_by_card_afterwards_with_nothing_taken(self, tablet):
        page = tablet
        begin(page)
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        go_on(page)
        expect(page.get_by_text("Nothing tonight")).to_have_count(0)
        page.get_by_text("By card or bank account, afterwards").click()
        expect(page.get_by_text("Nothing is taken now. $52.09 stays due from today")).to_be_visible()
        look(page, "11-pay-later")
        page.get_by_role("button", name="Finish the sign-up").click()
        heading(page, "Ada is signed up")
        expect(page.get_by_text("Nothing was taken: $52.09 is due from today")).to_be_visible()
        (envelope,) = page.evaluate("added")
        assert envelope["payment"] == {"method": "later", "amount": "0.00", "cheque_number": ""}
        assert envelope["shown"]["due_today"] == "52.09"

    def test_comes_back_in_the_middle_of_a_signature(self, tablet):
        page = tablet
        begin(page)
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        drawn = page.locator("#night-strokes").input_value()
        begin(page)
        heading(page, "Read and sign")
        expect(page.get_by_text("You are back where you were.")).to_be_visible()
        assert page.locator("#night-strokes").input_value() == drawn != ""
        expect(page.get_by_label("I agree to sign electronically, as said here")).to_be_checked()

    def test_is_signed_again_when_something_changed_after_it(self, tablet):
        page = tablet
        begin(page)
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        page.get_by_role("button", name="Type the name instead").click()
        go_on(page)
        heading(page, "How is today’s amount paid?")
        page.get_by_role("button", name="Back").click()
        page.get_by_role("button", name="Back").click()
        page.get_by_role("button", name="Change: School’s list").click()
        page.get_by_role("checkbox", name="Rosin").uncheck()
        go_on(page)
        heading(page, "The price, and is everything right?")
        expect(page.get_by_text("$43.43").first).to_be_visible()
        page.evaluate("walk.go('pay')")
        page.get_by_text("Cash", exact=True).click()
        page.get_by_label("Cash in hand").fill("50")
        page.get_by_role("button", name="Finish the sign-up").click()
        heading(page, "Read and sign")
        expect(page.get_by_text("Something changed after the signature")).to_be_visible()
        assert page.evaluate("added") == []


class TestTheUsualSize:
    def test_is_told_below_the_measure_and_chooses_nothing(self, tablet):
        page = tablet
        sizes = [{"programme": 1, "kind": "violin", "grade": grade, "size": size} for grade, size in ((4, "1/4"), (5, "3/4"))]
        begin(page, usual_sizes=sizes)
        to_student(page)
        page.get_by_text("Ada Lindqvist").click()
        go_on(page)
        page.get_by_text("Violin", exact=True).click()
        go_on(page)
        page.get_by_label("Arm, from the neck").fill("21 1/2")
        usual = page.get_by_text("In grade 5 the director usually asks for 3/4. The teacher’s own measure goes before it.")
        expect(usual).to_be_visible()
        expect(page.get_by_role("radio", name="1/2")).to_be_checked()
        measure = page.get_by_text("The teacher’s measurement wins")
        assert usual.bounding_box()["y"] > measure.bounding_box()["y"]
        look(page, "05-usual-size")


class TestASecondChild:
    def test_takes_under_forty_keys(self, tablet):
        page = tablet
        begin(page)
        page.evaluate("addEventListener('keydown', () => { window.keys = (window.keys ?? 0) + 1; })")
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        go_on(page)
        page.get_by_text("Cash", exact=True).click()
        page.get_by_label("Cash in hand").fill("60")
        page.get_by_role("button", name="Finish the sign-up").click()
        page.evaluate("window.keys = 0")
        page.get_by_role("button", name="Next child of this family").click()
        heading(page, "Who will play?")
        expect(page.get_by_role("radio", name="Ada Lindqvist")).to_have_count(0)
        page.get_by_role("radio", name="Another child").check()
        page.get_by_label("First name").press_sequentially("Vera")
        page.get_by_label("School year").select_option("4")
        go_on(page)
        page.get_by_text("Violin", exact=True).click()
        go_on(page)
        expect(page.get_by_role("radio", name="1/2")).to_be_checked()
        go_on(page)
        page.get_by_label("Tag on the case").press_sequentially("VN-1002")
        page.get_by_role("button", name="Take this tag").click()
        go_on(page)
        go_on(page)
        page.get_by_text("Without protection", exact=True).click()
        go_on(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        draw(page)
        go_on(page)
        page.get_by_text("Cash", exact=True).click()
        page.get_by_label("Cash in hand").press_sequentially("50")
        page.get_by_role("button", name="Finish the sign-up").click()
        heading(page, "Vera is signed up")
        assert page.evaluate("keys") < 40
        first, second = page.evaluate("added")
        assert (second["household"], second["student"]) == (
            first["household"],
            {"given_name": "Vera", "family_name": "Lindqvist", "grade": 4},
        )
        assert second["id"] != first["id"]


class TestANewFamily:
    def test_in_spanish_with_an_instrument_assigned_later(self, tablet):
        page = tablet
        begin(page)
        page.get_by_role("button", name="Español").click()
        heading(page, "¿Qué familia es?")
        page.get_by_role("button", name="Familia nueva").click()
        for label, words in [("Nombre", "Marta"), ("Apellidos", "Núñez  Ortiz"), ("Teléfono móvil", "312 555 0177")]:
            page.get_by_label(label, exact=True).fill(words)
        page.get_by_role("button", name="Continuar").click()
        for label, words in [("Calle y número", "4 Elm Street"), ("Ciudad", "Springdale"), ("Código postal", "62704")]:
            page.get_by_label(label, exact=True).fill(words)
        page.get_by_role("button", name="Continuar").click()
        page.get_by_label("Nombre", exact=True).fill("Lucía")
        page.get_by_label("Año escolar").select_option("6")
        page.get_by_role("button", name="Continuar").click()
        page.get_by_text("Clarinete", exact=True).click()
        page.get_by_role("button", name="Continuar").click()
        page.get_by_role("button", name="Continuar").click()
        expect(page.get_by_role("link", name="Escanee o elija")).to_be_visible()
        page.get_by_text("Ninguno sirve: asignar uno después").click()
        page.get_by_text("usado antes").click()
        page.get_by_role("button", name="Continuar").click()
        heading(page, "Cómo funciona el alquiler")
        expect(page.get_by_text("Todo el alquiler que paga cuenta para comprarlo.").first).to_be_visible()
        expect(page.get_by_text("Traducción de cortesía: vale el texto en inglés que se firma.").first).to_be_visible()
        page.get_by_text("Sin protección", exact=True).click()
        look(page, "13-plan-spanish")
        page.get_by_role("button", name="Continuar").click()
        page.get_by_role("button", name="Continuar").click()
        heading(page, "Leer y firmar")
        page.get_by_text("Acepto firmar electrónicamente").click()
        page.get_by_role("button", name="Escribir el nombre").click()
        page.get_by_role("button", name="Continuar").click()
        page.get_by_text("Efectivo", exact=True).click()
        page.get_by_label("Efectivo recibido").fill("25.98")
        expect(page.get_by_text("Justo.")).to_be_visible()
        page.get_by_role("button", name="Terminar la inscripción").click()
        heading(page, "Lucía: inscripción hecha")
        (envelope,) = page.evaluate("added")
        assert (envelope["language"], envelope["instrument"], envelope["is_new"], envelope["item"]) == ("es", None, False, 3)
        home = {"street": "4 Elm Street", "unit": "", "city": "Springdale", "postal_code": "62704", "state": "IL"}
        assert envelope["household"] == {"name": "Núñez Ortiz", **home}
        assert envelope["signature"]["method"] == "typed"
        assert envelope["signature"]["signer_name"] == "Marta Núñez Ortiz"
        page.get_by_role("button", name="Siguiente familia").click()
        heading(page, "Which family is it?")
        expect(page.locator("body")).not_to_contain_text("Núñez")


class TestANewerList:
    def test_waits_until_a_family_that_signed_is_through(self, tablet):
        page = tablet
        begin(page)
        to_review(page)
        go_on(page)
        page.get_by_text("I agree to sign electronically, as said here").click()
        page.get_by_role("button", name="Type the name instead").click()
        go_on(page)
        heading(page, "How is today’s amount paid?")
        newer = a_pack(version="ffff")
        newer["units"] = [unit for unit in newer["units"] if unit["tag"] != "VN-1001"]
        page.evaluate("async pack => { walk.offer(pack) }", newer)
        page.get_by_role("button", name="Back").click()
        go_on(page)
        page.get_by_text("Cash", exact=True).click()
        page.get_by_label("Cash in hand").fill("60")
        page.get_by_role("button", name="Finish the sign-up").click()
        heading(page, "Ada is signed up")
        (envelope,) = page.evaluate("added")
        assert (envelope["pack"], envelope["instrument"]) == ("00112233aabbccdd", 11)
        page.get_by_role("button", name="Next family").click()
        assert page.evaluate("walk.pack.version") == "ffff"


class TestBeforeTheFirstQuestion:
    def test_an_old_list_is_said(self, tablet):
        # 4:40 in the afternoon at the shop, told in the time of the universe: for a clock in London it is the next day.
        begin(tablet, made_at="2026-11-29T22:40:00+00:00", today="2026-11-29", zone="America/Chicago")
        when, on = "Sunday, November 29 at 4:40 PM", "Monday, November 30"
        expect(tablet.get_by_text(f"What this tablet knows is from {when}, and the evening is on {on}.")).to_be_visible()
        tablet.get_by_role("button", name="Español").click()
        expect(tablet.get_by_text("se cargó el domingo, 29 de noviembre")).to_be_visible()
        expect(tablet.get_by_text("la noche es el lunes, 30 de noviembre.")).to_be_visible()

    def test_a_list_of_the_evening_is_not_old_because_it_is_tomorrow_elsewhere(self, tablet):
        begin(tablet, made_at="2026-11-30T05:30:00+00:00", today="2026-11-30", zone="America/Chicago")
        expect(tablet.get_by_text("What this tablet knows is from Sunday, November 29 at 11:30 PM")).to_be_visible()
        begin(tablet, made_at="2026-12-01T01:30:00+00:00", today="2026-11-30", zone="America/Chicago")
        expect(tablet.get_by_text("What this tablet knows is from")).to_have_count(0)

    def test_a_changed_price_is_said_where_the_family_stands(self, tablet):
        begin(tablet)
        to_review(tablet)
        go_on(tablet)
        changed = a_pack(version="ffff")
        for price in changed["prices"]:
            price["rent"] = price["first_rent"] = "26.00"
        tablet.evaluate("async pack => { walk.use(pack) }", changed)
        expect(tablet.get_by_text("Due today was $52.09 and is now $54.26")).to_be_visible()
