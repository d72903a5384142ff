// A pack that came during the evening: when a sign-up under way takes it, what it then must be told, and how old the list is.
import { firstUnfinished } from "./draft.js";
import { fromCents, toCents } from "./price.js";
import { dayInWords, dayOf, momentInWords } from "./when.js";

/** What must be said before the next question: a list older than the evening, or a price that is not the one told before. */
export function tellOfPack(walk) {
  const { pack, draft } = walk;
  const add = (...told) => { if (!walk.told.some((each) => each[1] === told[1])) walk.told.push(told); };
  if (pack.today < pack.night.on || dayOf(pack.made_at, pack.zone) < pack.night.on) {
    add("warn", "packOld", (language) => ({ when: momentInWords(pack.made_at, pack.zone, language), on: dayInWords(pack.night.on, language) }));
  } else walk.told = walk.told.filter(([, key]) => key !== "packOld");
  const now = walk.known().quote;
  if (draft.told && now && draft.pack !== pack.version && draft.told !== fromCents(now.dueToday) && draft.step !== "done") {
    add("warn", "packChanged", { was: walk.show(toCents(draft.told)), now: walk.show(now.dueToday) });
  }
}

/** Takes an instrument off the draft that is not free any more, and says so; gives whether there was one. */
export function dropGone(walk) {
  const { draft } = walk;
  if (!draft.instrument || walk.free().some((each) => each.id === draft.instrument)) return false;
  walk.told.push(["warn", "unitTakenSince", { tag: draft.tag_taken ?? "" }]);
  Object.assign(draft, { instrument: null, item: null, tag_taken: "" });
  return true;
}

/**
 * Takes a pack that waits, on the way to `step`; gives the step to go to. Between two questions only, never within one, and not once
 * the family has signed: what it signed was made of the pack before, and the office says what comes of it.
 */
export function takeFresh(walk, step) {
  const { fresh, draft } = walk;
  if (!fresh || draft.signature.text_sha256 || ["pay", "done"].includes(step)) return step;
  Object.assign(walk, { pack: fresh, fresh: null });
  const gone = dropGone(walk);
  tellOfPack(walk);
  return gone ? firstUnfinished(walk.steps(), step, walk.facts()) ?? step : step;
}

/** How old the list is, in words. */
export function ageInWords(pack, say, language, now = Date.now()) {
  const minutes = Math.max(0, Math.floor((now - Date.parse(pack.made_at)) / 60_000));
  if (minutes < 1) return say("listNow");
  return minutes < 60 ? say("listAge", { n: minutes }) : say("listFrom", { when: momentInWords(pack.made_at, pack.zone, language) });
}
