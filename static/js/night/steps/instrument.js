// Which instrument, which size, which one of those in the van.
import { button, choice, choices, field, h, notice, silhouette } from "../dom.js";
import { listKinds } from "../draft.js";
import { proposeSize, readArm, sizesOf } from "../sizes.js";
import { judgeTag } from "../tags.js";
import { kindName } from "../words.js";

const SHOWN = 6;

const forget = (draft) => Object.assign(draft, { instrument: null, later: false, item: null, is_new: null });

export function instrument(ctx) {
  const { draft, say, pack } = ctx;
  const pick = (code) => () => ctx.set((each) => { if (each.kind !== code) { forget(each); Object.assign(each, { kind: code, size: "", arm: "", size_by_hand: false }); } });
  const cards = listKinds(draft, pack, ctx.free()).map(({ kind, left, approved }) => choice({
    name: "kind", value: kind.code, label: kindName(kind, draft.language), picture: silhouette(kind.code), 
    note: [left ? say("leftInVan", { n: left }) : say("leftNone"), approved && say("approvedMark")].filter(Boolean).join(" · "), checked: draft.kind === kind.code, onpick: pick(kind.code),
  }));
  return { head: say("instrumentHead"), body: [choices({ name: "kind", legend: say("instrumentHead"), hidden: true, error: ctx.wrong("kind"), wide: true }, cards), h("p", { class: "soft" }, say("teacherKnows"))] };
}

const proposal = (ctx) => proposeSize(sizesOf(ctx.pack, ctx.draft.kind), { arm: readArm(ctx.draft.arm), grade: ctx.draft.student.grade ? Number(ctx.draft.student.grade) : null });

/** What the director usually asks for in the student's school year; "" where nothing is told. */
const usualSize = ({ pack, draft }) => {
  const row = pack.usual_sizes?.find((each) => each.programme === draft.programme && each.kind === draft.kind && String(each.grade) === String(draft.student.grade));
  return row?.size ?? "";
};

const takeSize = (draft, size) => { if (draft.size !== size) { forget(draft); draft.size = size; } };

const says = (ctx, found) => [h("strong", {}, ctx.say("sizeProposed", { size: found.size })), ` ${ctx.say(found.because, found.values)} ${ctx.say("sizeTeacher")}`];

export function size(ctx) {
  const { draft, say, pack } = ctx;
  const found = proposal(ctx);
  if (found && !draft.size_by_hand && draft.size !== found.size) ctx.set((each) => takeSize(each, found.size));
  const usual = usualSize(ctx);
  const advice = h("div", { role: "status" }, found && notice("info", ...says(ctx, found)));
  const cards = sizesOf(pack, draft.kind).map((row) => {
    const left = ctx.free().filter((unit) => { const item = pack.items.find((each) => each.id === unit.item); return item?.kind === draft.kind && item.size === row.size; }).length;
    return choice({ name: "size", value: row.size, label: row.size, aside: left ? say("leftInVan", { n: left }) : say("leftNone"), checked: draft.size === row.size, onpick: () => ctx.set((each) => { takeSize(each, row.size); each.size_by_hand = true; }) });
  });
  const measured = (typed) => {
    ctx.set((each) => { each.arm = typed; });
    const now = proposal(ctx);
    advice.replaceChildren(...(now ? [notice("info", ...says(ctx, now))] : []));
    if (!now || draft.size_by_hand) return;
    ctx.set((each) => takeSize(each, now.size));
    for (const input of document.getElementsByName("size")) input.checked = input.value === now.size;
  };
  return {
    head: say("sizeHead"),
    body: [
      field({ name: "arm", label: say("armLabel"), hint: say("armHint"), value: draft.arm, error: ctx.wrong("arm"), optional: say("optional"), width: "w-short", oninput: measured }),
      advice, usual && h("p", { id: "night-usual-size" }, say("sizeUsual", { grade: draft.student.grade, size: usual })), choices({ name: "size", legend: say("sizeLabel"), error: ctx.wrong("size"), wide: true }, cards), h("p", { class: "soft" }, say("sizeFit")),
    ],
  };
}

const words = (ctx, item) => `${kindName(ctx.pack.kinds.find((each) => each.code === item.kind), ctx.draft.language)}${item.size ? ` ${item.size}` : ""}, ${item.name}`;

const takeUnit = (draft, unit) => Object.assign(draft, { instrument: unit.id, item: unit.item, is_new: unit.is_new, later: false, tag: "", tag_taken: unit.tag });

