// The agreement's text, put together on the tablet from the pack's form: the same words, and the same SHA-256, as the office's own.
import { money } from "./price.js";

const MARK = /\{\{(\w+)\}\}/g;

const tidy = (words) => String(words ?? "").trim().replace(/\s+/g, " ");

/**
 * Fills a form in. `texts` has paragraphs and choices, `places` names the paragraphs of each section, the heading's first;
 * a paragraph that is one mark of a choice is the paragraph the choice gives. Throws RangeError for a mark that no fact answers.
 */
export function fill(texts, places, facts, chosen) {
  const fact = (_, mark) => {
    if (!(mark in facts)) throw new RangeError(`The text asks for ${mark}, which nobody told.`);
    return facts[mark];
  };
  const one = (place) => {
    const words = texts.paragraphs[place];
    const choice = /^\{\{(\w+)\}\}$/.exec(words)?.[1];
    return (choice in texts.choices ? texts.choices[choice][chosen[choice]] : words).replace(MARK, fact);
  };
  return places.map(([heading, ...rest]) => ({ heading: one(heading), paragraphs: rest.map(one) }));
}

/** The sections as one plain text, always the same for the same words. */
export const plainText = (sections) => sections.map(({ heading, paragraphs }) => [heading, ...paragraphs].join("\n")).join("\n\n");

/** The SHA-256 of the plain text in UTF-8, hexadecimal. */
export async function sha256Of(sections) {
  const digest = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(plainText(sections)));
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** A telephone number of ten digits as the office prints it: "(312) 555-0142". */
export function phoneInWords(typed) {
  const digits = tidy(typed).replace(/\D/g, "").replace(/^1(?=\d{10}$)/, "");
  return digits.length === 10 ? `(${digits.slice(0, 3)}) ${digits.slice(3, 6)}-${digits.slice(6)}` : tidy(typed);
}

/** The lines of a quote in a row, as the agreement says them: "Rent $22.00; Tax on rent $1.82". */
export function linesInWords(lines, currency) {
  const said = ({ kind, name, isTax }) => {
    if (kind === "goods") return isTax ? `Tax on ${name}` : name;
    return isTax ? `Tax on ${kind}` : `${kind === "rent" ? "Rent" : "Protection"}${name}`;
  };
  return lines.map((line) => `${said(line)} ${money(line.cents, currency)}`).join("; ") || "nothing";
}

/** What the text is filled in with, and which paragraph of each choice is meant. */
export function factsOf(draft, known, pack) {
  const { family: home } = draft;
  const isKnown = draft.who === "known";
  const guardian = known.family?.guardians.find((each) => each.id === draft.guardian_id) ?? home;
  const facts = {
    guardian: tidy(`${guardian.given_name} ${guardian.family_name}`),
    street: tidy(home.unit) ? `${tidy(home.street)}, ${tidy(home.unit)}` : tidy(home.street),
    city: tidy(home.city), state: tidy(home.state).toUpperCase(), postal_code: tidy(home.postal_code),
    reached: [phoneInWords(home.phone), tidy(home.email)].filter(Boolean).join(", "),
    number: known.family?.number ?? "",
    student: tidy(`${draft.student.given_name} ${draft.student.family_name}`),
    programme: known.programme?.name ?? "",
    model: known.item.words,
    tag: known.unit?.tag ?? "", serial: known.unit?.serial ?? "",
    due_today: money(known.quote.dueToday, pack.currency),
    lines: linesInWords(known.quote.today, pack.currency),
  };
  const chosen = {
    family: isKnown ? "known" : "new",
    student_line: known.programme ? "in_programme" : "alone",
    unit: known.unit ? (known.unit.serial ? "serial" : "tag") : "none",
    condition: known.unit ? known.unit.grade : known.isNew ? "new" : "used",
    receipt: known.unit ? "assigned" : "none",
    due: "due",
  };
  return { facts, chosen };
}

/** The text of a draft: what the family reads and signs. */
export function sectionsOf(draft, known, pack) {
  const { facts, chosen } = factsOf(draft, known, pack);
  return fill(pack.texts, pack.quotes[known.protection ? known.price.with : known.price.without].sections, facts, chosen);
}
