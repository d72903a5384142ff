// The text, the consent, the signature, the first payment, and what goes home.
import { button, choice, choices, field, h, notice } from "../dom.js";
import { familyName } from "../draft.js";
import { readMoney } from "../price.js";
import { amounts } from "./terms.js";

const paragraphs = (sections) => sections.flatMap((section) => [h("h2", {}, section.heading), ...section.paragraphs.map((words) => h("p", {}, words))]);

function pad(ctx) {
  const { draft, say } = ctx;
  const error = ctx.wrong("strokes");
  const keep = (event) => ctx.set((each) => { each.signature.strokes = event.target.value; each.signature.signed_at = new Date().toISOString(); });
  return h("div", { class: `field w-full${error ? " has-error" : ""}` },
    h("p", { id: "night-pad-label" }, h("strong", {}, say("signDraw"))), error && h("span", { class: "field-error", id: "night-strokes-error" }, error),
    h("div", { class: "signature", "data-signature": "night-strokes", "data-drawn": say("signDrawn"), "data-cleared": say("signCleared"), hidden: true },
      h("canvas", { role: "img", "aria-labelledby": "night-pad-label", width: "680", height: "200" }),
      h("p", { class: "row" }, h("button", { type: "button", class: "button-plain", "data-signature-clear": true }, say("signClear")), h("span", { class: "soft", role: "status", "data-signature-state": true }))),
    h("input", { type: "hidden", id: "night-strokes", value: draft.signature.strokes, onchange: keep }));
}

export function sign(ctx) {
  const { draft, say, pack } = ctx;
  const { signature } = draft;
  const typed = signature.method === "typed";
  const wrong = ctx.wrong("consent");
  return {
    head: say("signHead"),
    body: [
      amounts(ctx), draft.language !== "en" && pack.texts.language !== draft.language && notice("info", say("textEnglish")),
      h("section", { class: "agreement-text", tabindex: "0", "aria-label": say("textLabel"), lang: ctx.textLanguage }, paragraphs(ctx.sections())),
      h("p", { class: "caution" }, say("legalCaution")),
      h("details", { class: "consent", open: true }, h("summary", {}, say("consentHead")), h("p", { lang: ctx.textLanguage }, pack.texts.consent.text)),
      h("div", { class: `field w-full${wrong ? " has-error" : ""}` }, wrong && h("span", { class: "field-error" }, wrong),
        choice({ type: "checkbox", name: "consent", value: "yes", label: say("consent"), checked: signature.consent, onpick: (on) => ctx.set((each) => { each.signature.consent = on; }) })),
      field({ name: "signer_name", label: say("signerName"), hint: typed ? say("signerHint") : "", value: signature.signer_name, error: ctx.wrong("signer_name"), autocapitalize: "words",
        oninput: (words) => ctx.set((each) => { each.signature.signer_name = words; if (typed) each.signature.signed_at = new Date().toISOString(); }) }),
      !typed && pad(ctx),
      h("p", {}, button(say(typed ? "signDrawnInstead" : "signTyped"), () => ctx.redo((each) => { Object.assign(each.signature, { method: typed ? "drawn" : "typed" }); }), { id: "night-sign-way" })),
    ].filter(Boolean),
  };
}

function cash(ctx) {
  const { draft, say, known } = ctx;
  const due = known.quote.dueToday;
  const change = h("p", { role: "status", class: "night-change" });
  const tell = (typed) => {
    const given = readMoney(typed);
    change.textContent = given === null || given < due ? "" : given === due ? say("cashExact") : say("changeBack", { change: ctx.show(given - due) });
  };
  tell(draft.payment.given);
  return h("div", { class: "stack-tight" },
    field({ name: "given", label: say("cashGiven"), value: draft.payment.given, error: ctx.wrong("given"), inputmode: "decimal", width: "w-short", oninput: (typed) => { ctx.set((each) => { each.payment.given = typed; }); tell(typed); } }), change);
}

