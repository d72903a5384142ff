// Tells the office how many sign-ups this tablet still holds, so that the lead sees it and nobody closes the night over them.
// Figures only: no family, no name. Without a network it says nothing; the last word stands.
import { ask } from "./office.js";

const SOON_MS = 2_000;
const LOOK_EVERY_MS = 15_000;
const SAY_EVERY_MS = 60_000;

/** The id of this tablet, made once. */
export const deviceOf = async (vault) => {
  const kept = await vault.get("count", "device");
  if (kept) return kept.id;
  const id = crypto.randomUUID();
  await vault.put("count", "device", { id });
  return id;
};

export class Beat {
  #vault; #queue; #address; #timer; #busy = false; #said = ""; #saidAt = 0;

  constructor({ vault, queue, address }) {
    this.#vault = vault;
    this.#queue = queue;
    this.#address = address;
  }

  start() {
    this.#queue.onChange(() => this.#soon());
    setInterval(() => this.#soon(), LOOK_EVERY_MS);
    this.#soon();
  }

  #soon() {
    if (this.#busy) return;
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.tell().catch(() => {}), SOON_MS);
  }

  /** Says how much is held, when that is news or the last word is a minute old. */
  async tell() {
    if (!navigator.onLine || !this.#vault.isOpen || this.#busy) return;
    const { waiting, attention, oldestMinutes } = this.#queue.status();
    const figures = { waiting, attention: attention.length, oldest_minutes: oldestMinutes };
    const said = JSON.stringify([waiting, attention.length]);
    if (said === this.#said && Date.now() - this.#saidAt < SAY_EVERY_MS) return;
    this.#busy = true;
    try {
      const door = await this.#queue.knock();
      if (!door) return;
      const headers = { "Content-Type": "application/json", "X-CSRFToken": door.csrf };
      const body = JSON.stringify({ device: await deviceOf(this.#vault), ...figures });
      const { status } = await ask(this.#address, { method: "POST", headers, body });
      if (status === 200) [this.#said, this.#saidAt] = [said, Date.now()];
    } finally { this.#busy = false; }
  }
}
