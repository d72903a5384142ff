"""What a tablet keeps and sends, in a real browser with a network that goes away: nothing is lost, nothing arrives twice, nothing
lies there in the clear. The office's side answers, fails and hangs as `gym.py` is told."""

import json
import random
import time
import uuid

import pytest
from django.conf import settings
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.urls import reverse
from playwright.sync_api import expect

from rentals.counter.nights.tablet.handoff import NotAHandOffError, WrongPassphraseError, open_file
from tests.browser import list_violations
from tests.counter.nights.gym import PHRASE, SLOWLY
from tests.staff.test_screens import look, sign_in

ADD = """async ([phrase, envelopes]) => {
  const vaults = await import("/static/js/night/vault.js");
  const { Queue } = await import("/static/js/night/queue.js");
  const nobody = async () => { throw new Error("no network"); };
  const queue = new Queue(await vaults.open(phrase), { takeIn: nobody, door: nobody });
  for (const envelope of envelopes) await queue.add(envelope);
  queue.stop();
}"""

RAW = """() => new Promise((done) => {
  const request = indexedDB.open("night", 1);
  request.onsuccess = () => {
    const all = (name) => new Promise((read) => {
      const rows = request.result.transaction(name).objectStore(name).getAll();
      rows.onsuccess = () => read(rows.result);
    });
    const text = (value) => value instanceof ArrayBuffer || ArrayBuffer.isView(value)
      ? Array.from(new Uint8Array(value.buffer ?? value), (byte) => String.fromCharCode(byte)).join("") : value;
    const plain = (row) => Object.fromEntries(Object.entries(row).map(([name, value]) => [name, text(value)]));
    Promise.all([all("records"), all("keys")]).then(([records, keys]) => {
      request.result.close();
      done({ records: records.map(plain), keys: keys.map(plain) });
    });
  };
})"""


SHOW = """(name) => {
  for (const panel of document.querySelectorAll("[data-panel]")) panel.hidden = panel.dataset.panel !== name;
}"""


def envelopes(night, count=1):
    made = []
    for number in range(1, count + 1):
        names = {"given_name": f"Ottilie{number}", "family_name": "Quarrington", "grade": 5}
        made.append(
            {"format": 1, "id": str(uuid.uuid4()), "night": night.pk, "student": names, "item": 1, "instrument": 10 + number}
        )
    return made


def add(page, rows):
    page.evaluate(ADD, [PHRASE, rows])


def unlock(page, phrase=PHRASE):
    page.locator("#open-phrase").fill(phrase)
    page.get_by_role("button", name="Open", exact=True).click()


def state(page):
    return page.locator("[data-state]")


class TestGettingReady:
    def test_says_ready_only_when_page_and_pack_lie_on_the_device(self, tablet):
        expect(tablet.get_by_text("2 instruments, 1 family.")).to_be_visible()
        expect(tablet.get_by_text("Page and files lie on the tablet")).to_be_visible()
        expect(tablet.get_by_text("Rosa Field.")).to_be_visible()
        tablet.evaluate("async () => { for (const name of await caches.keys()) await caches.delete(name); }")
        tablet.get_by_role("button", name="Load and check again").click()
        expect(tablet.get_by_role("heading", name="This tablet is not ready yet")).to_be_visible()

    def test_opens_cold_without_a_network(self, tablet, url):
        tablet.context.set_offline(True)
        again = tablet.context.new_page()
        again.goto(url)
        expect(again.get_by_role("heading", name="This tablet is locked")).to_be_visible()
        expect(state(again)).to_contain_text("No network")
        unlock(again)
        expect(again.get_by_text("2 instruments, 1 family.")).to_be_visible(timeout=SLOWLY)
        again.get_by_role("button", name="Sign families up").click()
        expect(again.locator("#steps")).to_be_visible()

    @pytest.mark.parametrize(("first", "second", "words"), [
        ("short", "short", "at least 8 letters or digits"),
        ("12345678", "12345678", "not all the same and not in a row"),
        ("oboe 4471", "oboe 4472", "The two are not the same"),
    ])  # fmt: skip
    def test_refuses_a_passphrase_in_a_sentence(self, page, specialist, url, live_server, first, second, words):
        sign_in(page.context, live_server.url, specialist)
        page.goto(url)
        page.locator("#begin-phrase").fill(first)
        page.get_by_label("The same again").fill(second)
        page.get_by_role("button", name="Keep the evening").click()
        expect(page.get_by_role("alert").filter(has_text=words)).to_be_visible()


