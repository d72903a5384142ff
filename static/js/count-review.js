// One tick for all lines of a page of the review; shows only where it can work.

for (const tick of document.querySelectorAll("[data-tick-all]")) {
  const lines = () => [...tick.closest("table").querySelectorAll("tbody input[type=checkbox]")];
  tick.closest("[hidden]").hidden = false;
  tick.addEventListener("change", () => lines().forEach((each) => { each.checked = tick.checked; }));
  tick.closest("table").addEventListener("change", () => { tick.checked = lines().every((each) => each.checked); });
}
