// Closes an open menu on Escape and when the work goes on elsewhere; empties the search drop-down on Escape. Opening needs no script.

export function watchMenus(root) {
  const close = (menu, refocus) => {
    menu.open = false;
    if (refocus) menu.querySelector("summary").focus();
  };
  root.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    root.querySelectorAll("details.menu[open]").forEach((menu) => close(menu, menu.contains(document.activeElement)));
    const box = event.target.closest?.(".search-box");
    if (box) box.querySelector(".search-results").replaceChildren();
  });
  root.addEventListener("focusin", (event) => {
    root.querySelectorAll("details.menu[open]").forEach((menu) => { if (!menu.contains(event.target)) close(menu, false); });
  });
  root.addEventListener("click", (event) => {
    root.querySelectorAll("details.menu[open]").forEach((menu) => { if (!menu.contains(event.target)) close(menu, false); });
  });
}
