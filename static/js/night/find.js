// Finds a family of the pack by the first letters of any of its names, or by the code of the form it filled in at home.

const plain = (text) => text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
const words = (text) => plain(text).split(/[^\p{L}\p{N}]+/u).filter(Boolean);

const namesOf = (family) => [
  family.name,
  ...family.guardians.flatMap((each) => [each.given_name, each.family_name]),
  ...family.students.flatMap((each) => [each.given_name, each.family_name]),
];

const begins = (family, word) => words(family.name).some((name) => name.startsWith(word));

/** The families of which every word typed begins a name, at most `most`; two letters at least. */
export function findFamilies(pack, typed, most = 8) {
  const asked = words(typed);
  if (asked.join("").length < 2) return [];
  return pack.families
    .filter((family) => {
      const has = words(namesOf(family).join(" "));
      return asked.every((word) => has.some((name) => name.startsWith(word)));
    })
    .sort((one, other) => Number(begins(other, asked[0])) - Number(begins(one, asked[0])))
    .slice(0, most);
}

/** The form filled in at home that has this code; spaces, dashes and case do not matter. */
export function findHomeForm(pack, typed) {
  const bare = (text) => plain(text).replace(/[^a-z0-9]/g, "");
  const asked = bare(typed);
  return asked.length < 4 ? null : (pack.home_forms ?? []).find((form) => bare(form.code) === asked) ?? null;
}
