// What the school asks for, the plan and protection in plain words, the price, and everything once more.
import { choice, choices, h, notice } from "../dom.js";
import { asked, familyName, isOurs } from "../draft.js";
import { toCents } from "../price.js";
import { phoneInWords } from "../text.js";
import { kindName, speak } from "../words.js";

function kitRow(ctx, row) {
  const { draft, say, pack } = ctx;
  const options = [row.product, ...(row.alternatives ?? [])].map((id) => pack.products.find((each) => each.id === id)).filter(Boolean);
  const cost = (product) => ctx.show(toCents(product.price) * BigInt(asked(row, product)));
  const name = (product) => (asked(row, product) === 1 ? product.name : say("kitEach", { n: asked(row, product), name: product.name }));
  const first = options[0];
  const taken = options.find((each) => each.id === draft.kit[row.product]);
  const tick = choice({ type: "checkbox", name: "kit", value: row.product, label: name(first), aside: cost(first), checked: Boolean(taken), onpick: (on) => ctx.redo((each) => { each.kit[row.product] = on ? first.id : null; }) });
  if (options.length === 1 || !taken) return tick;
  const pick = options.map((each) => choice({ name: `kit-${row.product}`, value: each.id, label: name(each), aside: cost(each), checked: taken.id === each.id, onpick: () => ctx.set((one) => { one.kit[row.product] = each.id; }) }));
  return h("div", { class: "stack-tight" }, tick, h("div", { class: "night-or" }, choices({ name: `kit-${row.product}`, legend: say("kitOr") }, pick)));
}

export function kit(ctx) {
  const { say, pack, known } = ctx;
  const ours = known.required.filter((row) => isOurs(row, pack));
  const others = known.required.filter((row) => !isOurs(row, pack));
  const from = (row) => (["school", "anywhere"].includes(row.sold_by) ? say(`kitFrom_${row.sold_by}`) : row.sold_by);
  const name = (row) => (row.instead_of ? say("kitInstead", { name: plain(row), other: row.instead_of }) : plain(row));
  const plain = (row) => row.words || row.name || pack.products.find((each) => each.id === row.product)?.name || "";
  return {
    head: say("kitHead"),
    body: [
      ours.length > 0 && choices({ name: "kit", legend: say("kitHint") }, ours.map((row) => kitRow(ctx, row))),
      others.length > 0 && h("div", { class: "stack-tight" }, h("h2", {}, say("kitElsewhere")), h("ul", { class: "night-list" }, others.map((row) => h("li", {}, say("kitSoldBy", { n: row.quantity, name: name(row), by: from(row) }))))),
    ].filter(Boolean),
  };
}

const planWords = (plan, language) => (language === "es" && plan.words_es?.length ? plan.words_es : plan.words) ?? [];

function planCard(ctx, plan) {
  const { draft, say, known } = ctx;
  const price = known.priced.find((each) => each.plan_version === plan.version);
  const other = draft.language === "es" ? "en" : "es";
  return h("div", { class: "stack-tight" },
    choice({ name: "plan", value: plan.version, label: plan.title, note: planWords(plan, draft.language).join(" "), aside: say("rentFrom", { rent: ctx.show(toCents(price.rent)) }), checked: draft.plan === plan.version, onpick: () => ctx.redo((each) => { each.plan = plan.version; }) }),
    h("details", { class: "night-other" }, h("summary", { lang: other }, say("otherLanguage")), h("p", { lang: other }, planWords(plan, other).join(" ")), h("p", { lang: other }, protectionWords(ctx, plan, price, other)), other === "es" && h("p", { lang: other, class: "soft" }, speak(other)("planCourtesy"))));
}

// What protection covers is the shop's own text: it is said as it stands in the agreement, never put into other words.
const protectionWords = (ctx, plan, price, language) => {
  const say = speak(language);
  const covers = plan.covers ? say("protectionCoversAsSigned", { words: plan.covers }) : say("protectionCoversPlain");
  return say("protectionYesNote", { price: ctx.show(toCents(price.protection)), covers });
};

