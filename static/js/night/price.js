// What a sign-up costs, from the pack: whole cents as BigInt, tax per line, half up. No network, no page.
// The same rules as the office's own quotes: Streamlined Sales and Use Tax Agreement, section 324 (round up above 4 at the third
// decimal, which is half up on the exact figure); each line's tax by itself. The server works everything out again.

const SCALED = /^(-?)(\d+)(?:\.(\d+))?$/;

/** Reads a decimal string into a whole number and its power of ten: "0.0825" is [825n, 10000n]. Throws RangeError on anything else. */
export function readDecimal(text) {
  const found = SCALED.exec(String(text).trim());
  if (!found) throw new RangeError(`Not a decimal number: ${text}`);
  const [, sign, whole, part = ""] = found;
  return [BigInt(`${sign}${whole}${part}`), 10n ** BigInt(part.length)];
}

const halfUp = (above, below) => (above < 0n ? -halfUp(-above, below) : (2n * above + below) / (2n * below));

/** Cents of an amount of money: "12.34" is 1234n. */
export function toCents(text) {
  const [figure, scale] = readDecimal(text);
  return halfUp(figure * 100n, scale);
}

/** The amount of so many cents as the server writes it: 1234n is "12.34". */
export function fromCents(cents) {
  const digits = String(cents < 0n ? -cents : cents).padStart(3, "0");
  return `${cents < 0n ? "-" : ""}${digits.slice(0, -2)}.${digits.slice(-2)}`;
}

/** Cents a person typed: "60", "60.5", "$1,060.50"; null when it cannot be read. */
export function readMoney(text) {
  const plain = String(text).replace(/[\s$]/g, "").replace(/,(?=\d{3}(?:\D|$))/g, "").replace(",", ".");
  return /^\d{1,6}(?:\.\d{1,2})?$/.test(plain) ? toCents(plain) : null;
}

/** The tax on one line; `rate` is a fraction as text: "0.0825" is 8.25 %. */
export function taxOn(cents, rate) {
  const [figure, scale] = readDecimal(rate);
  return halfUp(cents * figure, scale);
}

const withTax = (kind, name, cents, rate) => {
  const tax = taxOn(cents, rate);
  const line = { kind, name, cents, isTax: false };
  return tax ? [line, { kind, name, cents: tax, isTax: true }] : [line];
};

const total = (lines) => lines.reduce((sum, line) => sum + line.cents, 0n);

const period = (rent, protection, taxes, note) => [
  ...(rent ? withTax("rent", note, rent, taxes.rent) : []), // a first period that begins later has no line today
  ...(protection ? withTax("protection", note, protection, taxes.protection) : []),
];

/**
 * What is to pay today and in every plain month.
 * `price` is a row of the pack's prices, `taxes` its rates, `goods` rows of { name, price, quantity }.
 * Gives { today, monthly, goods } as lists of lines, and dueToday, eachMonth, goodsTotal in cents.
 */
export function quote({ price, taxes, protection, goods = [] }) {
  const monthly = period(toCents(price.rent), protection ? toCents(price.protection) : 0n, taxes, "");
  const first = period(
    toCents(price.first_rent ?? price.rent),
    protection ? toCents(price.first_protection ?? price.protection) : 0n,
    taxes,
    price.first_note ?? "",
  );
  const bought = goods.flatMap(({ name, price: each, quantity }) =>
    withTax("goods", quantity === 1 ? name : `${quantity} × ${name}`, toCents(each) * BigInt(quantity), taxes.goods));
  const today = [...first, ...bought];
  return { today, monthly, goods: bought, dueToday: total(today), eachMonth: total(monthly), goodsTotal: total(bought) };
}

const SIGNS = { USD: "$", CAD: "CA$", EUR: "€", GBP: "£" };

/** An amount as the office's screens write it: "$1,250.50". */
export function money(cents, currency = "USD") {
  const [whole, part] = fromCents(cents < 0n ? -cents : cents).split(".");
  return `${cents < 0n ? "−" : ""}${SIGNS[currency] ?? `${currency} `}${whole.replace(/\B(?=(\d{3})+$)/g, ",")}.${part}`;
}
