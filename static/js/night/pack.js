// What the tablet knows of a night: fetched while there is a network, kept sealed, read from the device without one.
import { ask } from "./office.js";

const FORMAT = 1;

const isPack = (body, night) => body?.format === FORMAT && body.night?.id === night && Array.isArray(body.units);

/**
 * Fetches the pack anew and keeps it. Gives {pack} or {why}: one sentence. Where `known` is still what the office has, only its
 * moment is new: until then the office knows of nothing else.
 */
export async function refreshPack({ vault, night, address, known = null }) {
  let answer;
  const headers = known ? { "If-None-Match": `"${known.version}"` } : {};
  try { answer = await ask(address, { headers }, 60_000); } catch { return { why: "The office cannot be reached." }; }
  if (answer.moved || answer.status === 401) return { why: "You are signed out: sign in, then load it again.", signedOut: true };
  if (answer.status === 404) return { why: "You are not on the staff of this night: ask its lead to add you." };
  if (answer.status === 304 && known) {
    const same = { ...known, made_at: answer.date ? new Date(answer.date).toISOString() : known.made_at };
    await vault.put("pack", night, same);
    return { pack: same };
  }
  if (answer.status !== 200 || !isPack(answer.body, night)) return { why: "The office did not send what this night needs: try again in a moment." };
  await vault.put("pack", night, answer.body);
  return { pack: answer.body };
}

/** Gives the newest pack: from the office when it answers, else from the device; undefined when there is none. `why` says what kept a fresh one away. */
export async function loadPack({ vault, night, address, fresh = true }) {
  const found = fresh && navigator.onLine ? await refreshPack({ vault, night, address }) : { why: "No network." };
  return { pack: found.pack ?? await vault.get("pack", night), why: found.why ?? "", signedOut: found.signedOut ?? false };
}

/** The pack's instruments that this tablet has not given out. */
export function freeUnits(pack, queue) {
  const gone = queue.givenOut();
  return pack.units.filter((unit) => !gone.has(unit.id));
}