class TestVault:
    def test_keeps_nothing_in_the_clear(self, tablet, night, gym):
        tablet.context.set_offline(True)
        add(tablet, envelopes(night))
        raw = tablet.evaluate(RAW)
        kinds = {row["kind"] for row in raw["records"]}
        assert {"pack", "envelope"} <= kinds
        assert all(set(row) == {"kind", "id", "at", "iv", "sealed"} for row in raw["records"])
        text = json.dumps(raw)
        assert not [word for word in ("Ottilie", "Quarrington", "Alder", "Springdale", PHRASE) if word in text]
        assert {tuple(sorted(row)) for row in raw["keys"]} == {("iv", "madeAt", "rounds", "salt", "wrapped"), ("until", "wrong")}
        assert next(row["rounds"] for row in raw["keys"] if "rounds" in row) >= 600_000

    def test_holds_no_sign_up_once_the_office_has_it(self, tablet, night, gym):
        add(tablet, envelopes(night))
        limit = time.monotonic() + SLOWLY / 1000
        # "All sent" stands there before the first is put in, too: what lies on the device is asked until it is gone.
        while any(row["kind"] in {"envelope", "draft"} for row in tablet.evaluate(RAW)["records"]):
            assert time.monotonic() < limit
            tablet.wait_for_timeout(50)
        raw = tablet.evaluate(RAW)
        assert len(gym.arrived) == 1
        assert "Ottilie" not in json.dumps(raw)

    def test_lets_no_one_guess(self, tablet):
        tablet.get_by_role("button", name="Lock").click()
        for _ in range(4):
            unlock(tablet, "bassoon 1")
            expect(tablet.get_by_text("That is not the passphrase of this tablet. Try again.")).to_be_visible(timeout=SLOWLY)
        unlock(tablet, "bassoon 1")
        expect(tablet.get_by_text("Wait 30 seconds")).to_be_visible(timeout=SLOWLY)
        unlock(tablet)
        expect(tablet.get_by_role("alert").filter(has_text="seconds, then try again")).to_be_visible(timeout=SLOWLY)
        expect(tablet.get_by_role("heading", name="This tablet is locked")).to_be_visible()

    def test_forgets_after_two_days_what_is_sent_and_never_what_is_not(self, tablet, night):
        tablet.context.set_offline(True)
        left = tablet.evaluate(
            """async (phrase) => {
              const vaults = await import("/static/js/night/vault.js");
              const { Queue } = await import("/static/js/night/queue.js");
              const vault = await vaults.open(phrase);
              const old = Date.now() - 49 * 3600000;
              for (const kind of ["sent", "draft", "pack"]) await vault.put(kind, "old", { id: "old" }, old);
              await vault.put("envelope", "old", { envelope: { id: "old", sequence: 1 }, state: "waiting" }, old);
              const nobody = async () => { throw new Error("no network"); };
              const queue = new Queue(vault, { takeIn: nobody, door: nobody });
              await queue.purge();
              queue.stop();
              const rows = [];
              for (const kind of ["sent", "draft", "pack", "envelope"]) {
                if (await vault.get(kind, "old")) rows.push(kind);
              }
              return rows;
            }""",
            PHRASE,
        )
        assert left == ["envelope"]


