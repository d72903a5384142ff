// What is signed and not with the office yet. An envelope is on the disk before anybody tries to send it and keeps its id however often it
// is sent, so the office does it once. It leaves this tablet in one of three ways: the office has it, the office cannot read it (it
// stays and needs attention), or a person who is signed in discards it with a reason. There is no fourth.
import { FullError } from "./vault.js";

const SHORTEST_MS = 1000;
const LONGEST_MS = 30_000;
const STUCK = 12; // so many errors of the office about one envelope, then the next may pass it
const HOUR = 3_600_000;
// What the office may have made of an envelope; "discarded" when a person there put it aside before this tablet heard of it.
const KEPT_THERE = new Set(["arrived", "arrived_without_unit", "attention", "discarded"]);

export const makeId = () => crypto.randomUUID();

/** Reads an answer to an envelope: {end: "sent" | "attention" | "later" | "sign in" | "token", why, field, pause, stuck}. Nothing else can come out. */
export const judge = (id, { status, moved, body, pause = 0 }) => {
  if (moved || status === 401) return { end: "sign in", why: "You were signed out. Sign in again; then it is sent." };
  if (status === 403) return { end: "token", why: "The office asks you to sign in again." };
  if (status === 200 && body?.id === id && KEPT_THERE.has(body.outcome)) return { end: "sent" };
  if (status === 200) return { end: "later", why: "Something between here and the office answered. If this Wi-Fi has a page to agree to, open that first." };
  if (status === 429) return { end: "later", why: "The office asks for a pause.", pause };
  if (status === 408 || status === 425 || status >= 500) return { end: "later", why: "The office answered with an error; it is tried again.", pause, stuck: true };
  return { end: "attention", why: body?.why ?? `The office could not take it (answer ${status}).`, field: body?.field ?? "" };
};

const alone = (name, work) => navigator.locks ? navigator.locks.request(name, work) : work();

export class Queue {
  #vault;
  #takeIn;
  #door;
  #giveUp;
  #rows = [];
  #sent = [];
  #listeners = new Set();
  #wait = SHORTEST_MS;
  #timer;
  #round;
  #stopped = false;
  #errors = new Map();
  #state = { reached: true, signedOut: false, why: "", person: "", clockOff: 0 };
  #name;
  #heard;
  #ends = new AbortController();

