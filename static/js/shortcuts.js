// Keys of a page. Only "/" works everywhere (to the search); single letters work inside a focused [data-grid] and nowhere else,
// so that nobody who types or speaks to the machine sets one off by chance.
//   <table data-grid>: arrow up and down (or k and j) move between rows, Enter opens the row's first link,
// Single characters can be switched off on each device: a tick beside the list of keys ([data-keys-off]).
//   data-key="m" on a link or button in the row (or in the grid) answers to that letter. "?" opens the list of keys ([data-keys-list]).

const OFF = "single-keys";
const isOff = () => localStorage.getItem(OFF) === "off";

const typing = (element) => element.matches?.("input:not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable=true]");

const rowsOf = (grid) => [...grid.querySelectorAll("tbody > tr")];

const moveTo = (row) => {
  row.tabIndex = 0;
  row.focus();
};

// Where a scanner is read, a letter may be the first of a code: wait until no other follows.
const WAIT_MS = 80;
let waiting = 0;

const soon = (act) => {
  if (!document.querySelector("[data-wedge]")) act.click();
  else waiting = setTimeout(() => act.click(), WAIT_MS);
};

const inGrid = (event, grid) => {
  if (event.key.length === 1 && isOff()) return false;
  const rows = rowsOf(grid);
  const here = rows.findIndex((row) => row.contains(event.target));
  const step = { ArrowDown: 1, j: 1, ArrowUp: -1, k: -1 }[event.key];
  if (step) {
    const next = rows[here + step];
    if (next) moveTo(next);
    return Boolean(next);
  }
  if (event.key === "Enter" && rows[here] === event.target) {
    rows[here].querySelector("a, button")?.click();
    return true;
  }
  if (event.key === "?") {
    const list = document.querySelector("[data-keys-list]");
    if (list) { list.hidden = false; list.tabIndex = -1; list.focus(); }
    return Boolean(list);
  }
  const key = `[data-key="${CSS.escape(event.key)}"]`;
  const act = rows[here]?.querySelector(key) ?? grid.querySelector(`:scope > caption ${key}`) ?? (grid.dataset.grid && document.querySelector(`${grid.dataset.grid} ${key}`));
  if (act) soon(act);
  return Boolean(act);
};

export function watchShortcuts(root) {
  const ready = (part) => part.querySelectorAll?.("[data-grid] tbody > tr:first-child").forEach((row) => { if (!row.hasAttribute("tabindex")) row.tabIndex = 0; });
  ready(root);
  for (const tick of root.querySelectorAll("[data-keys-off]")) {
    tick.checked = isOff();
    tick.closest("[hidden]")?.removeAttribute("hidden");
    tick.addEventListener("change", () => localStorage.setItem(OFF, tick.checked ? "off" : "on"));
  }
  root.addEventListener("htmx:afterSettle", (event) => ready(event.detail.elt));
  root.addEventListener("keydown", () => clearTimeout(waiting), true);
  root.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || typing(event.target)) return;
    const grid = event.target.closest?.("[data-grid]");
    if (grid && inGrid(event, grid)) event.preventDefault();
    else if (event.key === "/") {
      const search = root.querySelector('input[data-key="/"]');
      if (search) { event.preventDefault(); search.focus(); search.select(); }
    }
  });
}
