// The tablet of a sign-up night: opens, locks, sends, and says what is not sent. The questions stand in steps.js.
import { Beat } from "./beat.js";
import { Line } from "./line.js";
import { ask, postEnvelope } from "./office.js";
import { loadPack, refreshPack } from "./pack.js";
import { Queue } from "./queue.js";
import { check } from "./ready.js";
import { describe, showStatus } from "./state-line.js";
import { startSteps } from "./steps.js";
import { UnsentPanel, watchSaving } from "./unsent.js";
import * as vaults from "./vault.js";
import { watchWorker } from "./keeping.js";

const LOCK_AFTER_MS = 5 * 60_000;
const LOOK_EVERY_MS = 20_000;
const PACK_EVERY_MS = 2 * 60_000;
const TOUCHES = ["pointerdown", "keydown", "input", "scan"];

class Tablet {
  constructor(page) {
    this.page = page;
    this.night = Number(location.pathname.match(/^\/tablet\/(\d+)\/$/)?.[1]);
    const here = (address) => address.replace("/0/", `/${this.night}/`);
    const { packUrl, takeInUrl, doorUrl, signInUrl, signOutUrl, beatUrl, giveUpUrl, nextUrl, numberUrl } = page.body.dataset;
    this.urls = { pack: here(packUrl), takeIn: here(takeInUrl), door: here(doorUrl), beat: here(beatUrl), giveUp: here(giveUpUrl), next: here(nextUrl), number: here(numberUrl), signIn: `${signInUrl}?next=${location.pathname}`, signOut: signOutUrl };
    this.store = page.getElementById("store");
    this.steps = page.getElementById("steps");
    this.leaving = false;
    this.loaded = { why: "" };
    this.at = "begin";
  }

  async begin() {
    for (const link of this.page.querySelectorAll("[data-sign-in]")) {
      link.href = this.urls.signIn;
      link.addEventListener("click", () => { this.leaving = true; });
    }
    this.watchForms();
    this.watchButtons();
    watchSaving(this.page, { night: this.night, say: (words) => this.say(words) });
    addEventListener("beforeunload", (event) => { if (!this.leaving && this.queue?.status().unsent) event.preventDefault(); });
    addEventListener("unhandledrejection", ({ reason }) => this.trouble(reason));
    watchWorker(() => !this.vault);
    await this.showClosed();
  }

  async showClosed() {
    const there = await vaults.exists();
    await this.tellClosed();
    this.show(there ? "locked" : "begin");
    setInterval(() => { if (!this.vault) this.tellClosed(); }, LOOK_EVERY_MS);
  }

  /** What can be said without the key: how many wait, and since when. */
  async tellClosed() {
    const { waiting, oldest } = await vaults.look();
    const minutes = oldest ? Math.floor((Date.now() - oldest) / 60_000) : 0;
    const found = { unsent: waiting, oldestMinutes: minutes, attention: [], online: navigator.onLine, signedOut: false };
    this.tellState(waiting || !navigator.onLine ? describe(found) : { tone: "quiet", words: "Locked" });
    const count = waiting === 1 ? "1 sign-up is" : `${waiting} sign-ups are`;
    this.part("[data-locked-words]").textContent = waiting
      ? `${count} not sent yet, oldest ${minutes} min. They stay here, sealed, and are sent when the tablet is open and has a network.`
      : "Nothing waits to be sent.";
    this.part("[data-forgotten-words]").textContent = waiting ? `${count} not sent yet.` : "Nothing waits to be sent: erasing loses no sign-up.";
    for (const part of this.store.querySelectorAll('[data-panel="forgotten"] [data-when-unsent]')) part.hidden = !waiting;
  }

  part(selector) { return this.store.querySelector(selector); }

  show(name) {
    this.at = name;
    const inSteps = name === "steps";
    this.steps.hidden = !inSteps;
    this.store.hidden = inSteps;
    this.page.querySelector(".skip").href = inSteps ? "#steps" : "#store";
    for (const panel of this.store.querySelectorAll("[data-panel]")) panel.hidden = panel.dataset.panel !== name;
    const first = inSteps ? this.steps : this.part(`[data-panel="${name}"] :is(input, h1)`);
    if (first?.tagName === "H1") first.tabIndex = -1;
    first?.focus();
  }

  say(words) { this.notice("info", words); }

  trouble(error) {
    this.notice("bad", error?.message ?? "Something went wrong on this tablet. What was signed stays here.");
  }

  notice(tone, words) {
    const place = this.page.querySelector("[data-trouble]");
    place.hidden = !words;
    place.querySelector(".notice").className = `notice notice-${tone}`;
    place.querySelector(".notice p").textContent = words;
  }

  tellState({ tone, words }) { showStatus(this.page.querySelector("[data-state]"), tone, words); }

  watchForms() {
    const acts = {
      begin: async ({ phrase, again }) => {
        if (phrase.value !== again.value) throw new Error("The two are not the same. Type the passphrase twice, letter by letter.");
        await this.enter(await vaults.create(phrase.value));
      },
      open: async ({ phrase }) => this.enter(await vaults.open(phrase.value)),
      wipe: async ({ handed }) => {
        if ((await vaults.look()).waiting && !handed.checked) throw new Error("Something is not sent. Save it to a file and hand it over first, then tick the line above.");
        await vaults.wipe();
        location.reload();
      },
    };
    for (const [name, act] of Object.entries(acts)) {
      const form = this.part(`[data-form="${name}"]`);
      form.addEventListener("submit", async (event) => {
        event.preventDefault();
        const [trouble, button] = [form.querySelector("[data-error]"), form.querySelector("button")];
        trouble.hidden = button.disabled = true;
        try { await act(form.elements); form.reset(); } catch (error) {
          Object.assign(trouble, { hidden: false, textContent: error.message });
          form.elements[0].focus();
        } finally { button.disabled = false; }
      });
    }
  }

