// A sign-up under way: what was answered, what follows from it, what is still missing, and the envelope it becomes. No page, no network.
import { fromCents, quote, readMoney } from "./price.js";
import { readArm } from "./sizes.js";
import { phoneInWords } from "./text.js";

const REACH = /^[^\s@]+@[^\s@]+\.[^\s@]+$/;

/** A new draft; `after` is the sign-up before, whose family signs up another child. */
export function newDraft({ pack, language = "en", after = null }) {
  const programmes = pack.night.programmes;
  const same = after
    ? { who: after.who, household: after.household, home_form: after.home_form, guardian_id: after.guardian_id, family: { ...after.family }, brothers: [...after.brothers, after.student] }
    : { who: "", household: null, home_form: null, guardian_id: null, family: emptyFamily(pack), brothers: [] };
  return {
    id: crypto.randomUUID(), began_at: new Date().toISOString(), pack: pack.version, told: null, language, waiting: after?.waiting ?? null,
    waiting_code: after?.waiting_code ?? "", waiting_note: after?.waiting_note ?? "",
    step: after ? "student" : "family", seen: [], ...same,
    student: { id: null, given_name: "", family_name: after?.student.family_name ?? "", grade: "" },
    programme: after?.programme ?? (programmes.length === 1 ? programmes[0].id : null),
    kind: null, arm: "", size: "", size_by_hand: false, item: null, is_new: null, instrument: null, later: false,
    kit_for: "", kit: {}, plan: null, protection: null, received_at: "school",
    signature: { method: "drawn", signer_name: "", strokes: "", consent: false, text_sha256: "" },
    payment: { method: "", given: "", cheque_number: "" },
  };
}

const emptyFamily = (pack) => ({
  given_name: "", family_name: "", phone: "", email: "", street: "", unit: "", city: "", state: pack.office?.state ?? "", postal_code: "",
});

export const findFamily = (pack, draft) => pack.families.find((family) => family.household === draft.household) ?? null;

/** The words under which this family is shown while it is served. */
export const familyName = (pack, draft) => findFamily(pack, draft)?.name ?? draft.family.family_name;

/** Takes a family of the list: its guardian, its one student, its programme. */
export function takeFamily(draft, family) {
  Object.assign(draft, { who: "known", household: family.household, home_form: null, guardian_id: family.guardians[0]?.id ?? null, brothers: [] });
  draft.student = { id: null, given_name: "", family_name: family.name, grade: "" };
  if (family.students.length === 1) takeStudent(draft, family.students[0]);
}

/** Takes a student that is written down already. */
export function takeStudent(draft, student) {
  draft.student = { id: student.id, given_name: student.given_name, family_name: student.family_name, grade: student.grade ?? "" };
  draft.programme = student.programme ?? draft.programme;
}

/** Takes what a family filled in at home. */
export function takeHomeForm(draft, form) {
  const known = form.household?.id ?? null;
  Object.assign(draft, { who: known ? "known" : "home", household: known, home_form: form.code, guardian_id: form.guardian?.id ?? null, brothers: [] });
  draft.family = { ...draft.family, ...keep(form.household, ["street", "unit", "city", "state", "postal_code"]), ...keep(form.guardian, ["given_name", "family_name", "phone", "email"]) };
  draft.family.phone = phoneInWords(draft.family.phone);
  draft.student = { id: form.student?.id ?? null, given_name: form.student?.given_name ?? "", family_name: form.student?.family_name ?? "", grade: form.student?.grade ?? "" };
  draft.programme = form.student?.programme ?? form.programme ?? draft.programme;
  draft.kind = form.kind || draft.kind;
  if (form.size) Object.assign(draft, { size: form.size, size_by_hand: true });
  draft.protection = form.protection === true || form.protection === "yes" ? true : form.protection === false || form.protection === "no" ? false : draft.protection;
  draft.language = form.language || draft.language;
}

const keep = (from, names) => Object.fromEntries(names.filter((name) => from?.[name]).map((name) => [name, from[name]]));

const fits = (item, draft) => item.kind === draft.kind && (!draft.size || item.size === draft.size);

