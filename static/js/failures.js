// When a quick part gets no answer, or a refusal, the page says so; without this an htmx request would fail in silence.

const WORDS = {
  none: "The office did not answer. What you wrote is still here; try again in a moment.",
  403: "This was refused: your role does not allow it, or you have been signed out. Nothing was changed.",
  404: "This is no longer here. Load the page again to see how things stand.",
  other: "Something broke on our side. Load the page again and look whether it was saved before you send it once more.",
};

const say = (root, words) => {
  const place = root.getElementById("messages");
  const notice = root.getElementById("failure")?.content.firstElementChild?.cloneNode(true);
  if (!place || !notice) return;
  notice.querySelector("p").textContent = words;
  notice.dataset.failure = "";
  place.querySelector("[data-failure]")?.remove();
  place.prepend(notice);
  notice.scrollIntoView({ block: "nearest" });
};

export function watchFailures(root) {
  root.addEventListener("htmx:responseError", (event) => say(root, WORDS[event.detail.xhr.status] ?? WORDS.other));
  for (const silence of ["htmx:sendError", "htmx:timeout"]) root.addEventListener(silence, () => say(root, WORDS.none));
  root.addEventListener("htmx:afterOnLoad", (event) => {
    if (event.detail.successful) root.querySelector("#messages [data-failure]")?.remove();
  });
}
