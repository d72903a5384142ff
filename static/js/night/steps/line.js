// The number of the family that is served: called before the first question, shown with it, given back when nobody came.
import { button, h } from "../dom.js";

const TOLD = { nobody: "noOneWaits", failed: "callFailed", back: "gaveBack" };

const noteOf = (ctx) => ctx.draft.waiting_code ? ctx.say("waitingHome", { code: ctx.draft.waiting_code }) : ctx.draft.waiting_note;

/** Calls, and looks the form from home up at once when the family brought its code. */
const call = (ctx) => ctx.line.act(async (line) => {
  const told = await line.next();
  if (!told) return "failed";
  if (told.number === null) return "nobody";
  ctx.set((draft) => {
    Object.assign(draft, { waiting: told.number, waiting_code: told.code, waiting_note: told.note });
    if (told.code && draft.who === "") draft.typed = told.code;
  });
  return "";
});

const giveBack = (ctx) => ctx.line.act(async (line) => {
  if (!await line.giveBack(ctx.draft.waiting)) return "failed";
  ctx.set((draft) => {
    if (draft.who === "" && draft.typed === draft.waiting_code) draft.typed = "";
    Object.assign(draft, { waiting: null, waiting_code: "", waiting_note: "" });
  });
  return "back";
});

/** The line's row on the first step; nothing where the tablet has no line. */
export function waitingLine(ctx) {
  const { draft, say, line } = ctx;
  if (!line) return null;
  const { online, busy, told } = line;
  const words = TOLD[told] && online ? say(TOLD[told]) : "";
  const act = (label, onclick) => button(say(label), onclick, { id: "night-line-act", disabled: busy || !online });
  return h("div", { class: "row night-line", id: "night-line" },
    draft.waiting && h("p", {}, h("strong", {}, say("waitingNow", { n: draft.waiting })), noteOf(ctx) && h("span", { class: "soft" }, ` ${noteOf(ctx)}`)),
    draft.waiting ? act("giveBack", () => giveBack(ctx)) : act("callNext", () => call(ctx)),
    h("p", { role: "status", class: "soft" }, online ? words : say(draft.waiting ? "backOffline" : "callOffline")));
}