export function plan(ctx) {
  const { draft, say, known } = ctx;
  if (known.plans.length === 1 && !known.plan) { ctx.set((each) => { each.plan = known.plans[0].version; }); }
  const chosen = ctx.known.plan;
  const price = ctx.known.price;
  return {
    head: say("planHead"),
    body: [
      draft.language === "es" && h("p", { class: "soft" }, say("planCourtesy")),
      choices({ name: "plan", legend: say("planLabel"), error: ctx.wrong("plan") }, known.plans.map((each) => planCard(ctx, each))),
      chosen?.protection_required && notice("info", `${say("protectionRequired")} ${protectionWords(ctx, chosen, price, draft.language)}`),
      chosen && !chosen.protection_required && choices({ name: "protection", legend: say("protectionHead"), error: ctx.wrong("protection") },
        choice({ name: "protection", value: "yes", label: say("protectionYes"), note: protectionWords(ctx, chosen, price, draft.language), checked: draft.protection === true, onpick: () => ctx.set((each) => { each.protection = true; }) }),
        choice({ name: "protection", value: "no", label: say("protectionNo"), note: say("protectionNoNote"), checked: draft.protection === false, onpick: () => ctx.set((each) => { each.protection = false; }) })),
    ].filter(Boolean),
  };
}

function lines(ctx, rows, total, caption) {
  const names = { rent: "lineRent", protection: "lineProtection" };
  const name = (line) => (line.isTax ? ctx.say("tax") : names[line.kind] ? ctx.say(names[line.kind]) + (line.name ? line.name : "") : line.name);
  return h("table", { class: "price-lines night-lines" }, h("caption", {}, caption),
    h("tbody", {}, rows.map((line) => h("tr", { class: line.isTax ? "soft" : null }, h("th", { scope: "row" }, name(line)), h("td", { class: "num" }, ctx.show(line.cents))))),
    h("tfoot", {}, h("tr", {}, h("th", { scope: "row" }, ctx.say("withTax")), h("td", { class: "num" }, h("strong", {}, ctx.show(total))))));
}

/** The two amounts a family asks for, large. */
export const amounts = (ctx) => h("dl", { class: "tiles" },
  h("div", { class: "tile" }, h("dt", {}, ctx.say("dueToday")), h("dd", {}, ctx.show(ctx.known.quote.dueToday))),
  h("div", { class: "tile" }, h("dt", {}, ctx.say("eachMonth")), h("dd", {}, ctx.show(ctx.known.quote.eachMonth))));

function answers(ctx) {
  const { draft, say, known, pack } = ctx;
  const { student, family } = draft;
  const row = (step, label, ...told) => h("div", {}, h("dt", {}, label), h("dd", {}, told.join(", ")), h("dd", {}, h("button", { type: "button", class: "button-link", "aria-label": `${say("change")}: ${label}`, onclick: () => ctx.go(step, { returning: true }) }, say("change"))));
  const isNew = ["new", "home"].includes(draft.who);
  const bought = known.goods.map((each) => (each.quantity === 1 ? each.name : say("kitEach", { n: each.quantity, name: each.name })));
  return h("dl", { class: "answers" },
    row("family", say("ansFamily"), isNew ? `${family.given_name} ${family.family_name}` : familyName(pack, draft), ...(isNew ? [phoneInWords(family.phone), family.email].filter(Boolean) : [])),
    isNew && row("address", say("ansAddress"), ...[family.street, family.unit, family.city, `${family.state.toUpperCase()} ${family.postal_code}`].filter(Boolean)),
    row("student", say("ansStudent"), `${student.given_name} ${student.family_name}`, ...[student.grade && say("gradeOnly", { n: student.grade }), known.programme?.name].filter(Boolean)),
    row("instrument", say("ansInstrument"), kindName(known.kind, draft.language), known.item.name),
    known.kind.has_sizes && row("size", say("ansSize"), draft.size),
    row("unit", say("ansUnit"), known.unit ? `${known.unit.tag} (${say(known.isNew ? "unitNew" : "unitUsed")})` : say("later")),
    known.required.length > 0 && row("kit", say("ansKit"), ...(bought.length ? bought : [say("none")])),
    row("plan", say("ansPlan"), known.plan.title),
    row("plan", say("ansProtection"), say(known.protection ? "yes" : "no")));
}

export function review(ctx) {
  const { say, known } = ctx;
  return {
    head: say("reviewHead"),
    body: [amounts(ctx), h("div", { class: "columns" }, lines(ctx, known.quote.today, known.quote.dueToday, say("linesToday")), lines(ctx, known.quote.monthly, known.quote.eachMonth, say("linesMonth"))), answers(ctx)],
  };
}
