// After a refused form the error summary takes the focus, also when htmx brought it, and the title says "Error:".

const PREFIX = "Error: ";

const show = (summary) => {
  if (!document.title.startsWith(PREFIX)) document.title = PREFIX + document.title;
  summary.focus();
};

export function watchErrors(root) {
  const first = root.querySelector(".error-summary");
  if (first) show(first);
  root.addEventListener("htmx:afterSettle", (event) => {
    const part = event.detail.elt;
    const summary = part.matches?.(".error-summary") ? part : part.querySelector?.(".error-summary");
    if (summary) show(summary);
    else if (!root.querySelector(".error-summary") && document.title.startsWith(PREFIX)) document.title = document.title.slice(PREFIX.length);
  });
}