class TestQueue:
    def test_thirty_arrive_once_and_in_order_while_the_network_flaps(self, tablet, night, gym):
        drawn = random.Random(4471)
        gym.answers = [drawn.choice(["", "", "fail", "lost"]) for _ in range(60)]
        rows = envelopes(night, 30)
        tablet.context.set_offline(True)
        add(tablet, rows)
        expect(state(tablet)).to_contain_text("No network · 30 not sent yet, oldest 0 min")
        for _ in range(10):
            tablet.context.set_offline(False)
            tablet.wait_for_timeout(drawn.randrange(100, 900))
            tablet.context.set_offline(True)
            tablet.wait_for_timeout(50)
        tablet.context.set_offline(False)
        expect(state(tablet)).to_have_text("All sent", timeout=2 * SLOWLY)
        assert gym.arrived == [row["id"] for row in rows]
        assert gym.posts > 30, "the office was meant to fail now and then"

    def test_two_tabs_send_each_once(self, tablet, night, gym, url):
        other = tablet.context.new_page()
        other.goto(url)
        unlock(other)
        expect(other.get_by_role("heading", name="This tablet is ready")).to_be_visible(timeout=SLOWLY)
        rows = envelopes(night, 30)
        add(tablet, rows)
        for page in (tablet, other):
            expect(state(page)).to_have_text("All sent", timeout=SLOWLY)
        assert gym.arrived == [row["id"] for row in rows]
        assert gym.posts == 30

    def test_a_tab_killed_before_sending_loses_nothing(self, tablet, night, gym, url):
        tablet.context.set_offline(True)
        rows = envelopes(night)
        add(tablet, rows)
        context = tablet.context
        tablet.close()
        context.set_offline(False)
        again = context.new_page()
        again.goto(url)
        expect(again.get_by_text("1 sign-up is not sent yet, oldest")).to_be_visible()
        unlock(again)
        expect(state(again)).to_have_text("All sent", timeout=SLOWLY)
        assert gym.arrived == [rows[0]["id"]]

    def test_a_tab_killed_between_sending_and_the_answer_sends_it_once(self, tablet, night, gym, url):
        gym.answers = ["hang"]
        rows = envelopes(night)
        add(tablet, rows)
        assert gym.reached.wait(20)
        context = tablet.context
        tablet.close()
        gym.go_on.set()
        again = context.new_page()
        again.goto(url)
        unlock(again)
        expect(state(again)).to_have_text("All sent", timeout=SLOWLY)
        assert gym.arrived == [rows[0]["id"]]
        assert gym.posts == 2

    def test_a_locked_tablet_keeps_what_waits(self, tablet, night, gym):
        tablet.context.set_offline(True)
        rows = envelopes(night, 3)
        add(tablet, rows)
        tablet.get_by_role("button", name="Lock").click()
        expect(tablet.get_by_text("3 sign-ups are not sent yet, oldest")).to_be_visible()
        expect(state(tablet)).to_contain_text("No network · 3 not sent yet")
        unlock(tablet)
        expect(tablet.get_by_role("heading", name="This tablet is ready")).to_be_visible(timeout=SLOWLY)
        tablet.context.set_offline(False)
        expect(state(tablet)).to_have_text("All sent", timeout=SLOWLY)
        assert gym.arrived == [row["id"] for row in rows]

    def test_a_session_that_ends_in_between_costs_nothing(self, tablet, night, gym, specialist, live_server):
        Session.objects.all().delete()
        cache.clear()
        add(tablet, envelopes(night))
        expect(state(tablet)).to_contain_text("Sign in again · 1 not sent yet", timeout=SLOWLY)
        assert gym.posts == 0
        tablet.locator(".tablet-state").click()
        tablet.locator('[data-panel="unsent"]').get_by_role("link", name="Sign in").click()
        expect(tablet).to_have_url(f"{live_server.url}{reverse(settings.LOGIN_URL)}?next={reverse('tablet', args=[night.pk])}")
        sign_in(tablet.context, live_server.url, specialist)
        tablet.goto(live_server.url + reverse("tablet", args=[night.pk]))
        unlock(tablet)
        expect(state(tablet)).to_have_text("All sent", timeout=SLOWLY)
        assert len(gym.arrived) == 1

    def test_what_the_office_cannot_read_waits_for_a_person_who_gives_a_reason(self, tablet, night, gym):
        first, second = envelopes(night, 2)
        gym.refused = {first["id"]}
        add(tablet, [first, second])
        expect(state(tablet)).to_have_text("1 not sent yet, oldest 0 min, 1 needs attention", timeout=SLOWLY)
        assert gym.arrived == [second["id"]]
        tablet.locator(".tablet-state").click()
        expect(tablet.get_by_text("The student has no name.")).to_be_visible()
        tablet.get_by_text("Give it up", exact=True).click()
        tablet.get_by_role("button", name="Give it up under my name").click()
        expect(tablet.get_by_text("Write in a few words why")).to_be_visible()
        tablet.get_by_label("Why is this sign-up given up?").fill("Signed again on paper")
        gym.deaf = True
        tablet.get_by_role("button", name="Give it up under my name").click()
        expect(tablet.get_by_text("The office did not note it, so the sign-up stays here.")).to_be_visible()
        expect(state(tablet)).to_contain_text("1 needs attention")
        gym.deaf = False
        tablet.get_by_role("button", name="Give it up under my name").click()
        expect(tablet.get_by_text("Given up by Rosa Field. The office has noted it.")).to_be_visible()
        (told,) = gym.given_up
        assert (told["id"], told["reason"], "Ottilie" in json.dumps(told)) == (first["id"], "Signed again on paper", False)
        expect(state(tablet)).to_have_text("All sent")

    @pytest.mark.parametrize("seed", range(5))
    def test_no_answer_leads_to_a_fourth_end(self, tablet, seed, live_server):
        tablet.goto(live_server.url + reverse("health"))  # so that no page of the tablet sends, too
        drawn = random.Random(seed)
        ends = ["arrived", "arrived_without_unit", "attention", 422, 409, 404, 400, 413]
        again = [500, 502, 503, 429, 408, "moved", 401, 403, "lost", "page", "wrong id", "odd"]
        script = {
            str(uuid.UUID(int=drawn.getrandbits(128))): [*drawn.choices(again, k=drawn.randrange(6)), drawn.choice(ends)]
            for _ in range(25)
        }
        told = tablet.evaluate(
            """async ([phrase, script]) => {
              const vaults = await import("/static/js/night/vault.js");
              const { Queue } = await import("/static/js/night/queue.js");
              const done = {};
              const answer = (id, how) => {
                if (how === "lost") { done[id] = (done[id] ?? 0) + 1; throw new Error("lost"); }
                if (how === "moved") return { status: 302, moved: true };
                if (how === "page") return { status: 200 };
                if (how === "wrong id") return { status: 200, body: { id: "other", outcome: "arrived" } };
                if (how === "odd") return { status: 200, body: { id, outcome: "saved" } };
                if (typeof how === "number") return { status: how, body: { why: "No." } };
                return { status: 200, body: { id, outcome: how, agreement: "A-1" } };
              };
              const takeIn = async ({ id }) => answer(id, script[id].length > 1 ? script[id].shift() : script[id][0]);
              const told = { csrf: "x", person: "Rosa Field", now: new Date().toISOString() };
              const door = async () => ({ status: 200, body: told });
              const queue = new Queue(await vaults.open(phrase), { takeIn, door });
              for (const id of Object.keys(script)) await queue.add({ id, item: 1, instrument: 1 });
              for (let round = 0; round < 400 && queue.status().waiting; round += 1) await queue.sendNow();
              const { waiting, attention } = queue.status();
              queue.stop();
              return { waiting, attention: attention.map(({ id }) => id), sent: queue.sent().map(({ id }) => id) };
            }""",
            [PHRASE, script],
        )
        expected = {True: set(), False: set()}
        for name, answers in script.items():
            expected[isinstance(answers[-1], str)].add(name)
        assert told["waiting"] == 0
        assert set(told["sent"]) == expected[True]
        assert set(told["attention"]) == expected[False]
        assert len(told["sent"]) + len(told["attention"]) == 25


