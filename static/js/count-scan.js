// The scan page of a stock count. Every scan gets an id here before it is sent and keeps it however often it is sent again, so that it is
// one scan; until the office has answered it stays in this tab (also over a reload) and the page says how many are not yet sent.
// Without this script the form sends one scan at a time.
import { sound } from "./count-sound.js";

const SAME_MS = 3000;
const AT_ONCE = 50;
const PATIENCE_MS = 10000;
const LAST = 12;
const LATER = { tone: "info", word: "Not yet sent", text: "It is kept here and sent as soon as the office answers." };

const makeId = () => crypto.randomUUID?.() ?? "10000000-1000-4000-8000-100000000000".replace(/[018]/g, (digit) =>
  (Number(digit) ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (Number(digit) / 4)))).toString(16));

class Queue {
  constructor(name) {
    this.name = name;
    this.rows = JSON.parse(sessionStorage.getItem(name) ?? "[]");
  }

  keep() {
    try { sessionStorage.setItem(this.name, JSON.stringify(this.rows)); } catch { /* full: this page still holds them */ }
  }

  add(row) { this.rows.push(row); this.keep(); }

  drop(ids) { this.rows = this.rows.filter((row) => !ids.includes(row.id)); this.keep(); }
}

class CountPage {
  constructor(box) {
    this.box = box;
    this.form = box.querySelector("form.count-scan");
    this.field = box.querySelector("[data-wedge-field]");
    this.lines = box.querySelector("[data-lines]");
    this.unsent = box.querySelector("[data-unsent]");
    this.token = this.form.elements.csrfmiddlewaretoken.value;
    this.queue = new Queue(`count-${box.dataset.countId}`);
    this.device = localStorage.getItem("device") ?? makeId().slice(0, 8);
    localStorage.setItem("device", this.device);
    this.wait = 1000;
    this.last = { code: "", at: 0 };
    box.addEventListener("scan", (event) => { event.preventDefault(); this.add(event.detail.code); });
    this.form.addEventListener("submit", (event) => { event.preventDefault(); this.add(this.field.value); });
    this.lines.addEventListener("submit", (event) => { event.preventDefault(); this.undo(event.target.closest("li")); });
    addEventListener("online", () => this.send());
    addEventListener("beforeunload", (event) => { if (this.queue.rows.length) event.preventDefault(); });
    this.sound = sound(box);
    this.queue.rows.forEach((row) => this.show({ ...row, ...LATER }));
    this.count();
    this.send();
  }

  add(written) {
    const code = written.trim();
    this.field.value = "";
    this.field.focus();
    if (!code) return;
    const same = code.toUpperCase() === this.last.code && Date.now() - this.last.at < SAME_MS;
    this.last = { code: code.toUpperCase(), at: Date.now() };
    if (same) return; // one label read twice
    const row = { id: makeId(), code, at: Date.now() };
    this.queue.add(row);
    this.show({ ...row, ...LATER });
    this.count();
    this.send();
  }

  async send() {
    if (this.sending || !this.queue.rows.length) return;
    clearTimeout(this.again);
    this.sending = true;
    const rows = this.queue.rows.slice(0, AT_ONCE);
    const now = Date.now();
    const scans = rows.map(({ id, code, at }) => ({ id, code, seconds_ago: Math.max(0, (now - at) / 1000) }));
    const answer = await this.ask(this.box.dataset.scansUrl, {
      headers: { "Content-Type": "application/json" }, body: JSON.stringify({ device: this.device, scans }),
    });
    this.sending = false;
    if (answer.told) {
      this.wait = 1000;
      this.queue.drop(rows.map((row) => row.id));
      answer.told.forEach((told) => this.tell(told));
      this.tally(answer);
      this.count();
      this.send();
      return;
    }
    this.count(answer.words);
    this.again = setTimeout(() => this.send(), this.wait);
    this.wait = Math.min(this.wait * 2, 15000);
  }

  /** Asks the office; gives its answer, or `words`: why there is none. */
  async ask(url, options) {
    try {
      const headers = { "X-CSRFToken": this.token, Accept: "application/json", ...options.headers };
      const response = await fetch(url, { method: "POST", redirect: "manual", signal: AbortSignal.timeout(PATIENCE_MS), ...options, headers });
      if (response.ok) return await response.json();
      if (response.type === "opaqueredirect" || response.status === 403) return { words: "You were signed out. Sign in in another window; this page then goes on." };
      const said = await response.json().catch(() => ({}));
      return { words: said.error ?? "The office answered with an error; trying again." };
    } catch {
      return { words: "The office cannot be reached; trying again." };
    }
  }

  count(why = "") {
    const waiting = this.queue.rows.length;
    const words = why && waiting ? `${waiting} not yet sent. ${why}` : "";
    this.unsent.hidden = !words;
    if (this.unsent.textContent !== words) this.unsent.textContent = words;
    document.title = document.title.replace(/^(\(\d+ unsent\) )?/, words ? `(${waiting} unsent) ` : "");
  }

  tell(told) {
    this.show(told);
    const verdict = this.box.querySelector(`[data-verdict-of="${told.tone}"]`).content.firstElementChild.cloneNode(true);
    verdict.querySelector("[data-word]").textContent = told.word;
    verdict.querySelector("[data-code]").textContent = told.code;
    verdict.querySelector("[data-text]").textContent = [told.item, told.text].filter(Boolean).join(" · ");
    this.box.querySelector("[data-verdict]").replaceChildren(verdict);
    this.sound(told.tone);
  }

  show({ id, code, tone, word, verdict, item = "" }) {
    const line = this.box.querySelector(`[data-line-of="${tone}"]`).content.firstElementChild.cloneNode(true);
    line.dataset.line = id;
    line.querySelector("[data-word]").textContent = word;
    line.querySelector("[data-code]").textContent = code;
    line.querySelector("[data-item]").textContent = item;
    line.querySelector("[data-undo-name]").textContent = ` ${code}`;
    line.querySelector("[name=id]").value = id;
    if (verdict === "already" || verdict === "undone") line.querySelector("[data-undo]").remove();
    const old = this.lines.querySelector(`[data-line="${id}"]`);
    if (old) old.replaceWith(line);
    else this.lines.prepend(line);
    [...this.lines.children].slice(LAST).forEach((each) => { if (!this.queue.rows.some((row) => row.id === each.dataset.line)) each.remove(); });
    this.box.querySelector("[data-none]").hidden = true;
  }

  tally(answer) {
    this.box.querySelector("[data-scanned]").textContent = answer.scanned;
    this.box.querySelector("[data-aside]").textContent = answer.aside;
  }

  async undo(line) {
    const id = line.dataset.line;
    this.last = { code: "", at: 0 };
    const waits = this.queue.rows.some((row) => row.id === id) && !this.sending;
    if (waits) this.queue.drop([id]);
    const answer = waits ? {} : await this.ask(this.box.dataset.undoUrl, { body: new URLSearchParams({ id }) });
    const word = line.querySelector("[data-word]");
    if (answer.words) word.textContent = answer.words;
    else {
      word.textContent = "Taken back";
      line.classList.add("is-undone");
      line.querySelector("[data-undo]").remove();
      if ("scanned" in answer) this.tally(answer);
    }
    this.count();
    this.field.focus();
  }
}

for (const box of document.querySelectorAll("[data-count]")) new CountPage(box);
