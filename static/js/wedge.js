// Reads a keyboard-wedge scanner: a burst of keys faster than any hand, ended by Enter or Tab, or by nothing but quiet.
// Where: an element with data-wedge, or the whole page (data-wedge on body; an element of the page's own wins). Settings, all optional:
//   data-wedge-pace   longest average time per character in ms (30)
//   data-wedge-least  shortest code (6)
//   data-wedge-to     an address that takes ?code=
// A burst is told as a bubbling "scan" event (detail.code) on the data-wedge element. If nobody cancels it: an element that holds a
// [data-wedge-list] (a box of many lines) adds the code there; one that holds a [data-wedge-field] puts it there and sends its form; else data-wedge-to is opened, or offered where a form was begun.
// Letters of a burst that landed in some other field are taken out again. A field with data-takes-scan, and a search, keeps them:
// there the scanner's Enter goes on to the next field instead of sending a form that is not finished.
// Without this script the scan field still works: the scanner types into it and its Enter sends the form.

const PACE = 30;
const LEAST = 6;
const SURE = 35; // nobody types this fast; above it a burst must also look like a code
const STEADY = 40; // a machine's pauses differ by less than this, a hand's by more (both in ms)
const QUIET = 300;
const FIELD_QUIET = 500;
const LIKE_A_CODE = /^(?=.*\d)(?:\][A-Za-z]\w)?[A-Za-z0-9][A-Za-z0-9./-]*$|^(?:\][A-Za-z]\w)?\.[A-Z0-9]{5,}$/; // a tag, a number, or one of our cards

export class Burst {
  constructor(pace = PACE, least = LEAST) {
    this.pace = pace;
    this.least = least;
    this.forget();
  }

  forget() {
    this.code = "";
    this.first = this.last = 0;
    this.shortest = Infinity;
    this.longest = 0;
    this.field = null;
    this.before = null;
  }

  get average() { return this.code.length > 1 ? (this.last - this.first) / (this.code.length - 1) : Infinity; }

  get isQuick() {
    if (this.code.length < this.least || this.average > this.pace) return false;
    return this.average <= SURE || LIKE_A_CODE.test(this.code);
  }

  /** Takes one key; gives the finished code, or "" while there is none. A pause of five paces starts anew. */
  take(key, at, field) {
    if (isEnding(key)) return this.isQuick && at - this.last <= this.pace * 5 ? this.code : "";
    if (key.length !== 1) return "";
    const anew = !this.code || at - this.last > this.pace * 5;
    // A burst may begin on the page itself and go on in a field that gets the focus meanwhile (a page that has only just opened).
    if (anew || (field !== this.field && this.field)) {
      this.forget();
      this.first = at;
    } else {
      this.shortest = Math.min(this.shortest, at - this.last);
      this.longest = Math.max(this.longest, at - this.last);
    }
    if (field !== this.field) {
      this.field = field;
      this.before = field && "value" in field ? { value: field.value, start: field.selectionStart, end: field.selectionEnd } : null;
    }
    this.code += key;
    this.last = at;
    return "";
  }

  /** Gives the code of a burst that nothing ended, once it is quiet. In the scan field itself a slow but steady one counts too. */
  rest(inScanField) {
    if (this.isQuick && LIKE_A_CODE.test(this.code)) return this.code;
    const steady = this.longest <= this.pace * 5 && this.longest - this.shortest <= STEADY;
    return inScanField && steady && this.code.length >= LEAST && LIKE_A_CODE.test(this.code) ? this.code : "";
  }
}

const isEnding = (key) => key === "Enter" || key === "Tab";
const isField = (element) => element?.matches?.("input, textarea, select") ?? false;
const takesIt = (field) => field?.matches("[data-takes-scan], [type=search]") ?? false;

const giveBack = (burst) => {
  const { field, before } = burst;
  if (!field || !before) return;
  field.value = before.value;
  if (before.start !== null && before.start !== undefined) field.setSelectionRange(before.start, before.end);
  field.dispatchEvent(new Event("input", { bubbles: true }));
};

const goOn = (field) => {
  const fields = [...(field.form?.elements ?? [])].filter((each) => each.type !== "hidden" && !each.disabled && each.offsetParent);
  fields[fields.indexOf(field) + 1]?.focus();
};

