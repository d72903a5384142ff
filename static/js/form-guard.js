// Holds back the second press of a button in forms marked data-once. The server decides by the form's key; this only spares it the work.

const HOLD_MS = 8000; // long enough for a slow line; after that a person may try again

export function watchForms(root) {
  root.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.matches("form[data-once]")) return;
    if (form.dataset.sent && Date.now() - Number(form.dataset.sent) < HOLD_MS) {
      event.preventDefault();
      event.stopPropagation();
      return;
    }
    form.dataset.sent = String(Date.now());
    form.classList.add("is-busy");
  }, true);
  const free = (form) => { delete form.dataset.sent; form.classList.remove("is-busy"); };
  root.addEventListener("htmx:afterRequest", (event) => {
    const form = event.detail.elt.closest("form[data-once]");
    if (form) free(form);
  });
  // a page brought back by the Back button must not stay held
  addEventListener("pageshow", () => root.querySelectorAll("form[data-once]").forEach(free));
}
