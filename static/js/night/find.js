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

const bare = (text) => plain(text).replace(/[^a-z0-9]/g, "");

/**
 * The forms filled in at home that are meant: all children of a family whose code is typed, however it is written, or forms of which
 * every word typed begins a name; at most `most`.
 */
export function findHomeForms(pack, typed, most = 8) {
  const forms = pack.home_forms ?? [];
  const code = bare(typed);
  const coded = code.length < 4 ? [] : forms.filter((form) => bare(form.code) === code || bare(form.code.split("-")[0]) === code);
  if (coded.length) return coded.slice(0, most);
  const asked = words(typed);
  if (asked.join("").length < 2) return [];
  const names = (form) => words([form.household, form.guardian, form.student].flatMap((each) => [each?.name, each?.given_name, each?.family_name]).filter(Boolean).join(" "));
  return forms.filter((form) => asked.every((word) => names(form).some((name) => name.startsWith(word)))).slice(0, most);
}