/** What follows from the answers: the kind, unit, model, plans with a price, the school's list, the price. */
export function derive(draft, pack, free) {
  const kind = pack.kinds.find((each) => each.code === draft.kind) ?? null;
  const programme = pack.night.programmes.find((each) => each.id === draft.programme) ?? null;
  const unit = pack.units.find((each) => each.id === draft.instrument) ?? null;
  const item = pack.items.find((each) => each.id === (unit ? unit.item : draft.item)) ?? null;
  const isNew = unit ? unit.is_new : Boolean(draft.is_new);
  const priced = pack.prices.filter((price) => item && price.item === item.id && price.is_new === isNew);
  const plans = pack.plans.filter((plan) => priced.some((price) => price.plan_version === plan.version));
  const plan = plans.find((each) => each.version === draft.plan) ?? null;
  const price = plan && priced.find((each) => each.plan_version === plan.version);
  const approved = pack.approved?.find((each) => each.programme === draft.programme && each.kind === draft.kind)?.items ?? [];
  const models = pack.items.filter((each) => fits(each, draft) && pack.prices.some((row) => row.item === each.id));
  const here = free.filter((each) => { const model = pack.items.find((row) => row.id === each.item); return model && fits(model, draft); });
  const required = kitRows(draft, pack);
  const goods = takenGoods(draft, required, pack);
  const protection = Boolean(plan?.protection_required || draft.protection);
  const made = price ? quote({ price, taxes: pack.taxes, protection, goods }) : null;
  return { kind, programme, unit, item, isNew, plans, plan, price, priced, approved, models, here, required, goods, protection, quote: made, family: findFamily(pack, draft) };
}

/** The kinds that have a price, with how many are free: [{ kind, left, approved }], in the catalogue's order. */
export function listKinds(draft, pack, free) {
  return pack.kinds
    .filter((kind) => pack.items.some((item) => item.kind === kind.code && pack.prices.some((price) => price.item === item.id)))
    .map((kind) => ({
      kind,
      left: free.filter((unit) => pack.items.find((item) => item.id === unit.item)?.kind === kind.code).length,
      approved: Boolean(pack.approved?.find((each) => each.programme === draft.programme && each.kind === kind.code)?.items.length),
    }));
}

const kitRows = (draft, pack) => (pack.required ?? []).filter((row) => row.programme === draft.programme && row.kind === draft.kind);

export const isOurs = (row, pack) => ["", "shop", "us", null, undefined].includes(row.sold_by) && pack.products.some((each) => each.id === row.product);

/** Ticks the school's list in advance, once for each kind and programme. */
export function tickKit(draft, pack) {
  const about = `${draft.programme}:${draft.kind}`;
  if (draft.kit_for === about) return;
  draft.kit_for = about;
  draft.kit = Object.fromEntries(kitRows(draft, pack).filter((row) => isOurs(row, pack)).map((row) => [row.product, row.product]));
}

/** How many of a product a line asks for: of alternatives each has its own number. */
export const asked = (row, product) => row.quantities?.[product.id] ?? row.quantity;

const takenGoods = (draft, required, pack) => required.flatMap((row) => {
  const product = pack.products.find((each) => each.id === draft.kit[row.product]);
  return product ? [{ product: product.id, name: product.name, price: product.price, quantity: asked(row, product) }] : [];
});

/** The steps of this sign-up, in order. */
export function listSteps(draft, known) {
  return [
    "family", ...(["new", "home"].includes(draft.who) ? ["address"] : []), "student", "instrument", ...(known.kind?.has_sizes ? ["size"] : []), "unit",
    ...(known.required.length ? ["kit"] : []), "plan", "review", "sign", "pay",
  ];
}

const missing = (pairs) => pairs.filter(([wrong]) => wrong).map(([, field, key, values]) => ({ field, key, values }));

const digits = (text) => text.replace(/\D/g, "").replace(/^1(?=\d{10}$)/, "");

