// Makes elements without writing HTML: h("p", { class: "soft" }, "words", other). A key that begins with "on" is a listener.

const SVG = "http://www.w3.org/2000/svg";

const fill = (element, props, children) => {
  for (const [key, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "value" && "value" in element) element.value = value;
    else if (key === "checked") element.checked = element.defaultChecked = true;
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
};

export const h = (tag, props, ...children) => fill(document.createElement(tag), props, children);

/** One of the page's own pictures: a <template> holds it, because only the server knows a file's address. */
export function silhouette(code) {
  const source = document.getElementById("night-silhouette")?.content.querySelector("use")?.getAttribute("href") ?? "/static/img/silhouettes.svg#";
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `${source.split("#")[0]}#${code}`);
  const svg = fill(document.createElementNS(SVG, "svg"), { class: "silhouette silhouette-large", width: 32, height: 32, "aria-hidden": "true", focusable: "false" }, [use]);
  return svg;
}

const GLYPHS = { good: "✓", warn: "!", bad: "✕", info: "i" };

/** A sentence that must be seen; `tone` is good, warn, bad or info. */
export const notice = (tone, ...words) =>
  h("div", { class: `notice notice-${tone}` }, h("span", { "aria-hidden": "true", class: "notice-sign" }, GLYPHS[tone]), h("div", {}, h("p", {}, ...words)));

/**
 * A labelled field. `name` is a key of the step's part of the draft; what is typed goes to `onchange(value)` at every key.
 * Nothing is remembered by the browser: the next family must not see it.
 */
export function field({ name, label, value = "", hint = "", error = "", optional = "", width = "", oninput, ...more }) {
  const id = `night-${name}`;
  const described = [hint && `${id}-hint`, error && `${id}-error`].filter(Boolean).join(" ");
  return h("div", { class: `field${error ? " has-error" : ""}` },
    h("label", { for: id }, label, optional && h("span", { class: "field-optional" }, ` ${optional}`)),
    hint && h("span", { class: "field-hint", id: `${id}-hint` }, hint),
    error && h("span", { class: "field-error", id: `${id}-error` }, error),
    h("input", {
      id, name, value, type: "text", autocomplete: "off", spellcheck: "false", autocapitalize: "none", class: width, "aria-invalid": error ? "true" : null,
      "aria-describedby": described || null, ...more, oninput: (event) => oninput(event.target.value, event),
    }));
}

/** A radio button or box to tick, as a card. */
export const choice = ({ name, value, checked, label, note, aside, picture, type = "radio", onpick, disabled }) =>
  h("label", { class: "choice choice-card" },
    h("input", { type, name, value, checked, disabled, id: `night-${name}-${value}`, autocomplete: "off", onchange: (event) => onpick(event.target.checked) }),
    picture, h("span", { class: "choice-words" }, h("span", { class: "choice-label" }, label), note && h("span", { class: "choice-note" }, note)),
    aside && h("span", { class: "choice-aside" }, aside));

/** A group of choices under one heading; `error` is said with it. */
export const choices = ({ name, legend, error, hidden, wide }, ...cards) =>
  h("fieldset", { class: `field w-full${error ? " has-error" : ""}`, id: `night-${name}`, tabindex: "-1", "aria-describedby": error ? `night-${name}-error` : null },
    h("legend", { class: hidden ? "visually-hidden" : null }, legend),
    error && h("span", { class: "field-error", id: `night-${name}-error` }, error),
    h("div", { class: `choices${wide ? " choices-wide" : ""}` }, ...cards));

export const button = (words, onclick, props = {}) => h("button", { type: "button", class: "button-plain", onclick, ...props }, words);

/** Puts the focus on what a problem names: a field, the first card of a group, the box to sign in. */
export const focusOn = (stage, name) => {
  const found = stage.querySelector(`#night-${name}`) ?? stage.querySelector(`[name="${name}"]`) ?? stage.querySelector(".signature canvas");
  (found?.tagName === "FIELDSET" ? found.querySelector("input") ?? found : found)?.focus();
};
