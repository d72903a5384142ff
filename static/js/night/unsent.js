// The list of what is not with the office, and what can be done about each.
import { download, makeFile, readFile } from "./handoff.js";
import { showStatus } from "./state-line.js";

const nameOf = ({ student, household, guardian }, pack) => {
  const family = pack?.families.find((each) => each.household === household?.id);
  const child = student?.given_name ? student : family?.students.find((each) => each.id === student?.id);
  const name = child ? `${child.given_name} ${child.family_name}` : "A student";
  return [name, household?.name ?? family?.name ?? guardian?.family_name].filter(Boolean).join(", family ");
};

const stateOf = ({ state }) => state === "attention" ? ["bad", "Needs attention"] : ["info", "Not sent yet"];

export class UnsentPanel {
  constructor(panel, { queue, packOf, say, night }) {
    Object.assign(this, { panel, queue, packOf, say, night });
    this.list = panel.querySelector("[data-unsent-list]");
    this.row = panel.querySelector("[data-unsent-row]");
    panel.querySelector("[data-send-now]").addEventListener("click", () => this.send());
    this.list.addEventListener("click", (event) => this.press(event));
    this.list.addEventListener("submit", (event) => this.discard(event));
    panel.querySelector('[data-form="take-in"]').addEventListener("submit", (event) => this.takeIn(event));
    queue.onChange(() => this.show());
  }

  show() {
    const { unsent, why, signedOut, oldestMinutes, arrived } = this.queue.status();
    const words = unsent
      ? `The office does not have ${unsent === 1 ? "this one" : `these ${unsent}`}. The oldest has waited ${oldestMinutes} min. ${why}`
      : `The office has everything that was signed on this tablet${arrived ? `: ${arrived} tonight` : ""}.`;
    this.panel.querySelector("[data-unsent-title]").textContent = unsent ? "Not sent yet" : "All sent";
    this.panel.querySelector("[data-unsent-words]").textContent = words.trim();
    this.panel.querySelector("[data-sign-in]").hidden = !signedOut;
    this.panel.querySelector("[data-send-now]").hidden = !unsent;
    for (const part of this.panel.querySelectorAll("[data-when-unsent]")) part.hidden = !unsent;
    const rows = this.queue.unsent();
    const known = new Map([...this.list.children].map((line) => [line.dataset.id, line]));
    // Lines that stay are kept as they stand: somebody may be writing a reason in one.
    this.list.replaceChildren(...rows.map((row) => this.fill(known.get(row.id) ?? this.make(row), row)));
  }

  make({ id, object }) {
    const line = this.row.content.firstElementChild.cloneNode(true);
    line.dataset.id = id;
    const field = line.querySelector("[name=reason]");
    field.id = `reason-${id}`;
    line.querySelector("[data-reason-label]").htmlFor = field.id;
    line.querySelector("[data-reason-hint]").id = `${field.id}-hint`;
    field.setAttribute("aria-describedby", `${field.id}-hint`);
    line.querySelector("[data-name]").textContent = nameOf(object.envelope, this.packOf());
    return line;
  }

  fill(line, { at, object }) {
    const minutes = Math.max(0, Math.floor((Date.now() - at) / 60_000));
    line.querySelector("[data-age]").textContent = `signed ${minutes} min ago`;
    showStatus(line.querySelector("[data-row-status]"), ...stateOf(object));
    line.querySelector("[data-row-why]").textContent = object.why ?? "";
    line.querySelector("[data-held]").hidden = object.state !== "attention";
    return line;
  }

  async send() {
    await this.queue.sendNow();
    const { unsent, why } = this.queue.status();
    this.say(unsent ? why : "All sent.");
  }

  async press(event) {
    const button = event.target.closest("[data-retry]");
    if (!button) return;
    await this.queue.tryAgain(button.closest("li").dataset.id);
  }

  async discard(event) {
    event.preventDefault();
    const form = event.target;
    const trouble = form.querySelector("[data-error]");
    try {
      const person = await this.queue.discard(form.closest("li").dataset.id, form.elements.reason.value);
      this.say(`Given up by ${person}. The office has noted it.`);
    } catch (error) {
      Object.assign(trouble, { hidden: false, textContent: error.message });
      form.elements.reason.focus();
    }
  }

  async takeIn(event) {
    event.preventDefault();
    const form = event.target;
    const trouble = form.querySelector("[data-error]");
    trouble.hidden = true;
    try {
      const [file] = form.elements.file.files;
      if (!file) throw new Error("Choose the file of the other tablet first.");
      const envelopes = await readFile(await file.text(), form.elements.phrase.value);
      for (const envelope of envelopes) await this.queue.add(envelope);
      form.reset();
      this.say(`${envelopes.length} taken in.`);
    } catch (error) {
      Object.assign(trouble, { hidden: false, textContent: error.message });
    }
  }
}

/** Every button that saves the file, also on a locked tablet. */
export function watchSaving(root, { night, say }) {
  for (const button of root.querySelectorAll("[data-save-file]")) {
    button.addEventListener("click", async () => {
      const file = await makeFile(night);
      download(file);
      say(`${file.count} saved to ${file.name}.`);
    });
  }
}
