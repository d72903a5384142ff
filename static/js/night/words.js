// Every word of the questions, in English and Spanish, and the one function that says them: speak("es")("key", { name: … }).
// A test holds that both tables have the same keys and the same marks.
import { ENGLISH } from "./words-en.js";
import { SPANISH } from "./words-es.js";

export const LANGUAGES = { en: "English", es: "Español" };
export const TABLES = { en: ENGLISH, es: SPANISH };

/** Gives the function that says a key in a language, its {marks} filled in. A key nobody knows is an error, not an empty line. */
export const speak = (language) => (key, values = {}) => {
  const words = (TABLES[language] ?? ENGLISH)[key];
  if (words === undefined) throw new RangeError(`No words for ${key}`);
  return words.replace(/\{(\w+)\}/g, (_, mark) => String(values[mark] ?? ""));
};

/** The name of a kind: the catalogue's in English, ours in Spanish where there is one. */
export const kindName = (kind, language) => (language === "es" && SPANISH[`kind_${kind.code}`]) || kind.name;
