// Where a row of a [data-grid] is swapped for its state after an act (tr[data-acted]), the focus goes on to the next row that still
// waits; a refused act keeps it on the row, whose message is read out. Without this the focus would fall to the top of the page.
// Once no row of the page waits any more, the next ones are loaded: data-when-done is their address, ended by what was done last.

const waits = (row) => row.dataset.acted !== "done";

const after = (row) => {
  for (let next = row.nextElementSibling; next; next = next.nextElementSibling) if (waits(next)) return next;
  return null;
};

export function watchGridRows(root) {
  let acting = "";
  root.addEventListener("htmx:beforeSwap", (event) => {
    const row = event.detail.target.closest?.("[data-grid] tbody > tr");
    acting = row?.contains(document.activeElement) ? row.id : "";
  });
  root.addEventListener("htmx:afterSettle", () => {
    const row = acting && root.getElementById(acting);
    acting = "";
    if (!row) return;
    const { whenDone } = row.closest("[data-grid]").dataset;
    if (whenDone && ![...row.parentElement.children].some(waits)) {
      location.assign(whenDone + row.id.replace(/\D/g, ""));
      return;
    }
    const next = waits(row) ? row : after(row) ?? row;
    next.tabIndex = 0;
    next.focus();
  });
}
