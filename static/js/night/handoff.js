// What is not sent, as a file: sealed as it lies on the device, with the key wrapped under the passphrase of the tablet it comes from.
// Whoever finds the file without the passphrase has nothing. Ids stay, so a sign-up that is sent from two tablets is still one.
import { listSealed, unseal, unwrap } from "./vault.js";

const WHAT = "night unsent";

const toText = (bytes) => btoa(Array.from(new Uint8Array(bytes), (byte) => String.fromCharCode(byte)).join(""));
const toBytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

/** Gives {name, text, count}; works on a locked tablet, too. */
export async function makeFile(night, now = new Date()) {
  const { keys, rows } = await listSealed("envelope");
  const key = { salt: toText(keys.salt), rounds: keys.rounds, iv: toText(keys.iv), wrapped: toText(keys.wrapped) };
  const sealed = rows.map(({ kind, id, at, iv, sealed: inside }) => ({ kind, id, at, iv: toText(iv), sealed: toText(inside) }));
  const stamp = now.toISOString().slice(0, 16).replace(/[-:]/g, "").replace("T", "-");
  return { name: `not-sent-night-${night}-${stamp}.json`, text: JSON.stringify({ what: WHAT, format: 1, night, key, rows: sealed }), count: rows.length };
}

export function download({ name, text }) {
  const address = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  const link = Object.assign(document.createElement("a"), { href: address, download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}

/** Gives the envelopes of a file. Throws an Error with a sentence when it is none or the passphrase is another's. */
export async function readFile(text, passphrase) {
  let file;
  try { file = JSON.parse(text); } catch { file = {}; }
  if (file?.what !== WHAT || file.format !== 1 || !Array.isArray(file.rows)) throw new Error("That file holds no sign-ups of a tablet. Choose one whose name begins with “not-sent-night”.");
  const { salt, rounds, iv, wrapped } = file.key;
  const key = await unwrap(passphrase, { salt: toBytes(salt), rounds, iv: toBytes(iv), wrapped: toBytes(wrapped) });
  if (!key) throw new Error("That is not the passphrase of the tablet this file comes from. Ask who chose it.");
  const opened = await Promise.all(file.rows.map((row) => unseal(key, { ...row, iv: toBytes(row.iv), sealed: toBytes(row.sealed) })));
  return opened.map((object) => object.envelope);
}
