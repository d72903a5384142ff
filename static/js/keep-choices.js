// Keeps what is chosen in a form while its page is loaded anew or left for another: form[data-keep-choices="name"], in this tab, until
// it is sent. Ticks, fields and lists alike; what was ticked and is no longer there is passed over. Without it, a reload begins again.

const forms = document.querySelectorAll("form[data-keep-choices]");
const key = (form) => `choices:${form.dataset.keepChoices}`;
const fields = (form) => [...form.elements].filter((field) => field.name && !["hidden", "submit"].includes(field.type));
const box = (field) => ["checkbox", "radio"].includes(field.type);
const named = (field) => (box(field) ? `${field.name}=${field.value}` : field.name);

const keep = (form) => {
  const kept = Object.fromEntries(fields(form).map((field) => [named(field), box(field) ? field.checked : field.value]));
  sessionStorage.setItem(key(form), JSON.stringify(kept));
};

const giveBack = (form) => {
  const kept = JSON.parse(sessionStorage.getItem(key(form)) ?? "{}");
  const changed = fields(form).filter((field) => {
    const was = kept[named(field)];
    if (was === undefined || was === (box(field) ? field.checked : field.value)) return false;
    if (box(field)) field.checked = was;
    else field.value = was;
    return true;
  });
  // what follows from the choices is asked for once everything listens
  if (changed.length) addEventListener("load", () => changed[0].dispatchEvent(new Event("change", { bubbles: true })));
};

for (const form of forms) {
  if (!form.querySelector("[aria-invalid], .field-error")) giveBack(form);
  form.addEventListener("input", () => keep(form));
  form.addEventListener("change", () => keep(form));
  form.addEventListener("submit", () => sessionStorage.removeItem(key(form)));
}