const isChanged = (field) => {
  if (field.type === "hidden") return false;
  if (field.type === "checkbox" || field.type === "radio") return field.checked !== field.defaultChecked;
  if (field.tagName === "SELECT") {
    const first = [...field.options].some((option) => option.defaultSelected) ? -1 : 0;
    return [...field.options].some((option, at) => option.selected !== (option.defaultSelected || (at === first && !field.multiple)));
  }
  return "defaultValue" in field && field.value !== field.defaultValue;
};

const isBegun = (root) => [...root.querySelectorAll("form")].some(
  (form) => form.method === "post" && (form.querySelector(".error-summary") || [...form.elements].some(isChanged)));

const open = (root, to, code) => {
  const address = `${to}?code=${encodeURIComponent(code)}`;
  const notice = root.getElementById("scanned")?.content.firstElementChild?.cloneNode(true);
  if (!notice || !isBegun(root)) { location.assign(address); return; }
  notice.querySelector("[data-scanned-code]").textContent = code;
  notice.querySelector("a").href = address;
  root.querySelector("#messages [data-scanned]")?.remove();
  root.getElementById("messages").prepend(notice);
  notice.scrollIntoView({ block: "nearest" });
};

/** Tells a code as if a scanner had read it at `place`. */
export const scanned = (root, place, code) => {
  const event = new CustomEvent("scan", { bubbles: true, cancelable: true, detail: { code } });
  if (!place.dispatchEvent(event)) return;
  const target = place.querySelector("[data-wedge-field]");
  const list = place.querySelector("[data-wedge-list]");
  if (list) {
    list.value = `${list.value.trimEnd()}\n${code}\n`.trimStart();
    list.dispatchEvent(new Event("input", { bubbles: true }));
    list.focus();
  } else if (place.dataset.wedgeTo) open(root, place.dataset.wedgeTo, code);
  else if (target) {
    target.value = code;
    target.form?.requestSubmit();
  }
};

const placeOf = (root, target) => {
  const closest = target.closest?.("[data-wedge]");
  if (closest && closest !== root.body) return closest;
  return root.querySelector("[data-wedge]:not(body)") ?? closest ?? root.querySelector("[data-wedge]");
};

export function watchWedge(root) {
  const burst = new Burst();
  let quiet = 0;
  let toldAt = -Infinity;
  const end = (place, field, code) => {
    if (field && !field.matches("[data-wedge-field]")) giveBack(burst);
    burst.forget();
    scanned(root, place, code);
  };
  const waitForQuiet = (place, field) => {
    const inScanField = Boolean(field?.matches("[data-wedge-field]"));
    if (burst.code.length < burst.least || takesIt(field)) return;
    const wait = Math.max(inScanField ? FIELD_QUIET : QUIET, burst.pace * 5);
    quiet = setTimeout(() => {
      const code = burst.rest(inScanField);
      if (code && (!inScanField || field.value === code)) end(place, field, code);
    }, wait);
  };
  root.addEventListener("keydown", (event) => {
    clearTimeout(quiet);
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (event.repeat) { burst.forget(); return; } // a key held down
    const place = placeOf(root, event.target);
    if (!place) return;
    burst.pace = Number(place.dataset.wedgePace) || PACE;
    burst.least = Number(place.dataset.wedgeLeast) || LEAST;
    const field = isField(event.target) ? event.target : null;
    if (event.key === "Enter" && !burst.code && event.timeStamp - toldAt < burst.pace * 5) { // the second half of CR LF
      event.preventDefault();
      event.stopPropagation();
      return;
    }
    const inScanField = field?.matches("[data-wedge-field]");
    const slow = event.key === "Tab" && inScanField ? burst.rest(true) : "";
    const code = burst.take(event.key, event.timeStamp, field) || slow;
    if (code) toldAt = event.timeStamp;
    if (code && takesIt(field)) {
      burst.forget();
      if (field.type === "search" || event.key === "Tab") return;
      event.preventDefault();
      goOn(field);
    } else if (code) {
      event.preventDefault();
      event.stopPropagation();
      end(place, field, code);
    } else if (isEnding(event.key)) burst.forget();
    else waitForQuiet(place, field);
  }, true);
}
