// The line in the header: what is not with the office, always, in the same words. "Saved" is never said of what only lies here.

/** Gives {tone, words} of a queue's status. */
export function describe({ unsent, oldestMinutes, attention, online, signedOut }) {
  const held = attention.length ? `, ${attention.length} need${attention.length === 1 ? "s" : ""} attention` : "";
  const waits = unsent ? `${unsent} not sent yet, oldest ${oldestMinutes} min${held}` : "";
  if (signedOut) return { tone: "bad", words: ["Sign in again", waits].filter(Boolean).join(" · ") };
  if (!online) return { tone: "warn", words: ["No network", waits].filter(Boolean).join(" · ") };
  return unsent ? { tone: held ? "bad" : "info", words: waits } : { tone: "good", words: "All sent" };
}

/** Puts a word with its shape into a place. */
export function showStatus(place, tone, words) {
  if (place.dataset.shown === `${tone} ${words}`) return;
  const status = document.querySelector(`template[data-status="${tone}"]`).content.firstElementChild.cloneNode(true);
  status.append(words);
  place.dataset.shown = `${tone} ${words}`;
  place.replaceChildren(status);
}
