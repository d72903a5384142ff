// Reads a keyboard-wedge scanner: a burst of keys faster than any hand, ended by Enter or Tab.
// Where: an element with data-wedge (or the whole page: data-wedge on body). Settings there, all optional:
//   data-wedge-pace   longest average time per character in ms (30)
//   data-wedge-least  shortest code (6)
// A burst is told as a bubbling "scan" event (detail.code) on the data-wedge element; if nobody cancels it and the element holds a
// [data-wedge-field], the code is put there and its form sent. Letters of a burst that landed in some other field are taken out again.
// Without this script the scan field still works: the scanner types into it and its Enter sends the form.

const PACE = 30;
const LEAST = 6;

export class Burst {
  constructor(pace = PACE, least = LEAST) {
    this.pace = pace;
    this.least = least;
    this.forget();
  }

  forget() {
    this.code = "";
    this.first = this.last = 0;
    this.field = null;
    this.before = null;
  }

  /** Takes one key; gives the finished code, or "" while there is none. A pause of five paces starts anew. */
  take(key, at, field) {
    if (key === "Enter" || key === "Tab") {
      const code = this.code;
      const quick = code.length > 1 && (this.last - this.first) / (code.length - 1) <= this.pace && at - this.last <= this.pace * 5;
      return quick && code.length >= this.least ? code : "";
    }
    if (key.length !== 1) return "";
    const anew = !this.code || at - this.last > this.pace * 5;
    // A burst may begin on the page itself and go on in a field that gets the focus meanwhile (a page that has only just opened).
    if (anew || (field !== this.field && this.field)) {
      this.forget();
      this.first = at;
    }
    if (field !== this.field) {
      this.field = field;
      this.before = field && "value" in field ? { value: field.value, start: field.selectionStart, end: field.selectionEnd } : null;
    }
    this.code += key;
    this.last = at;
    return "";
  }
}

const isField = (element) => element?.matches?.("input, textarea") ?? false;

const giveBack = (burst) => {
  const { field, before } = burst;
  if (!field || !before) return;
  field.value = before.value;
  if (before.start !== null) field.setSelectionRange(before.start, before.end);
  field.dispatchEvent(new Event("input", { bubbles: true }));
};

const tell = (place, code) => {
  const event = new CustomEvent("scan", { bubbles: true, cancelable: true, detail: { code } });
  if (!place.dispatchEvent(event)) return;
  const target = place.querySelector("[data-wedge-field]");
  if (!target) return;
  target.value = code;
  target.form?.requestSubmit();
};

export function watchWedge(root) {
  if (!root.querySelector("[data-wedge]")) return;
  const burst = new Burst();
  root.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    const place = event.target.closest?.("[data-wedge]") ?? root.querySelector("[data-wedge]");
    if (!place) return;
    burst.pace = Number(place.dataset.wedgePace) || PACE;
    burst.least = Number(place.dataset.wedgeLeast) || LEAST;
    const field = isField(event.target) ? event.target : null;
    const code = burst.take(event.key, event.timeStamp, field);
    if (code) {
      event.preventDefault();
      event.stopPropagation();
      if (field && !field.matches("[data-wedge-field]")) giveBack(burst);
      tell(place, code);
    }
    if (event.key === "Enter" || event.key === "Tab") burst.forget();
  }, true);
}