  /** `takeIn(envelope, token)` → {status, moved, body, pause}, rejects without an answer; `door()` and `giveUp(facts, token)` → {status, moved, body}. `name`: whose queue it is. */
  constructor(vault, { takeIn, door, giveUp, name = "night" }) {
    this.#vault = vault;
    this.#name = name;
    this.#heard = new BroadcastChannel(`${name}-queue`);
    this.#takeIn = takeIn;
    this.#door = door;
    this.#giveUp = giveUp;
    this.#heard.onmessage = () => this.refresh().then(() => { if (this.status().waiting) this.sendNow(); });
    const { signal } = this.#ends;
    const now = () => { this.#wait = SHORTEST_MS; this.sendNow(); };
    addEventListener("online", now, { signal });
    addEventListener("offline", () => this.#tell(), { signal });
    document.addEventListener("visibilitychange", () => { if (!document.hidden) now(); }, { signal });
  }

  /** Reads what lies on the device and begins to send. */
  async start() {
    await this.purge();
    await this.refresh();
    this.sendNow();
    return this;
  }

  /** Keeps an envelope; resolves with its id once it is on the disk. One that is here already stays as it is. */
  async add(envelope) {
    const id = envelope.id ?? makeId();
    await alone(`${this.#name}-sequence`, async () => {
      if (await this.#vault.get("envelope", id) || await this.#vault.get("sent", id)) return;
      const sequence = envelope.sequence ?? (await this.#vault.get("count", "sequence") ?? 0) + 1;
      if (envelope.sequence === undefined) await this.#vault.put("count", "sequence", sequence);
      await this.#vault.put("envelope", id, { envelope: { ...envelope, id, sequence }, state: "waiting" });
    });
    await this.refresh(true);
    this.sendNow();
    return id;
  }

  /** {waiting, oldestMinutes, attention: [{id, why, field, minutes}], arrived, unsent, online, signedOut, why, person, clockOffMinutes}. */
  status() {
    const now = Date.now();
    const minutes = (at) => Math.max(0, Math.floor((now - at) / 60_000));
    const held = this.#rows.filter((row) => row.object.state === "attention");
    return {
      waiting: this.#rows.length - held.length,
      unsent: this.#rows.length,
      oldestMinutes: this.#rows.length ? minutes(this.#rows[0].at) : 0,
      attention: held.map(({ id, at, object }) => ({ id, why: object.why, field: object.field, minutes: minutes(at) })),
      arrived: this.#sent.filter((row) => row.outcome !== "discarded").length,
      online: navigator.onLine && this.#state.reached,
      signedOut: this.#state.signedOut,
      why: this.#state.why,
      person: this.#state.person,
      clockOffMinutes: Math.round(this.#state.clockOff / 60_000),
    };
  }

  /** What is not sent, oldest first: [{id, at, object: {envelope, state, why}}]. */
  unsent() { return [...this.#rows]; }

  /** What the office has of this tablet, and what was discarded, without names: [{id, outcome, agreement, unit, instrument, at}]. */
  sent() { return [...this.#sent]; }

  /** Instruments this tablet gave out, sent or not. */
  givenOut() {
    const waiting = this.#rows.map((row) => row.object.envelope.instrument);
    const gone = this.#sent.filter((row) => row.outcome !== "discarded").map((row) => row.instrument);
    return new Set([...waiting, ...gone].filter(Boolean));
  }

  onChange(listener) {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  /** Reads the device again; `changed` tells other tabs to do the same. */
  async refresh(changed = false) {
    if (!this.#vault.isOpen) return;
    const order = (one, other) => one.at - other.at || one.object.envelope.sequence - other.object.envelope.sequence;
    this.#rows = (await this.#vault.entries("envelope")).sort(order);
    this.#sent = await this.#vault.all("sent");
    if (changed && !this.#stopped) this.#heard.postMessage("changed");
    this.#tell();
  }

  /** Sends what waits, in order, one tab at a time; resolves when this round is over. */
  sendNow() {
    if (this.#stopped) return Promise.resolve();
    clearTimeout(this.#timer);
    this.#round ??= alone(`${this.#name}-send`, () => this.#sendAll())
      .catch((error) => { this.#state.why = error instanceof FullError ? error.message : "Sending was interrupted; it is tried again."; })
      .finally(() => { this.#round = undefined; this.#tell(); this.#comeBack(); });
    return this.#round;
  }

  /** Asks the office who is signed in and keeps what its sign-ups say of that person; gives {csrf, person, now, …}, or null. */
  async knock() {
    let answer;
    try { answer = await this.#door(); } catch { answer = { status: 0 }; }
    const { status, moved, body } = answer;
    const known = status === 200 && Boolean(body?.csrf);
    this.#state.reached = known || moved || (status >= 400 && status < 500);
    this.#state.signedOut = !known && (Boolean(moved) || status === 401 || status === 403);
    this.#state.why = known ? "" : this.#whyNot(status);
    if (known) Object.assign(this.#state, { person: body.person, clockOff: Date.now() - Date.parse(body.now) });
    this.#tell();
    if (known && this.#vault.isOpen) await this.#vault.put("count", "person", { defer: Boolean(body.defer), takenBy: body.taken_by ?? "" });
    return known ? body : null;
  }

  #whyNot(status) {
    if (this.#state.signedOut) return "You were signed out. Sign in again; then it is sent.";
    if (status === 404) return "You are not on the staff of this night. Ask its lead to add you; what is signed stays here until then.";
    return "The office cannot be reached; it is tried again.";
  }

  async #sendAll() {
    await this.refresh();
    let token;
    for (const { id, object } of this.#rows) {
      if (this.#stopped || object.state !== "waiting") continue;
      token ??= (await this.knock())?.csrf;
      if (!token) return;
      if (!await this.#vault.get("envelope", id)) continue; // another tab was faster
      const verdict = await this.#send(object.envelope, token);
      if (verdict.end === "sent" || verdict.end === "attention") this.#wait = SHORTEST_MS;
      else if (!(verdict.stuck && this.#isStuck(id))) return;
    }
  }

  #isStuck(id) {
    const times = (this.#errors.get(id) ?? 0) + 1;
    this.#errors.set(id, times);
    return times >= STUCK;
  }

  async #send(envelope, token) {
    const verdict = await this.#ask(envelope, token);
    this.#state.why = verdict.why ?? "";
    this.#state.reached = !verdict.lost;
    this.#state.signedOut = verdict.end === "sign in";
    this.#pause = verdict.pause ?? 0;
    if (verdict.end === "sent") await this.#keepSent(envelope, verdict.body);
    if (verdict.end === "attention") await this.#hold(envelope.id, verdict);
    return verdict;
  }

  #pause = 0;

  async #ask(envelope, token) {
    for (const last of [false, true]) {
      let answer;
      try { answer = await this.#takeIn(envelope, token); } catch { return { end: "later", why: "The office cannot be reached; it is tried again.", lost: true }; }
      const verdict = judge(envelope.id, answer);
      if (verdict.end !== "token") return { ...verdict, body: answer.body };
      if (last) return { ...verdict, end: "sign in" };
      token = (await this.knock())?.csrf; // a token of an earlier sign-in: fetch a fresh one, once
      if (!token) return { end: "later", why: this.#state.why };
    }
    throw new Error("unreachable");
  }

  async #keepSent({ id, instrument, item }, { outcome, agreement = "", url = "", unit = "", why = "", collect = "" }) {
    await this.#vault.put("sent", id, { id, outcome, agreement, url, unit, why, collect, item, instrument, at: Date.now() });
    await this.#vault.remove("envelope", id);
    await this.refresh(true);
  }

  async #hold(id, { why, field }) {
    await this.#change(id, { state: "attention", why, field });
  }

  async #change(id, changes) {
    const row = this.#rows.find((each) => each.id === id);
    const object = await this.#vault.get("envelope", id);
    if (object) await this.#vault.put("envelope", id, { ...object, ...changes }, row?.at);
    await this.refresh(true);
  }

  /** Tries an envelope again that needs attention. */
  async tryAgain(id) {
    await this.#change(id, { state: "waiting", why: "", field: "" });
    await this.sendNow();
  }

  /** Lets an envelope that needs attention go: only a person who is signed in now, with a reason of a few words, and once the office
   * has noted it. Gives who that was. */
  async discard(id, reason) {
    const words = reason.trim();
    if (words.length < 5) throw new Error("Write in a few words why this sign-up is given up.");
    const object = await this.#vault.get("envelope", id);
    if (object?.state !== "attention") throw new Error("Only what the office could not take can be given up. This one is still being sent.");
    const door = await this.knock();
    if (!door) throw new Error("Giving up a sign-up needs the network and your sign-in: the office must know who does it.");
    const { item, instrument, device, made_at, payment } = object.envelope;
    const answer = await this.#giveUp({ id, device, made_at, reason: words, paid: payment?.amount ?? "0.00" }, door.csrf).catch(() => ({}));
    if (answer.status !== 200) throw new Error("The office did not note it, so the sign-up stays here. Try again in a moment.");
    const person = answer.body?.by ?? door.person;
    await this.#vault.put("sent", id, { id, outcome: "discarded", by: person, why: words, item, instrument, at: Date.now() });
    await this.#vault.remove("envelope", id);
    await this.refresh(true);
    return person;
  }

  /** Forgets what is 48 hours old, except what is not sent: that stays until it is. */
  async purge(now = Date.now()) {
    for (const kind of ["sent", "pack", "draft"]) await this.#vault.purge(kind, now - 48 * HOUR);
  }

  #comeBack() {
    clearTimeout(this.#timer);
    if (this.#stopped || !this.status().waiting) { this.#wait = SHORTEST_MS; return; }
    const pause = Math.max(this.#pause, this.#wait * (0.5 + Math.random() / 2));
    this.#wait = Math.min(LONGEST_MS, this.#wait * 2);
    this.#timer = setTimeout(() => this.sendNow(), Math.min(pause, LONGEST_MS));
  }

  #tell() { if (!this.#stopped) for (const listener of this.#listeners) listener(this.status()); }

  stop() {
    this.#stopped = true;
    clearTimeout(this.#timer);
    this.#ends.abort();
    this.#heard.close();
  }
}