  watchButtons() {
    this.page.addEventListener("click", (event) => {
      const target = event.target.closest("[data-show]");
      if (target) this.show(target.dataset.show);
      if (target?.dataset.show === "ready") this.check();
    });
    this.page.querySelector("[data-lock]").addEventListener("click", () => this.lock());
    this.page.querySelector("[data-sign-out]").addEventListener("click", () => this.signOut());
    this.part("[data-leave]").addEventListener("click", () => this.signOut(true));
    this.part("[data-start]").addEventListener("click", () => this.startSteps());
    this.part("[data-back]").addEventListener("click", () => (this.loaded.pack ? this.startSteps() : this.show("ready")));
    this.part("[data-check-again]").addEventListener("click", () => this.check(true));
  }

  async enter(vault) {
    this.vault = vault;
    const takeIn = (envelope, token) => postEnvelope(this.urls.takeIn)(envelope, token);
    const giveUp = (facts, token) => postEnvelope(this.urls.giveUp)(facts, token);
    this.queue = new Queue(vault, { takeIn, door: () => ask(this.urls.door), giveUp });
    this.queue.onChange((status) => this.tellState(describe(status)));
    this.unsent = new UnsentPanel(this.part('[data-panel="unsent"]'), { queue: this.queue, packOf: () => this.loaded.pack, say: (words) => this.say(words) });
    await this.queue.start();
    new Beat({ vault, queue: this.queue, address: this.urls.beat }).start();
    for (const part of this.page.querySelectorAll("[data-when-open]")) part.hidden = false;
    this.page.querySelector('[data-show="unsent"]').disabled = false;
    this.watchIdle();
    const before = await vault.get("pack", this.night);
    this.use({ pack: before, why: "" });
    if (before && await vault.get("draft", "current")) this.startSteps();
    else { this.show("ready"); await this.check(true); }
  }

  use(loaded) {
    this.loaded = loaded;
    const name = loaded.pack?.night.school;
    if (name) this.page.querySelector("[data-night-name]").textContent = name;
  }

  async check(fresh = false) {
    const panel = this.part('[data-panel="ready"]');
    panel.querySelector("[data-ready-title]").textContent = "Looking at this tablet";
    if (fresh) this.use(await loadPack({ vault: this.vault, night: this.night, address: this.urls.pack }));
    await check({ panel, queue: this.queue, loaded: this.loaded });
  }

  async startSteps() {
    this.notice("info", "");
    this.show("steps");
    if (this.started) { (await this.started).use(this.loaded.pack); return; }
    const line = new Line({ vault: this.vault, queue: this.queue, urls: this.urls });
    this.started = startSteps({ vault: this.vault, queue: this.queue, pack: this.loaded.pack, root: this.steps, line });
    await this.started;
  }

  watchIdle() {
    let touched = Date.now();
    for (const name of TOUCHES) addEventListener(name, () => { touched = Date.now(); }, { capture: true, passive: true });
    setInterval(() => {
      if (Date.now() - touched >= LOCK_AFTER_MS) this.lock();
      else this.lookAround().catch((error) => this.trouble(error));
    }, LOOK_EVERY_MS);
    this.lookAgain = () => { if (Date.now() - touched >= LOCK_AFTER_MS) this.lock(); };
    document.addEventListener("visibilitychange", this.lookAgain);
  }

  async lookAround() {
    await this.queue.refresh();
    await this.refreshPack();
    (await this.started)?.refreshAge();
  }

  /** Asks for the list anew every two minutes while there is a network; a sign-up under way takes it between two questions. */
  async refreshPack() {
    const { signedOut } = this.queue.status();
    if (!this.loaded.pack || !navigator.onLine || signedOut || this.leaving || Date.now() - (this.packAskedAt ?? 0) < PACK_EVERY_MS) return;
    this.packAskedAt = Date.now();
    const found = await refreshPack({ vault: this.vault, night: this.night, address: this.urls.pack, known: this.loaded.pack });
    if (!found.pack) return;
    this.loaded = { pack: found.pack, why: "" };
    (await this.started)?.offer(found.pack);
  }

  /** Forgets the key and everything on the page: the page opens anew, from the device. */
  lock() {
    this.leaving = true;
    this.queue?.stop();
    this.vault?.lock();
    location.reload();
  }

  async signOut(anyway = false) {
    const unsent = (await vaults.look()).waiting;
    if (unsent && !anyway) {
      this.part("[data-leaving-title]").textContent = `${unsent} not sent yet`;
      this.show("leaving");
      return;
    }
    const answer = await ask(this.urls.door).catch(() => null);
    if (!answer) { this.trouble(new Error("Signing out needs the network. Lock the tablet instead.")); return; }
    if (answer.status === 200) await ask(this.urls.signOut, { method: "POST", headers: { "X-CSRFToken": answer.body.csrf } });
    this.queue?.stop();
    if (!unsent) await vaults.wipe();
    this.leaving = true;
    this.vault?.lock();
    location.assign(this.urls.signIn);
  }
}

new Tablet(document).begin();
