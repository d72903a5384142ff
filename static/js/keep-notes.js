// Keeps what somebody is writing while a scan takes the page elsewhere: a field with data-keep="name" gets its words back when it
// comes again in this tab. Sent or emptied, they are forgotten. Without this script the field works as any other.

const key = (field) => `note:${field.dataset.keep}`;

const giveBack = (root) => root.querySelectorAll("[data-keep]").forEach((field) => {
  const kept = sessionStorage.getItem(key(field));
  if (kept && !field.value) field.value = kept;
});

addEventListener("input", (event) => {
  const field = event.target;
  if (!field.dataset?.keep) return;
  if (field.value) sessionStorage.setItem(key(field), field.value);
  else sessionStorage.removeItem(key(field));
});
addEventListener("submit", (event) => event.target.querySelectorAll("[data-keep]").forEach((field) => sessionStorage.removeItem(key(field))));
addEventListener("htmx:afterSettle", () => giveBack(document));
giveBack(document);
