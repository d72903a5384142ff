// Who signs, where the family lives, who plays. Nothing that is known is asked again.
import { button, choice, choices, field, h, notice } from "../dom.js";
import { findFamily, takeFamily, takeHomeForm, takeStudent } from "../draft.js";
import { findFamilies, findHomeForms } from "../find.js";
import { waitingLine } from "./line.js";

const MOST = 8;
const GRADES = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12];

const fullName = (person) => `${person.given_name} ${person.family_name}`.trim();

/** A field of the family being written down. */
const ofFamily = (ctx, name, label, more = {}) =>
  field({ name, label: ctx.say(label), value: ctx.draft.family[name], error: ctx.wrong(name), oninput: (typed) => ctx.set((draft) => { draft.family[name] = typed; }), ...more });

function hit(ctx, family) {
  const names = family.students.map(fullName).join(", ");
  const notes = [family.city, names && ctx.say("studentsOf", { names })].filter(Boolean).join(" · ");
  return h("li", {}, h("button", { type: "button", class: "night-hit", onclick: () => ctx.redo((draft) => takeFamily(draft, family), { goOn: true }) }, h("strong", {}, family.name), h("span", { class: "soft" }, notes)));
}

function homeHit(ctx, form) {
  const name = [form.student && fullName(form.student), form.guardian && fullName(form.guardian)].filter(Boolean).join(", ");
  return h("li", {}, h("button", { type: "button", class: "night-hit", onclick: () => ctx.redo((draft) => takeHomeForm(draft, form), { goOn: true }) },
    h("strong", {}, ctx.say("homeForm", { name })), h("span", { class: "soft" }, ctx.say("homeFormNote", { code: form.code }))));
}

function hits(ctx, typed) {
  const forms = findHomeForms(ctx.pack, typed, MOST);
  const found = findFamilies(ctx.pack, typed, MOST + 1);
  if (!forms.length && !found.length) return typed.trim().length < 2 ? [] : [h("p", {}, ctx.say("findNone", { typed: typed.trim() }))];
  const rows = [...forms.map((form) => homeHit(ctx, form)), ...found.slice(0, MOST).map((family) => hit(ctx, family))];
  return [h("ul", { class: "night-hits" }, rows), found.length > MOST && h("p", { class: "soft" }, ctx.say("findMore", { n: MOST }))].filter(Boolean);
}

function finding(ctx) {
  const results = h("div", { role: "status", class: "stack-tight" }, hits(ctx, ctx.draft.typed ?? ""));
  return h("div", { class: "stack" },
    field({ name: "find", label: ctx.say("findLabel"), hint: ctx.say("findHint"), value: ctx.draft.typed ?? "", error: ctx.wrong("find"), oninput: (typed) => { ctx.set((draft) => { draft.typed = typed; }); results.replaceChildren(...hits(ctx, typed)); },
      onkeydown: (event) => { const found = results.querySelectorAll("button"); if (event.key === "Enter" && found.length === 1) { event.preventDefault(); found[0].click(); } } }),
    results,
    h("p", {}, button(ctx.say("familyNew"), () => ctx.redo((draft) => { Object.assign(draft, { who: "new", household: null }); }, { focus: "night-given_name" }), { id: "night-new" })));
}

export function family(ctx) {
  const { draft, say } = ctx;
  const other = h("p", {}, button(say("familyOther"), () => ctx.redo((each) => { Object.assign(each, { who: "", household: null, home_form: null, guardian_id: null }); }, { focus: "night-find" })));
  if (draft.who === "") return { head: say("familyHead"), body: [waitingLine(ctx), finding(ctx)] };
  if (draft.who === "known" && findFamily(ctx.pack, draft)?.exempt) return { head: say("familyHead"), body: [waitingLine(ctx), notice("warn", say("mustCounter", { name: findFamily(ctx.pack, draft).name })), other] };
  if (draft.who === "known") return { head: say("familyHead"), body: [waitingLine(ctx), notice("good", say("familyPicked", { name: findFamily(ctx.pack, draft)?.name ?? draft.family.family_name })), other] };
  return {
    head: say("newHead"),
    body: [
      waitingLine(ctx), h("div", { class: "form-columns" }, ofFamily(ctx, "given_name", "givenName", { autocapitalize: "words" }), ofFamily(ctx, "family_name", "familyName", { autocapitalize: "words" })),
      h("div", { class: "form-columns" }, ofFamily(ctx, "phone", "phone", { type: "tel", inputmode: "tel" }), ofFamily(ctx, "email", "email", { type: "email", inputmode: "email" })),
      h("p", { class: "field-hint" }, say("emailHint")), other,
    ],
  };
}

