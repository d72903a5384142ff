// Reads a scanned or typed tag, and says whether its instrument may be given out here: along, free, the right kind and size.

/** A tag as it is kept: capitals, no spaces, no scanner's prefix or ending, one sort of dash; "" when it cannot be one. */
export function normaliseTag(scanned) {
  const plain = scanned
    .normalize("NFKC")
    .replace(/[\u2010-\u2015\u2212_]/g, "-")
    .replace(/[\s\p{C}]/gu, "")
    .replace(/^\][A-Za-z][0-9A-Za-z]/, "")
    .toUpperCase();
  return /^[A-Z0-9][A-Z0-9-]{2,19}$/.test(plain) ? plain : "";
}

const unit = (units, tag) => units.find((each) => each.tag === tag || (each.serial && each.serial.toUpperCase() === tag));

/**
 * Judges a code against the pack. Gives { unit } or { refused: key of words.js, values }.
 * `free` are the units not yet given out by this tablet, `wanted` is { kind, size, approved: [item ids] or [] for anything }.
 */
export function judgeTag(code, { pack, free, wanted }) {
  const tag = normaliseTag(code);
  if (!tag) return { refused: "tagUnread", values: { tag: code.trim().slice(0, 20) } };
  const found = unit(pack.units, tag);
  if (!found) return { refused: "tagNotAlong", values: { tag } };
  const item = pack.items.find((each) => each.id === found.item);
  const kind = pack.kinds.find((each) => each.code === item.kind);
  const values = { tag: found.tag, kind: kind?.name ?? item.kind, size: item.size, wanted: wanted.size };
  if (!unit(free, found.tag)) return { refused: "tagGiven", values };
  if (item.kind !== wanted.kind) return { refused: "tagOtherKind", values };
  if (wanted.size && item.size !== wanted.size) return { refused: "tagOtherSize", values };
  if (wanted.approved?.length && !wanted.approved.includes(item.id)) return { unit: found, warned: "tagNotApproved", values };
  return { unit: found, values };
}
