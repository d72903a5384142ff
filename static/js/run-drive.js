// A run driven where the network comes and goes. Every scan, signature and word of the driver is on the device before it is sent, with a key
// of its own (night/queue.js), so that a lost connection, a reload or a closed tab loses nothing and nothing is done twice. What is not sent
// stands on the screen. The pages of the other stops are fetched in advance and kept in memory only: they name addresses. What lies on the
// disk is sealed and names no student: tag, run, the adult who signed and the drawing; it goes the moment the office has it.
// Without this script, or where the browser keeps nothing, every form is sent as forms are.
import { ask } from "./night/office.js";
import { Queue, makeId } from "./night/queue.js";
import { openHere, useDatabase } from "./night/vault.js";
import { watchSignatures } from "./signature.js";
import { sound, watchSound } from "./sounds.js";

const SOON_MS = 1200;
const counted = (n, one) => `${n} ${n === 1 ? one : `${one}s`}`;
const part = (name) => document.querySelector(`[data-desk-part="${name}"]`);

const put = (html) => {
  const made = document.createElement("template");
  made.innerHTML = html;
  for (const fresh of made.content.querySelectorAll("[data-desk-part]")) {
    const here = part(fresh.dataset.deskPart);
    if (here) here.innerHTML = fresh.innerHTML;
  }
  free(document);
  sound(made.content.querySelector("[data-tone]")?.dataset.tone);
};

/** Forms that go by the queue are held by no guard against a second press: each press is one act, with its own key. */
const free = (root) => root.querySelectorAll("form[data-act]").forEach((form) => form.removeAttribute("data-once"));

const say = (tone, words, more) => {
  const made = document.querySelector(`template[data-said="${tone}"]`).content.cloneNode(true);
  made.querySelector("[data-words]").textContent = words;
  made.querySelector("[data-more]").textContent = more;
  part("verdict").replaceChildren(made);
  sound(tone);
};

const plain = (code) => code.trim().toUpperCase();
const tagsHere = () => [...document.querySelectorAll("[data-desk-part=state] li[data-tag]")].map((row) => plain(row.dataset.tag));

/** What is wrong with a form, in a sentence; "" when it can be kept. The office looks at all of it again. */
const wrong = (form, said) => {
  if (form.dataset.act === "hand_over" && said.how === "signed" && !said.receiver) return "Write the name of the adult who takes it.";
  if (form.dataset.act === "hand_over" && said.how === "safe" && !said.safe_place) return "Write where it is left, so that the family finds it.";
  if (form.dataset.act === "not_done" && !said.why) return "Write why, in a few words.";
  return "";
};

const inWords = ({ kind, code, receiver, safe_place, why, tag, place }) => ({
  scan: `Scan ${code}, ${place}`,
  hand_over: receiver ? `Signature of ${receiver}, ${place}` : `Left in a safe place, ${place}: ${safe_place}`,
  not_done: `Not done: ${tag}, ${why}`,
})[kind];

class Drive {
  constructor(queue) {
    this.queue = queue;
    this.pages = new Map();
  }

  start() {
    this.queue.onChange(() => this.showKept());
    document.addEventListener("scan", (event) => {
      if (!event.target.matches("[data-act]")) return;
      event.preventDefault();
      this.scan(event.target, event.detail.code);
    });
    document.addEventListener("submit", (event) => {
      const form = event.target;
      if (form.matches("[data-needs-all]") && this.queue.status().unsent) {
        event.preventDefault();
        event.stopImmediatePropagation();
        form.classList.remove("is-busy");
        delete form.dataset.sent;
        say("warn", "Not everything is sent yet", "Wait until the list below is empty, then press the button again.");
      }
      if (!form.matches("form[data-act]")) return;
      event.preventDefault();
      if (form.dataset.act === "scan") this.scan(form, form.elements.code.value);
      else this.take(form);
    }, true);
    document.addEventListener("click", (event) => {
      const link = event.target.closest("[data-stop-link]");
      if (link && !navigator.onLine && this.pages.has(link.href)) this.turnTo(event, link.href);
      const row = event.target.closest("[data-kept-row]");
      if (row && event.target.closest("[data-again]")) this.queue.tryAgain(row.dataset.keptRow);
      if (row && event.target.closest("[data-give-up]")) this.giveUp(row.dataset.keptRow);
    });
    window.addEventListener("beforeunload", (event) => { if (this.queue.status().unsent && !navigator.onLine) event.preventDefault(); });
    free(document);
    watchSound(document);
    this.showKept();
    this.fetchPages();
  }

  scan(form, code) {
    const said = code.trim();
    form.elements.code.value = "";
    form.elements.code.focus({ preventScroll: true });
    if (!said) return;
    const fields = new FormData(form);
    const isStranger = fields.get("step") === "stop" && !tagsHere().includes(plain(said));
    this.keep(form, { kind: "scan", code: said, step: fields.get("step"), at: fields.get("at") }, isStranger
      ? ["warn", `Not at this stop, by this page: ${said}`, "Kept, and asked when the network is back. Look at the label again before you hand it over."]
      : ["info", `Kept on this device: ${said}`, "It is sent by itself when the network is back."]);
  }

