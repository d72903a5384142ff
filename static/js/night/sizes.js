// Which size of a bowed string fits: by the arm, else by the school year. The same rule as the office's own, on the pack's rows.
// Lengths are kept in thousandths of an inch, so that comparing them is exact.

const NEAR = 500; // makers differ by half an inch

const thousandths = (text) => {
  const [whole, part = ""] = String(text).split(".");
  return Number(whole) * 1000 + Number(part.padEnd(3, "0").slice(0, 3));
};

const inches = (length) => String(length / 1000);

/** Reads an arm's length in inches ("21", "21.5", "21 1/2", with or without a sign for inches) in thousandths; null when it is none. */
export function readArm(text) {
  const found = /^(\d{1,2})(?:[.,](\d{1,3})| (\d)\/([248]))? ?(?:"|”|″|in\.?|inch|inches)?$/.exec(text.trim().replace(/\s+/g, " "));
  if (!found) return null;
  const [, whole, part = "0", over, under] = found;
  return Number(whole) * 1000 + Number(part.padEnd(3, "0")) + (over ? (Number(over) * 1000) / Number(under) : 0);
}

const known = (value) => value !== null && value !== undefined && value !== "";

const propose = (rows, place, because, values) => ({
  size: rows[place].size,
  because,
  values,
  smaller: rows[place - 1]?.size ?? "",
  larger: rows[place + 1]?.size ?? "",
});

function byArm(rows, arm) {
  const measured = rows.map((row, place) => [place, row.arm]).filter(([, least]) => least !== null);
  const fitting = measured.filter(([, least]) => least <= arm);
  const here = inches(arm);
  if (!fitting.length) return propose(rows, measured[0][0], "armSmallest", { arm: here, least: inches(measured[0][1]) });
  const [place, least] = fitting.at(-1);
  const above = measured.find(([other]) => other > place)?.[1];
  const values = { arm: here, least: inches(least), above: above === undefined ? "" : inches(above) };
  if (above === undefined) return propose(rows, place, "armLargest", values);
  return propose(rows, place, above - arm <= NEAR ? "armNear" : "armBetween", values);
}

function byGrade(rows, grade) {
  const age = grade + 5; // common practice, no source
  const aged = rows.map((row, place) => [place, row]).filter(([, row]) => row.from !== null);
  const fitting = aged.filter(([, row]) => row.from <= age && age <= (row.to ?? 999));
  const below = aged.filter(([, row]) => row.from <= age);
  const [place, row] = fitting[0] ?? below.at(-1) ?? aged[0];
  return propose(rows, place, row.to === null ? "gradeAndUp" : "gradeRange", { grade, age, from: row.from, to: row.to });
}

/** The rows of one kind, smallest first, from the pack's sizes. */
export const sizesOf = (pack, kind) => pack.sizes.filter((row) => row.kind === kind);

/**
 * Proposes a size from rows of { size, arm_inches, age_from, age_to }: { size, because, values, smaller, larger };
 * null without sizes, or when nothing is known. `because` is a key of words.js with its `values`.
 * By arm it is the largest size whose least arm is not longer than the student's; by year the smallest usual then.
 */
export function proposeSize(packed, { arm = null, grade = null }) {
  const rows = packed.map((row) => ({
    size: row.size,
    arm: known(row.arm_inches) ? thousandths(row.arm_inches) : null,
    from: known(row.age_from) ? Number(row.age_from) : null,
    to: known(row.age_to) ? Number(row.age_to) : null,
  }));
  if (!rows.length) return null;
  if (arm !== null && rows.some((row) => row.arm !== null)) return byArm(rows, arm);
  return grade === null ? null : byGrade(rows, grade);
}