const CHECKS = {
  family: ({ draft, known }) => draft.who === "" ? missing([[true, "find", "mustFamily"]]) : draft.who === "known" ? missing([[known.family?.exempt, "find", "mustCounter", { name: known.family?.name }]]) : missing([
    [!draft.family.given_name.trim(), "given_name", "mustGivenName"], [!draft.family.family_name.trim(), "family_name", "mustFamilyName"],
    [!draft.family.phone.trim() && !draft.family.email.trim(), "phone", "mustReach"],
    [draft.family.phone.trim() && digits(draft.family.phone).length !== 10, "phone", "mustPhone"],
    [draft.family.email.trim() && !REACH.test(draft.family.email.trim()), "email", "mustEmail"],
  ]),
  address: ({ draft: { family } }) => missing([
    [!family.street.trim(), "street", "mustStreet"], [!family.city.trim(), "city", "mustCity"],
    [!/^[A-Za-z]{2}$/.test(family.state.trim()), "state", "mustState"], [!/^\d{5}(-\d{4})?$/.test(family.postal_code.trim()), "postal_code", "mustZip"],
  ]),
  student: ({ draft }) => [
    ...(draft.student.id ? [] : missing([
      [!draft.student.given_name.trim(), "student_given_name", "mustGivenName"], [!draft.student.family_name.trim(), "student_family_name", "mustFamilyName"],
      [!draft.student.grade, "grade", "mustGrade"],
    ])),
    ...missing([[!draft.programme, "programme", "mustProgramme"]]),
  ],
  instrument: ({ known }) => missing([[!known.kind, "kind", "mustKind"]]),
  size: ({ draft }) => missing([[draft.arm.trim() && readArm(draft.arm) === null, "arm", "mustArm"], [!draft.size, "size", "mustSize"]]),
  unit: ({ draft, known }) => missing([
    [!known.unit && !draft.later, "tag", "mustUnit"], [draft.later && !known.unit && !known.item, "model", "mustModel"],
    [known.item && !known.plans.length, draft.later ? "model" : "tag", "noPrice"],
  ]),
  kit: () => [],
  plan: ({ draft, known }) => missing([
    [!known.plan, "plan", "mustPlan"], [known.plan && !known.plan.protection_required && draft.protection === null, "protection", "mustProtection"],
  ]),
  review: () => [],
  sign: ({ draft: { signature } }) => missing([
    [!signature.consent, "consent", "mustConsent"],
    [signature.method === "drawn" && !signature.strokes, "strokes", "mustSign"], [signature.signer_name.trim().split(/\s+/).length < 2, "signer_name", "mustName"],
  ]),
  pay: ({ draft: { payment }, known, say, show }) => {
    const due = known.quote?.dueToday ?? 0n;
    if (!due) return [];
    const given = readMoney(payment.given);
    return missing([
      [!payment.method, "method", "mustPay"], [payment.method === "cash" && given === null, "given", "mustCash"],
      [payment.method === "cash" && given !== null && given < due, "given", "cashShort", { due: show(due), given: show(given ?? 0n), short: show(due - (given ?? 0n)) }],
      [payment.method === "cheque" && !payment.cheque_number.trim(), "cheque_number", "mustCheck"],
    ]);
  },
};

/** What is missing or wrong at a step: [{ field, key, values }]; empty when it is well. */
export const listProblems = (step, facts) => CHECKS[step]?.(facts) ?? [];

/** The first step with something missing before `until`; null when all is well. */
export const firstUnfinished = (steps, until, facts) =>
  steps.slice(0, steps.indexOf(until)).find((step) => listProblems(step, facts).length) ?? null;

const tidy = (words) => String(words ?? "").trim().replace(/\s+/g, " ");
const trimmed = (from, names) => Object.fromEntries(names.map((name) => [name, tidy(from[name])]));

/** The envelope of a finished sign-up, as the office takes it in. `sections` is the text that was read. */
export function makeEnvelope(draft, known, { pack, device, sequence, sections, takenBy = "", now = new Date(), offline = !navigator.onLine }) {
  const due = known.quote.dueToday;
  const isKnown = draft.who === "known";
  const { student, signature, payment } = draft;
  return {
    format: 1, id: draft.id, night: pack.night.id, device, sequence, made_at: now.toISOString(), was_offline: offline, pack: pack.version, taken_by: takenBy,
    language: draft.language, waiting: draft.waiting, home_form: draft.home_form,
    household: isKnown ? { id: draft.household } : { name: tidy(draft.family.family_name), ...trimmed(draft.family, ["street", "unit", "city", "postal_code"]), state: draft.family.state.trim().toUpperCase() },
    guardian: isKnown && draft.guardian_id ? { id: draft.guardian_id } : trimmed(draft.family, ["given_name", "family_name", "phone", "email"]),
    student: student.id ? { id: student.id } : { ...trimmed(student, ["given_name", "family_name"]), grade: Number(student.grade) },
    programme: draft.programme, item: known.item.id, is_new: known.isNew, instrument: known.unit?.id ?? null,
    plan_version: known.plan.version, protection: known.protection,
    goods: known.goods.map(({ product, quantity }) => ({ product, quantity })), received_at: draft.received_at,
    shown: { due_today: fromCents(due), monthly: fromCents(known.quote.eachMonth), text_sha256: signature.text_sha256, text: sections },
    signature: {
      signer_name: tidy(signature.signer_name), method: signature.method, strokes: signature.method === "drawn" ? signature.strokes : "",
      consent_version: pack.texts.consent.version, signed_at: signature.signed_at ?? now.toISOString(),
    },
    payment: {
      method: due ? payment.method : "none", amount: due && ["cash", "cheque"].includes(payment.method) ? fromCents(due) : "0.00",
      cheque_number: payment.method === "cheque" ? payment.cheque_number.trim() : "",
    },
  };
}