  async take(form) {
    const said = Object.fromEntries([...new FormData(form)].map(([name, value]) => [name, value.trim()]));
    const place = form.querySelector("[data-act-wrong]");
    place.textContent = wrong(form, said);
    place.hidden = !place.textContent;
    if (place.textContent) return;
    const { tag = "", load = "", at = "" } = form.dataset;
    const { how, receiver, strokes, safe_place: safe, why } = said;
    const act = form.dataset.act === "not_done" ? { kind: "not_done", at, load, tag, why } : { kind: "hand_over", at, how, receiver, strokes, safe_place: safe };
    if (!await this.keep(form, act, ["info", "Kept on this device", "It is sent by itself when the network is back."])) return;
    form.reset();
    form.querySelector("[data-signature-clear]")?.click();
    form.closest("details")?.removeAttribute("open");
  }

  /** Puts an act on the disk; tells so when the office did not answer soon. Gives false, and says why, when it could not be kept. */
  async keep(form, act, told) {
    const id = makeId();
    try {
      await this.queue.add({ ...act, id, to: form.closest("[data-acts]").dataset.acts, place: document.querySelector("h1").textContent.trim(), at_ms: Date.now() });
    } catch (error) {
      say("bad", "Not kept", `${error.message} Write it on the manifest.`);
      return false;
    }
    setTimeout(() => { if (this.queue.unsent().some((row) => row.id === id && row.object.state === "waiting")) say(...told); }, SOON_MS);
    return true;
  }

  async giveUp(id) {
    try { await this.queue.discard(id, "Taken off the list by the driver"); } catch (error) { say("bad", "Not taken off the list", error.message); }
  }

  showKept() {
    const { waiting, unsent, signedOut, why } = this.queue.status();
    const box = document.querySelector("[data-kept]");
    if (!box) return;
    box.hidden = !unsent;
    box.querySelector("[data-kept-words]").textContent = waiting
      ? `${counted(waiting, "act")} on this device, not with the office yet. ${why || "They are sent by themselves."}`
      : "The office could not take these. Look at each.";
    box.querySelector("[data-kept-sign-in]").hidden = !signedOut;
    box.querySelector("ul").replaceChildren(...this.queue.unsent().map(({ id, object }) => {
      const row = box.querySelector("template").content.cloneNode(true);
      const held = object.state === "attention";
      row.querySelector("li").dataset.keptRow = id;
      row.querySelector("[data-words]").textContent = inWords(object.envelope);
      row.querySelector("[data-why]").textContent = held ? object.why : "";
      row.querySelector("[data-held]").hidden = !held;
      return row;
    }));
  }

  /** Fetches the pages of the other stops, one after the other, so that the driver can go on to them without a network. */
  async fetchPages() {
    await new Promise((done) => setTimeout(done, SOON_MS)); // the page itself first
    for (const link of document.querySelectorAll("[data-stop-link]")) {
      try {
        const answer = await fetch(link.href, { redirect: "error", cache: "no-store" });
        if (answer.ok) this.pages.set(link.href, await answer.text());
      } catch { return; }
    }
    document.querySelector("[data-kept]").dataset.ready = "yes";
  }

  turnTo(event, address) {
    event.preventDefault();
    const made = new DOMParser().parseFromString(this.pages.get(address), "text/html");
    document.querySelector("main").replaceWith(made.querySelector("main"));
    document.title = made.title;
    history.replaceState(null, "", address);
    free(document);
    watchSignatures(document);
    this.showKept();
    document.querySelector("#code")?.focus();
  }
}

const takeIn = async ({ at_ms: since, to, place, tag, sequence, ...act }, token) => {
  const body = JSON.stringify({ ...act, age: Math.max(0, Math.round((Date.now() - since) / 1000)) });
  const answer = await ask(to, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token }, body });
  if (answer.body?.html && document.querySelector("#desk [name=at]")?.value === answer.body.at) put(answer.body.html);
  return answer;
};

const box = document.querySelector("[data-kept]");
if (box) {
  try {
    useDatabase("runs");
    const door = () => ask(box.dataset.door);
    // What the driver takes off the list needs no note: the run is not over before its instruments are dealt with.
    const giveUp = async () => ({ status: 200 });
    const queue = await new Queue(await openHere(), { takeIn, door, giveUp, name: "runs" }).start();
    new Drive(queue).start();
  } catch (error) {
    // This browser keeps nothing (a private window, a full disk): forms are sent as forms are.
    document.querySelector("[data-keeps-nothing]").hidden = false;
    console.warn(error);
  }
}