function scan(ctx, code) {
  const wanted = { kind: ctx.draft.kind, size: ctx.known.kind?.has_sizes ? ctx.draft.size : "", approved: ctx.known.approved };
  const verdict = judgeTag(code, { pack: ctx.pack, free: ctx.free(), wanted });
  if (verdict.refused) ctx.redo((draft) => { draft.tag = code; }, { refuse: { field: "tag", key: verdict.refused, values: verdict.values }, focus: "night-tag" });
  else ctx.redo((draft) => { takeUnit(draft, verdict.unit); draft.tag_warned = verdict.warned ? { key: verdict.warned, values: verdict.values } : null; }, { focus: "night-go-on" });
}

function camera(ctx) {
  return h("div", { class: "camera", "data-camera": true },
    h("button", { type: "button", class: "button-plain", "data-camera-open": true, "aria-expanded": "false", hidden: true }, "Scan by camera"),
    h("div", { class: "camera-view", "data-camera-view": true, hidden: true }, h("video", { muted: true, playsinline: true, "aria-label": "What the camera sees" }), h("button", { type: "button", class: "button-plain", "data-camera-close": true }, "Close the camera")),
    h("p", { class: "field-hint", "data-camera-words": true, role: "status" }));
}

function scanning(ctx) {
  const { draft, say, known } = ctx;
  const order = (one, other) => Number(known.approved.includes(other.item)) - Number(known.approved.includes(one.item)) || one.tag.localeCompare(other.tag);
  const here = [...known.here].sort(order);
  const cards = here.slice(0, SHOWN).map((unit) => {
    const item = ctx.pack.items.find((each) => each.id === unit.item);
    return choice({ name: "unit", value: unit.id, label: unit.tag, note: `${item.name}, ${say(unit.is_new ? "unitNew" : "unitUsed")}`, aside: known.approved.includes(item.id) ? say("approvedMark") : "", checked: draft.instrument === unit.id, onpick: () => scan(ctx, unit.tag) });
  });
  const box = h("div", { class: "stack", "data-wedge": true, "data-wedge-pace": "70", "data-wedge-least": "3" },
    h("div", { class: "row night-scan" },
      field({ name: "tag", label: say("tagLabel"), hint: say("tagHint"), value: draft.tag ?? "", error: ctx.wrong("tag"), width: "code w-code", "data-wedge-field": true, oninput: (typed) => ctx.set((each) => { each.tag = typed; }),
        onkeydown: (event) => { if (event.key === "Enter" && event.target.value.trim()) { event.preventDefault(); scan(ctx, event.target.value); } } }),
      button(say("tagTake"), () => { if (draft.tag || !known.unit) scan(ctx, draft.tag ?? ""); })),
    camera(ctx));
  // A scanner that sends no Enter is heard only once it is quiet: by then the tag may have been taken and the step left.
  box.addEventListener("scan", (event) => { event.preventDefault(); if (box.isConnected) scan(ctx, event.detail.code); });
  return [box, cards.length > 0 && choices({ name: "unit", legend: say("hereHead") }, cards), here.length > SHOWN && h("p", { class: "soft" }, say("hereMore", { n: here.length - SHOWN }))];
}

function models(ctx) {
  const { draft, say, known, pack } = ctx;
  const rows = known.models.flatMap((item) => [true, false].filter((isNew) => pack.prices.some((price) => price.item === item.id && price.is_new === isNew)).map((isNew) => ({ item, isNew })));
  return choices({ name: "model", legend: say("laterModel"), error: ctx.wrong("model") }, rows.map(({ item, isNew }) => choice({
    name: "model", value: `${item.id}-${isNew}`, label: words(ctx, item), note: say(isNew ? "unitNew" : "unitUsed"), aside: known.approved.includes(item.id) ? say("approvedMark") : "",
    checked: draft.item === item.id && draft.is_new === isNew, onpick: () => ctx.set((each) => { Object.assign(each, { item: item.id, is_new: isNew, plan: each.plan }); }),
  })));
}

export function unit(ctx) {
  const { draft, say, known } = ctx;
  const warned = draft.tag_warned;
  const later = choice({ type: "checkbox", name: "later", value: "yes", label: say("unitLater"), note: say("unitLaterNote"), checked: draft.later, onpick: (ticked) => ctx.redo((each) => { forget(each); each.later = ticked; }) });
  return {
    head: say("unitHead"),
    body: [
      known.unit && notice("good", say("unitPicked", { tag: known.unit.tag, name: words(ctx, known.item), condition: say(known.isNew ? "unitNew" : "unitUsed") })),
      known.unit && warned && notice("warn", say(warned.key, warned.values)),
      ...(draft.later ? [] : scanning(ctx)), later, draft.later && models(ctx),
    ].filter(Boolean),
  };
}
