// Is this tablet ready for an evening without a network? Every line is tried here and now; "ready" is said only when all that matters holds.
import { showStatus } from "./state-line.js";
import { dayOf, momentInWords } from "./when.js";

const OLD_HOURS = 12;
const CLOCK_MINUTES = 5;

const counted = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;
const clock = (moment, zone) => new Date(moment).toLocaleTimeString("en-US", { hour: "numeric", minute: "2-digit", timeZone: zone });

/** Asks the worker whether page and files are all on the device. Gives a list of what is missing, or null without a worker. */
export async function listMissing(patience = 60_000) {
  if (!navigator.serviceWorker) return null;
  const { port1, port2 } = new MessageChannel();
  return new Promise((done) => {
    const late = setTimeout(() => done(null), patience);
    port1.onmessage = ({ data }) => { clearTimeout(late); done(data.missing); };
    // The first time, all files are still on their way: `ready` waits until they are here.
    navigator.serviceWorker.ready.then(({ active }) => active.postMessage("missing?", [port2]));
  });
}

const judgePack = (pack, why, now) => {
  if (!pack) return { ok: false, words: `Nothing is on the tablet yet. ${why}` };
  const hours = (now - Date.parse(pack.made_at)) / 3_600_000;
  const today = dayOf(pack.made_at, pack.zone) === dayOf(now, pack.zone);
  const what = `Pack of ${today ? clock(pack.made_at, pack.zone) : momentInWords(pack.made_at, pack.zone)}: ${counted(pack.units.length, "instrument")}, ${counted(pack.families.length, "family", "families")}.`;
  if (hours > OLD_HOURS) return { ok: false, words: `${what} It is ${Math.floor(hours)} hours old: load it again before the evening.` };
  return { ok: true, words: why ? `${what} Not loaded again now: ${why}` : what };
};

const judgeCold = (missing) => {
  if (missing === null) return { ok: false, words: navigator.serviceWorker ? "This browser has not kept the page yet. Wait a moment with the network on, then check again." : "This browser cannot keep the page. Open the office's address with https, in a browser of today." };
  if (missing.length) return { ok: false, words: `${counted(missing.length, "file")} missing. Check again with the network on.` };
  return { ok: true, words: "Page and files lie on the tablet, looked at just now." };
};

const keepForGood = async () => {
  try { return await navigator.storage.persisted() || await navigator.storage.persist(); } catch { return false; }
};

const judgeClock = (minutes) => Math.abs(minutes) > CLOCK_MINUTES
  ? { ok: false, words: `${Math.abs(minutes)} minutes ${minutes > 0 ? "ahead of" : "behind"} the office. Set the tablet's clock: signatures carry its time.` }
  : { ok: true, words: "Agrees with the office." };

/** Tries everything and shows it. Gives {ready, usable}: usable is a tablet that has a pack. */
export async function check({ panel, queue, loaded }) {
  const [missing, stays, door] = await Promise.all([listMissing(), keepForGood(), queue.knock()]);
  const { person, clockOffMinutes, signedOut, online, why } = queue.status();
  const results = {
    pack: judgePack(loaded.pack, loaded.why, Date.now()),
    cold: judgeCold(missing),
    stays: stays
      ? { ok: true, words: "The browser promised not to clear it by itself." }
      : { ok: false, soft: true, words: "The browser made no promise. Do not clear its data tonight, and send before the tablet is put away for days." },
    who: door ? { ok: true, words: `${person}.` } : { ok: false, soft: !signedOut, words: online || signedOut ? why : "Cannot be asked without a network." },
    clock: door ? judgeClock(clockOffMinutes) : { ok: false, soft: true, words: "Cannot be compared without a network." },
  };
  for (const [name, { ok, soft, words }] of Object.entries(results)) {
    const line = panel.querySelector(`[data-check="${name}"]`);
    showStatus(line.querySelector("[data-status-place]"), ok ? "good" : soft ? "warn" : "bad", ok ? "Yes" : soft ? "Not certain" : "No");
    line.querySelector("[data-words]").textContent = words;
  }
  const ready = Object.values(results).every(({ ok, soft }) => ok || soft);
  panel.querySelector("[data-ready-title]").textContent = ready ? "This tablet is ready" : "This tablet is not ready yet";
  panel.querySelector("[data-ready-words]").textContent = ready
    ? "It works tonight with or without a network."
    : "Set right what says “No” below, then check again.";
  panel.querySelector("[data-start]").hidden = !loaded.pack;
  panel.querySelector("[data-sign-in]").hidden = !signedOut;
  return { ready, usable: Boolean(loaded.pack) };
}
