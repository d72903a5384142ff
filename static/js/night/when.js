// Days and moments in words, by the shop's clock, in the language of the family.
const LOCALES = { en: "en-US", es: "es-US" };

const say = (language, options, moment) => new Intl.DateTimeFormat(LOCALES[language] ?? LOCALES.en, options).format(moment);

/** A day written as "2026-11-30": "Monday, November 30". */
export const dayInWords = (day, language = "en") => say(language, { weekday: "long", month: "long", day: "numeric", timeZone: "UTC" }, new Date(`${day}T00:00:00Z`));

/** A moment written with its zone, as the shop's clock shows it: "Sunday, November 29 at 4:40 PM". */
export const momentInWords = (moment, zone, language = "en") => {
  const options = { weekday: "long", month: "long", day: "numeric", hour: "numeric", minute: "2-digit", timeZone: zone };
  return say(language, options, new Date(moment));
};

/** The day of a moment by the shop's clock, as "2026-11-29". */
export const dayOf = (moment, zone) => {
  const parts = new Intl.DateTimeFormat("en-US", { year: "numeric", month: "2-digit", day: "2-digit", timeZone: zone }).formatToParts(new Date(moment));
  const part = (type) => parts.find((each) => each.type === type).value;
  return `${part("year")}-${part("month")}-${part("day")}`;
};