export function address(ctx) {
  const { say } = ctx;
  return {
    head: say("addressHead"),
    body: [
      h("div", { class: "form-columns" }, ofFamily(ctx, "street", "street", { autocapitalize: "words" }), ofFamily(ctx, "unit", "unit", { optional: say("optional"), width: "w-short" })),
      h("div", { class: "form-columns" }, ofFamily(ctx, "city", "city", { autocapitalize: "words" }), ofFamily(ctx, "state", "state", { width: "w-short", autocapitalize: "characters" }), ofFamily(ctx, "postal_code", "zip", { width: "w-short", inputmode: "numeric" })),
    ],
  };
}

const gradeSelect = (ctx) => {
  const { draft, say } = ctx;
  const error = ctx.wrong("grade");
  return h("div", { class: `field${error ? " has-error" : ""}` },
    h("label", { for: "night-grade" }, say("grade")), error && h("span", { class: "field-error", id: "night-grade-error" }, error),
    h("select", { id: "night-grade", class: "w-short", autocomplete: "off", "aria-invalid": error ? "true" : null, "aria-describedby": error ? "night-grade-error" : null, onchange: (event) => ctx.set((each) => { each.student.grade = event.target.value; }) },
      h("option", { value: "" }, say("gradeOpen")), GRADES.map((n) => h("option", { value: n, selected: String(draft.student.grade) === String(n) }, say("gradeOf", { n })))));
};

const ofStudent = (ctx, name, label) =>
  field({ name: `student_${name}`, label: ctx.say(label), value: ctx.draft.student[name], error: ctx.wrong(`student_${name}`), autocapitalize: "words", oninput: (typed) => ctx.set((draft) => { draft.student[name] = typed; }) });

function studentCards(ctx, students) {
  const { draft, say, pack } = ctx;
  const where = (student) => {
    const programme = pack.night.programmes.find((each) => each.id === student.programme)?.name;
    return student.grade ? say(programme ? "gradeSmall" : "gradeOnly", { n: student.grade, programme }) : programme ?? "";
  };
  return choices({ name: "student", legend: say("studentHead"), hidden: true },
    students.map((student) => choice({ name: "student", value: student.id, label: fullName(student), note: where(student), checked: draft.student.id === student.id, onpick: () => ctx.redo((each) => takeStudent(each, student)) })),
    choice({ name: "student", value: "new", label: say("studentNew"), checked: draft.student.id === null, onpick: () => ctx.redo((each) => { each.student = { id: null, given_name: "", family_name: findFamily(pack, each)?.name ?? each.family.family_name, grade: "" }; }, { focus: "night-student_given_name" }) }));
}

export function student(ctx) {
  const { draft, say, pack, known } = ctx;
  const taken = new Set(draft.brothers.map((each) => each.id).filter(Boolean));
  const students = (known.family?.students ?? []).filter((each) => !taken.has(each.id));
  const guardians = known.family?.guardians ?? [];
  if (draft.student.id === null && !draft.student.family_name) draft.student.family_name = draft.family.family_name;
  return {
    head: say("studentHead"),
    body: [
      students.length > 0 && studentCards(ctx, students),
      draft.student.id === null && h("div", { class: "stack" }, h("div", { class: "form-columns" }, ofStudent(ctx, "given_name", "givenName"), ofStudent(ctx, "family_name", "familyName")), gradeSelect(ctx)),
      (pack.night.programmes.length > 1 || !draft.programme) && choices({ name: "programme", legend: say("programme"), error: ctx.wrong("programme") },
        pack.night.programmes.map((each) => choice({ name: "programme", value: each.id, label: each.name, checked: draft.programme === each.id, onpick: () => ctx.set((one) => { one.programme = each.id; }) }))),
      guardians.length > 1 && choices({ name: "guardian", legend: say("guardianLabel") },
        guardians.map((each) => choice({ name: "guardian", value: each.id, label: fullName(each), note: each.phone_end ? `… ${each.phone_end}` : "", checked: draft.guardian_id === each.id, onpick: () => ctx.set((one) => { one.guardian_id = each.id; }) }))),
    ].filter(Boolean),
  };
}
