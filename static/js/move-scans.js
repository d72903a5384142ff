// Sends the scans of a round one after the other, so that a slow line loses none: the field is free for the next one at once.
// Where: [data-moves] with a form that has [data-wedge-field] and a hidden id, [data-live] (what the server answers), [data-unsent].
// Each scan has an id of its own, so one that is sent again is one scan. Without this script the form sends itself, page by page.

import { sound } from "./count-sound.js";

const AGAIN = 3000;

class Round {
  constructor(box) {
    this.box = box;
    this.form = box.querySelector("form");
    this.field = box.querySelector("[data-wedge-field]");
    this.live = box.querySelector("[data-live]");
    this.unsent = box.querySelector("[data-unsent]");
    this.sound = sound(box);
    this.waiting = [];
    this.busy = false;
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.take(this.field.value.trim());
    });
    window.addEventListener("beforeunload", (event) => {
      if (this.waiting.length) event.preventDefault();
    });
    window.addEventListener("online", () => this.send());
  }

  take(code) {
    this.field.value = "";
    this.field.focus();
    if (!code) return;
    const body = new FormData(this.form);
    body.set("code", code);
    body.set("id", crypto.randomUUID());
    this.waiting.push(body);
    this.send();
  }

  async send() {
    if (this.busy || !this.waiting.length) return;
    this.busy = true;
    try {
      const answer = await fetch(this.form.action, { method: "POST", body: this.waiting[0], headers: { "X-Scan": "1" }, redirect: "error" });
      if (!answer.ok) throw new Error(String(answer.status));
      this.live.innerHTML = await answer.text();
      this.waiting.shift();
      this.sound(this.live.querySelector("[data-tone]")?.dataset.tone ?? "info");
      this.tell("");
    } catch {
      this.tell(`${this.waiting.length} not sent yet. Stay on this page: they are tried again every few seconds. If it lasts, sign in again in another tab.`);
      setTimeout(() => this.send(), AGAIN);
      return;
    } finally {
      this.busy = false;
    }
    this.send();
  }

  tell(words) {
    this.unsent.textContent = words;
    this.unsent.hidden = !words;
  }
}

for (const box of document.querySelectorAll("[data-moves]")) new Round(box);
