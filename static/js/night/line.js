// The waiting line, as the tablet sees it: calls the next family and gives a number back. It needs the network; a sign-up never does.
// Signing ends a number at the office, when the sign-up arrives there.
import { deviceOf } from "./beat.js";
import { ask } from "./office.js";

const HEARD = ["count", "line"];

export class Line {
  #vault; #queue; #urls;

  /** `urls.next` calls, `urls.number` is the address of number 0. */
  constructor({ vault, queue, urls }) {
    this.#vault = vault;
    this.#queue = queue;
    this.#urls = urls;
  }

  get online() { return this.#queue.status().online; }

  /** Calls the next family: {number, code, note}, number null when nobody waits; null when the office does not answer. */
  async next() {
    const heard = (await this.#vault.get(...HEARD))?.number ?? null; // an answer that was lost on the way is given again
    const told = await this.#post(this.#urls.next, { "Content-Type": "application/json" }, JSON.stringify({ device: await deviceOf(this.#vault), heard }));
    if (told?.number) await this.#vault.put(...HEARD, { number: told.number });
    return told;
  }

  /** Puts a called number back in line, behind the next two; gives whether the office did. */
  async giveBack(number) {
    return Boolean(await this.#post(this.#urls.number.replace("/0/", `/${number}/`), {}, new URLSearchParams({ act: "back" })));
  }

  async #post(address, headers, body) {
    try {
      const door = await this.#queue.knock();
      if (!door) return null;
      const answer = await ask(address, { method: "POST", headers: { ...headers, "X-CSRFToken": door.csrf }, body });
      return answer.status === 200 ? answer.body : null;
    } catch { return null; }
  }
}
