// While a quick part is under way somebody may go on answering. What was answered since the part was asked for outlives its coming:
// the fields that come with it take over those answers. Without this script every form is sent whole, and nothing comes late.

const isChoice = (field) => field.type === "radio" || field.type === "checkbox";

const same = (one, other) => one.name === other.name && (!isChoice(one) || one.value === other.value);

const carry = (from, to) => {
  if (isChoice(from)) to.checked = from.checked;
  else if (to.tagName !== "SELECT" || [...to.options].some((option) => option.value === from.value)) to.value = from.value;
};

export function watchLateParts(root) {
  const answered = new Map(); // by a field's name, when somebody last answered it
  const asked = new WeakMap(); // by request, when it was sent
  let since = Infinity; // when the request was sent whose answer is being put in place
  const note = (event) => { if (event.target.name) answered.set(event.target.name, performance.now()); };
  root.addEventListener("input", note, true);
  root.addEventListener("change", note, true);
  root.addEventListener("htmx:beforeSend", (event) => asked.set(event.detail.xhr, performance.now()));
  root.addEventListener("htmx:beforeSwap", (event) => { since = asked.get(event.detail.xhr) ?? Infinity; });
  root.addEventListener("htmx:oobBeforeSwap", (event) => {
    const { target, fragment } = event.detail;
    const coming = [...fragment.querySelectorAll("[name]")];
    target.querySelectorAll("[name]").forEach((old) => {
      const twin = answered.get(old.name) > since && coming.find((each) => same(old, each));
      if (twin) carry(old, twin);
    });
  });
}