class TestHandOff:
    def test_another_tablet_and_the_office_open_it_and_nobody_else(
        self, tablet, night, gym, browser, specialist, url, live_server
    ):
        tablet.context.set_offline(True)
        rows = envelopes(night, 2)
        add(tablet, rows)
        tablet.locator(".tablet-state").click()
        with tablet.expect_download() as saving:
            tablet.locator('[data-panel="unsent"]').get_by_role("button", name="Save what is not sent to a file").click()
        path = saving.value.path()
        content = path.read_bytes()
        assert saving.value.suggested_filename.startswith(f"not-sent-night-{night.pk}-")
        assert b"Ottilie" not in content
        assert [row["id"] for row in open_file(content, PHRASE)] == [row["id"] for row in rows]
        assert open_file(content, f" {PHRASE} ")[0]["student"]["given_name"] == "Ottilie1"
        with pytest.raises(WrongPassphraseError):
            open_file(content, "bassoon 1")
        bent = json.loads(content)
        bent["rows"][0]["id"] = bent["rows"][1]["id"]
        for broken in (json.dumps(bent).encode(), b"{}", b"not json", b"[1]"):
            with pytest.raises(NotAHandOffError):
                open_file(broken, PHRASE)
        other = browser.new_context()
        sign_in(other, live_server.url, specialist)
        second = other.new_page()
        second.goto(url)
        second.locator("#begin-phrase").fill("clarinet 88")
        second.get_by_label("The same again").fill("clarinet 88")
        second.get_by_role("button", name="Keep the evening").click()
        expect(second.get_by_role("heading", name="This tablet is ready")).to_be_visible(timeout=SLOWLY)
        second.locator(".tablet-state").click()
        second.get_by_text("Take in a file of another tablet").click()
        second.get_by_label("File of the other tablet").set_input_files(path)
        second.get_by_label("Passphrase of the other tablet").fill(PHRASE)
        second.get_by_role("button", name="Take it in").click()
        expect(second.get_by_text("2 taken in.")).to_be_visible(timeout=SLOWLY)
        expect(state(second)).to_have_text("All sent", timeout=SLOWLY)
        other.close()
        tablet.context.set_offline(False)
        expect(state(tablet)).to_have_text("All sent", timeout=SLOWLY)
        assert sorted(gym.arrived) == sorted(row["id"] for row in rows)

    def test_erasing_asks_whether_it_was_handed_over(self, tablet, night, gym):
        tablet.context.set_offline(True)
        add(tablet, envelopes(night))
        tablet.get_by_role("button", name="Lock").click()
        tablet.get_by_role("button", name="Passphrase forgotten").click()
        tablet.get_by_role("button", name="Erase what lies on this tablet").click()
        expect(tablet.get_by_text("Something is not sent. Save it to a file")).to_be_visible()
        tablet.get_by_role("checkbox").check()
        tablet.get_by_role("button", name="Erase what lies on this tablet").click()
        expect(tablet.get_by_role("heading", name="Get this tablet ready")).to_be_visible()
        assert tablet.evaluate(RAW) == {"records": [], "keys": []}


class TestScreens:
    def test_signing_out_warns_while_something_is_not_sent(self, tablet, night, gym):
        tablet.context.set_offline(True)
        add(tablet, envelopes(night))
        tablet.get_by_role("button", name="Sign out").click()
        expect(tablet.get_by_role("heading", name="1 not sent yet")).to_be_visible()
        tablet.get_by_role("button", name="See what is not sent").click()
        expect(tablet.get_by_role("heading", name="Not sent yet")).to_be_visible()

    def test_every_panel_keeps_to_the_rules(self, tablet, night, gym):
        first, second = envelopes(night, 2)
        gym.refused = {first["id"]}
        look(tablet, "tablet-ready")
        assert list_violations(tablet) == []
        add(tablet, [first, second])
        expect(state(tablet)).to_contain_text("needs attention", timeout=SLOWLY)
        for panel in ("unsent", "leaving", "locked", "forgotten", "begin"):
            tablet.evaluate(SHOW, panel)
            look(tablet, f"tablet-{panel}")
            assert list_violations(tablet) == [], panel
