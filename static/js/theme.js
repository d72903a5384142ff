// Shows the chosen theme at once; the form itself tells the server, which keeps the choice in a cookie.

const mark = (root) => {
  const chosen = document.documentElement.dataset.theme || "auto";
  for (const button of root.querySelectorAll("[data-theme-form] button[name=theme]")) {
    button.setAttribute("aria-pressed", String(button.value === chosen));
  }
};

export function watchThemeForms(root) {
  mark(root);
  root.addEventListener("submit", async (event) => {
    const form = event.target.closest("[data-theme-form]");
    if (!form || event.submitter?.name !== "theme") return;
    event.preventDefault();
    const theme = event.submitter.value;
    if (theme === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = theme;
    mark(root);
    const body = new FormData(form);
    body.set("theme", theme);
    await fetch(form.action, { method: "POST", body, redirect: "manual" });
  });
}