export function pay(ctx) {
  const { draft, say, known } = ctx;
  const due = known.quote.dueToday;
  if (!due) return { head: say("payHead"), body: [notice("info", say("payNothingDue"))] };
  const pick = (method) => () => ctx.redo((each) => { each.payment.method = method; }, { focus: { cash: "night-given", cheque: "night-cheque_number" }[method] });
  const later = ctx.queue.status().online ? "payLaterOnline" : "payLaterOffline";
  const way = (value, label, note) => choice({ name: "method", value, label, note, checked: draft.payment.method === value, onpick: pick(value) });
  return {
    head: say("payHead"),
    body: [
      amounts(ctx),
      choices({ name: "method", legend: say("payHead"), hidden: true, error: ctx.wrong("method") }, way("cash", say("payCash")), way("cheque", say("payCheck")), way("later", say("payLater"), say(later, { due: ctx.show(due) })), ctx.mayDefer && way("none", say("payNone"), say("payNoneNote", { due: ctx.show(due) }))),
      draft.payment.method === "cash" && cash(ctx),
      draft.payment.method === "cheque" && h("div", { class: "stack-tight" }, h("p", {}, say("checkAmount", { due: ctx.show(due) })), field({ name: "cheque_number", label: say("checkNumber"), value: draft.payment.cheque_number, error: ctx.wrong("cheque_number"), inputmode: "numeric", width: "w-short", oninput: (typed) => ctx.set((each) => { each.payment.cheque_number = typed; }) })),
      h("p", { class: "soft" }, say("payCardNote")),
    ].filter(Boolean),
    goOn: say("finish"),
  };
}

/** What became of the sign-up so far: from this tablet, or from the office's answer. */
export function outcome(ctx) {
  const { say, queue, draft } = ctx;
  const sent = queue.sent?.().find((each) => each.id === draft.id);
  const held = queue.status().attention.find((each) => each.id === draft.id);
  if (held) return notice("bad", say("doneRefused", { why: held.why }));
  if (!sent) return notice("info", say("doneQueued"));
  const way = sent.url && h("p", {}, h("a", { href: sent.url }, say("openPage")));
  if (sent.outcome === "attention") return h("div", { class: "stack-tight" }, notice("warn", say("doneAttention", { why: sent.why })), way);
  const told = sent.outcome === "arrived_without_unit" ? notice("warn", say("doneNoUnit", { number: sent.agreement, why: sent.why })) : notice("good", say("doneArrived", { number: sent.agreement }));
  const collect = sent.collect && h("p", {}, h("a", { class: "button-plain", href: sent.collect, target: "_blank", rel: "noopener" }, say("collectNow")));
  return h("div", { class: "stack-tight" }, told, collect, way);
}

export function done(ctx) {
  const { draft, say, known, pack } = ctx;
  const goes = known.unit ? [`${known.unit.tag}, ${known.item.name}`] : [];
  const bought = known.goods.map((each) => (each.quantity === 1 ? each.name : say("kitEach", { n: each.quantity, name: each.name })));
  const given = draft.payment.method === "cash" ? readMoney(draft.payment.given) : null;
  const due = known.quote?.dueToday ?? 0n;
  return {
    head: say("doneHead", { name: draft.student.given_name }), last: true,
    body: [
      h("div", { role: "status", id: "night-outcome" }, outcome(ctx)),
      h("h2", {}, say("goesHome")), h("ul", { class: "night-list" }, [...goes, ...bought].map((words) => h("li", {}, words)), !known.unit && h("li", {}, say("goesHomeLater"))),
      draft.payment.method === "later" && due > 0n && notice("info", say("doneLater", { due: ctx.show(due) })),
      given !== null && given > due && notice("warn", say("changeBack", { change: ctx.show(given - due) })),
      h("p", { class: "row" },
        h("button", { type: "button", class: "button", id: "night-next-family", onclick: () => ctx.begin(null) }, say("nextFamily")),
        button(say("nextChild"), () => ctx.begin(draft), { id: "night-next-child" }), h("span", { class: "soft" }, familyName(pack, draft))),
    ].filter(Boolean),
  };
}
