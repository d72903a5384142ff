// A desk where one scan follows the other: form[data-scan-desk]. Scans are sent one at a time, in the order they were made, and what
// the answer says goes into the parts of the page that carry the same data-desk-part; nobody waits, no click is needed, and the field
// keeps the focus. A scan that could not be sent waits and is tried again, with the key the page gave it, so that it is done once.
// Forms with data-desk-send (undo, a card's button) go the same way. Without this script every form is sent as forms are.
import { sound, watchSound } from "./sounds.js";

const AGAIN_MS = 3000;

const desk = document.querySelector("form[data-scan-desk]");
const field = desk?.querySelector("[data-wedge-field]");
const waits = desk?.querySelector("[data-desk-waits]");
const queue = [];
let busy = false;

const say = (words) => {
  if (!waits) return;
  waits.textContent = words;
  waits.hidden = !words;
};

const put = (html) => {
  const made = document.createElement("template");
  made.innerHTML = html;
  for (const part of made.content.querySelectorAll("[data-desk-part]")) {
    const here = document.querySelector(`[data-desk-part="${CSS.escape(part.dataset.deskPart)}"]`);
    if (here) {
      here.innerHTML = part.innerHTML;
      window.htmx?.process(here);
    }
  }
  sound(made.content.querySelector("[data-tone]")?.dataset.tone);
};

/** Sends one form; gives false when it has to be tried again. */
const send = async ({ form, code }) => {
  const body = new URLSearchParams(new FormData(form));
  if (code) body.set("code", code);
  let answer;
  try {
    answer = await fetch(form.action, { method: "POST", body, headers: { "HX-Request": "true", "HX-Current-URL": location.href } });
  } catch {
    return false;
  }
  const elsewhere = answer.headers.get("HX-Redirect") ?? (answer.redirected ? answer.url : "");
  if (elsewhere) location.assign(elsewhere);
  else if (answer.ok || answer.status === 422 || answer.status === 409) put(await answer.text());
  else if (answer.status >= 500 || answer.status === 429) return false;
  else location.reload();
  return true;
};

const pump = async () => {
  if (busy) return;
  busy = true;
  while (queue.length) {
    if (await send(queue[0])) queue.shift();
    else {
      say(`${queue.length} scan${queue.length === 1 ? "" : "s"} not sent yet. It is tried again by itself; leave this page open.`);
      await new Promise((done) => setTimeout(done, AGAIN_MS));
    }
  }
  busy = false;
  say("");
  if (document.activeElement === document.body) field?.focus({ preventScroll: true });
};

const take = (form, code) => {
  queue.push({ form, code });
  pump();
};

if (desk) {
  desk.addEventListener("scan", (event) => {
    event.preventDefault();
    field.value = "";
    take(desk, event.detail.code);
  });
  desk.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = event.submitter?.name === "code" ? event.submitter.value : ""; // the same card as a button
    const code = button || field.value.trim();
    field.value = "";
    if (code) take(desk, code);
    field.focus({ preventScroll: true });
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("[data-desk-send]")) return;
    event.preventDefault();
    take(event.target, "");
  });
  window.addEventListener("beforeunload", (event) => { if (queue.length) event.preventDefault(); });
  watchSound(document);
}
