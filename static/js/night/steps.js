// The questions of a sign-up, one thing at a time. Every answer is in the vault's draft before the next is asked: a closed tab comes back
// where it was. What follows from what is draft.js, what each step shows is steps/*.js; here is only the walk from one to the next.
import { watchCameras } from "../camera-scan.js";
import { watchWedge } from "../wedge.js";
import { Pad } from "../signature.js";
import { deviceOf } from "./beat.js";
import { button, focusOn, h, notice } from "./dom.js";
import { derive, familyName, firstUnfinished, listProblems, listSteps, makeEnvelope, newDraft, tickKit } from "./draft.js";
import { ageInWords, dropGone, takeFresh, tellOfPack } from "./fresh.js";
import { freeUnits } from "./pack.js";
import { money, toCents, fromCents } from "./price.js";
import { address, family, student } from "./steps/family.js";
import { instrument, size, unit } from "./steps/instrument.js";
import { kit, plan, review } from "./steps/terms.js";
import { waitingLine } from "./steps/line.js";
import { done, outcome, pay, sign } from "./steps/sign.js";
import { sectionsOf, sha256Of } from "./text.js";
import { LANGUAGES, speak } from "./words.js";

const STEPS = { family, address, student, instrument, size, unit, kit, plan, review, sign, pay, done };
const DRAFT = ["draft", "current"];

class Walk {
  constructor({ vault, queue, pack, root, line = null }) {
    Object.assign(this, { vault, queue, pack, root, line, fresh: null, lineTold: "", draft: null, problems: [], told: [], saving: Promise.resolve(), busy: false, asking: false });
    this.stage = h("div", { class: "stack night-step" });
    root.append(this.stage);
  }

  async begin() {
    this.draft = await this.vault.get(...DRAFT) ?? newDraft({ pack: this.pack });
    this.device = await deviceOf(this.vault);
    this.mayDefer = Boolean((await this.vault.get("count", "person"))?.defer);
    this.queue.knock?.().then((person) => { if (person) this.mayDefer = Boolean(person.defer); });
    const resumed = this.draft.seen.length > 0 && this.draft.step !== "done";
    if (resumed) this.told.push(["good", "resumed", {}]);
    await this.settle();
    tellOfPack(this);
    watchWedge(document);
    this.queue.onChange(() => { this.refreshDone(); this.refreshLine(); });
    this.render();
    return this;
  }

  /** Takes a pack that was loaded meanwhile, and says what it changes for the sign-up under way. */
  use(pack) {
    if (!pack || pack.version === this.pack.version) return;
    this.pack = pack;
    tellOfPack(this);
    this.render();
  }

  /** Holds a newer pack until the question that is open is answered. */
  offer(pack) { this.fresh = pack; }

  known() { return derive(this.draft, this.pack, this.free()); }

  /** What is along and not given out by this tablet; the unit of the draft itself counts as free until it is signed. */
  free() { return freeUnits(this.pack, this.queue); }

  show(cents) { return money(cents, this.pack.currency); }

  context() {
    const walk = this;
    const say = speak(this.draft.language);
    return {
      draft: this.draft, pack: this.pack, queue: this.queue, say, mayDefer: this.mayDefer,
      get known() { return walk.known(); },
      free: () => this.free(), show: (cents) => this.show(cents), sections: () => this.sections(), textLanguage: this.pack.texts?.language ?? "en",
      wrong: (name) => { const found = this.problems.find((each) => each.field === name); return found ? say(found.key, found.values) : ""; },
      set: (change) => { change(this.draft); this.save(); },
      redo: (change, { focus, refuse, goOn } = {}) => {
        change(this.draft);
        this.problems = refuse ? [refuse] : [];
        this.save();
        if (goOn) this.goOn();
        else this.render({ focus: focus ?? document.activeElement?.id });
      },
      go: (step, { returning = false } = {}) => this.go(step, returning),
      begin: (after) => this.next(after),
      line: this.line && { online: this.line.online, busy: this.lineBusy, told: this.lineTold, act: (act) => this.useLine(act) },
    };
  }

  /** Does something with the waiting line, one thing at a time; `act(line)` gives what is to be told. What is typed meanwhile stays. */
  async useLine(act) {
    if (this.lineBusy) return;
    this.lineBusy = true;
    this.refreshLine(true);
    try { this.lineTold = await act(this.line); } finally { this.lineBusy = false; }
    if (this.draft.step !== "family") return;
    if (this.draft.who === "" && this.draft.waiting) this.render({ focus: "night-find" });
    else this.refreshLine(true);
  }

  refreshLine(anyway = false) {
    const place = this.draft?.step === "family" && this.stage.querySelector("#night-line");
    if (!place || (!anyway && this.lineOnline === this.line.online)) return;
    this.lineOnline = this.line.online;
    const had = place.contains(document.activeElement);
    place.replaceWith(waitingLine(this.context()));
    if (had) this.stage.querySelector("#night-line-act").focus();
  }

  sections() { return sectionsOf(this.draft, this.known(), this.pack); }

  /** Keeps the draft; one after the other, so that the newest is what stays. */
  save() {
    const kept = JSON.parse(JSON.stringify(this.draft));
    this.saving = this.saving.then(() => this.vault.isOpen === false ? null : this.vault.put(...DRAFT, kept)).catch((error) => this.fail(error));
    return this.saving;
  }

  fail(error) {
    this.stage.querySelector("[data-failed]")?.remove();
    this.stage.prepend(h("div", { role: "alert", "data-failed": true }, notice("bad", error.message)));
  }

  steps() { return listSteps(this.draft, this.known()); }

  facts() { const known = this.known(); return { draft: this.draft, known, say: speak(this.draft.language), show: (cents) => this.show(cents) }; }

  /** A draft that came back, or whose facts changed since, stands where it may stand. */
  async settle() {
    const { draft } = this;
    if (this.queue.unsent?.().some((row) => row.id === draft.id) || this.queue.sent?.().some((row) => row.id === draft.id)) draft.step = "done";
    if (draft.step === "done") return;
    dropGone(this);
    draft.step = firstUnfinished(this.steps(), draft.step, this.facts()) ?? draft.step;
  }

  go(wanted, returning = false) {
    const step = takeFresh(this, wanted);
    this.draft.returning = returning;
    this.draft.step = step;
    this.problems = [];
    this.save();
    this.render({ top: true });
  }

  back() {
    const steps = this.steps();
    this.go(steps[Math.max(0, steps.indexOf(this.draft.step) - 1)]);
  }

  async goOn() {
    const { draft } = this;
    this.problems = listProblems(draft.step, this.facts());
    if (this.problems.length) { this.render({ errors: true }); return; }
    this.told = this.told.filter(([, key]) => key === "packOld");
    if (!draft.seen.includes(draft.step)) draft.seen.push(draft.step);
    if (draft.step === "instrument") tickKit(draft, this.pack);
    if (draft.step === "review") { draft.told = fromCents(this.known().quote.dueToday); draft.pack = this.pack.version; await this.presetSigner(); }
    if (draft.step === "sign" && !await this.keepSigned()) return;
    if (draft.step === "pay") { await this.finish(); return; }
    const steps = this.steps();
    const next = steps[steps.indexOf(draft.step) + 1];
    if (next === "kit" || draft.step === "student") tickKit(draft, this.pack);
    const open = firstUnfinished(steps, "review", this.facts());
    this.go(draft.returning && steps.indexOf(draft.step) < steps.indexOf("review") ? open ?? "review" : next, Boolean(draft.returning && open));
  }

  /** Keeps what was signed; a signature that was given to another text is cleared, and it is signed again. Gives whether it stands. */
  async keepSigned() {
    const { signature } = this.draft;
    const sha256 = await sha256Of(this.sections());
    if (signature.text_sha256 && signature.text_sha256 !== sha256) { this.clearSignature(); this.go("sign"); return false; }
    signature.text_sha256 = sha256;
    return true;
  }

  clearSignature() {
    Object.assign(this.draft.signature, { strokes: "", consent: false, text_sha256: "" });
    this.told.push(["warn", "signAgain", {}]);
  }

  async presetSigner() {
    const { draft } = this;
    if (draft.signature.signer_name) return;
    const guardian = this.known().family?.guardians.find((each) => each.id === draft.guardian_id) ?? draft.family;
    draft.signature.signer_name = `${guardian.given_name} ${guardian.family_name}`.trim().replace(/\s+/g, " ");
  }

  /** Puts the sign-up into the queue, once; what was signed must be what stands here now. */
  async finish() {
    if (this.busy) return;
    this.busy = true;
    try {
      const { draft } = this;
      const sections = this.sections();
      const unfinished = firstUnfinished(this.steps(), "pay", this.facts());
      if (unfinished || (await sha256Of(sections)) !== draft.signature.text_sha256) {
        this.clearSignature();
        this.go(unfinished ?? "sign");
        return;
      }
      const takenBy = (await this.vault.get("count", "person"))?.takenBy ?? "";
      await this.queue.add(makeEnvelope(draft, this.known(), { pack: this.pack, device: this.device, sections, takenBy }));
      draft.step = "done";
      await this.save();
      this.render({ top: true });
    } catch (error) { this.fail(error); } finally { this.busy = false; }
  }

  /** Begins the next sign-up: of the same family, or with nothing of the family before but the `number` that is still served. */
  async next(after, number = {}) {
    Object.assign(this, { pack: this.fresh ?? this.pack, fresh: null });
    this.draft = { ...newDraft({ pack: this.pack, after, language: after?.language ?? "en" }), ...number };
    this.lineTold = "";
    this.problems = [];
    this.told = [];
    tellOfPack(this);
    await this.save();
    this.render({ top: true });
  }

  refreshDone() {
    const place = this.draft?.step === "done" && this.stage.querySelector("#night-outcome");
    if (place) place.replaceChildren(outcome(this.context()));
  }

  progress() {
    const steps = this.steps();
    const say = speak(this.draft.language);
    const at = steps.indexOf(this.draft.step);
    const left = steps.slice(at + 1).map((step) => say(`step_${step}`)).join(", ");
    return h("div", { class: "night-progress" },
      h("progress", { max: steps.length, value: at + 1, "aria-label": say("stepsLabel") }),
      h("p", {}, h("strong", {}, say("progress", { n: at + 1, all: steps.length })), " ", h("span", { class: "soft" }, left ? say("progressLeft", { left }) : say("lastStep"))));
  }

  top() {
    const { draft } = this;
    const say = speak(draft.language);
    const name = familyName(this.pack, draft);
    const languages = Object.entries(LANGUAGES).map(([code, words]) =>
      button(words, () => { draft.language = code; this.save(); this.render({ focus: `night-language-${code}` }); }, { id: `night-language-${code}`, lang: code, "aria-pressed": String(draft.language === code) }));
    return h("div", { class: "night-top" },
      h("p", {}, name && say("familyNow", { name }), h("span", { class: "soft night-age", id: "night-age" }, this.age())),
      h("div", { class: "row", role: "group", "aria-label": say("languageLabel") }, languages));
  }

  age() { return ageInWords(this.fresh ?? this.pack, speak(this.draft.language), this.draft.language); }

  refreshAge() {
    const place = this.stage.querySelector("#night-age");
    if (place) place.textContent = this.age();
  }

  away() {
    const say = speak(this.draft.language);
    if (this.draft.step === "family" && this.draft.who === "") return null;
    if (!this.asking) return button(say("startAgain"), () => { this.asking = true; this.render({ focus: "night-away-no" }); }, { class: "button-link", id: "night-away" });
    const name = familyName(this.pack, this.draft) || say("step_family");
    return h("div", { class: "confirm" }, h("p", {}, say("startAgainSure", { name })), h("div", { class: "form-actions" },
      button(say("startAgainNo"), () => { this.asking = false; this.render({ focus: "night-away" }); }, { id: "night-away-no" }),
      button(say("startAgainYes"), () => { this.asking = false; this.next(null, numberOf(this.draft)); }, { class: "button-bad" })));
  }

  errors() {
    const say = speak(this.draft.language);
    const rows = this.problems.map((each) => h("li", {}, h("a", { href: `#night-${each.field}`, onclick: (event) => { event.preventDefault(); focusOn(this.stage, each.field); } }, say(each.key, each.values))));
    return rows.length ? h("div", { class: "error-summary", tabindex: "-1", role: "alert", "aria-labelledby": "night-errors" }, h("h2", { id: "night-errors" }, say("errorsHead")), h("ul", {}, rows)) : null;
  }

  form(made, say) {
    const { draft } = this;
    const first = this.steps()[0] === draft.step;
    const acts = made.last ? null : h("div", { class: "form-actions night-acts" },
      h("button", { class: "button", id: "night-go-on" }, made.goOn ?? say("goOn")),
      draft.returning ? button(say("toReview"), () => this.goOn(), { id: "night-back" }) : !first && button(say("back"), () => this.back(), { id: "night-back" }));
    return h("form", { class: "form", novalidate: true, autocomplete: "off", onsubmit: (event) => { event.preventDefault(); this.goOn(); } }, ...made.body, acts);
  }

  render({ focus, errors = false, top = false } = {}) {
    this.stage.querySelector("[data-camera-view]:not([hidden]) [data-camera-close]")?.click();
    const context = this.context();
    const made = STEPS[this.draft.step](context);
    this.root.lang = this.draft.language;
    const isDone = this.draft.step === "done";
    const told = this.told.map(([tone, key, values]) => notice(tone, context.say(key, typeof values === "function" ? values(this.draft.language) : values)));
    this.stage.replaceChildren(...[
      this.top(), !isDone && this.progress(), h("div", { role: "status", class: "stack-tight" }, told), this.errors(),
      h("h1", { tabindex: "-1", id: "night-head" }, made.head), this.form(made, context.say), !isDone && this.away(),
    ].filter(Boolean));
    for (const box of this.stage.querySelectorAll("[data-signature][hidden]")) new Pad(box);
    watchCameras(this.stage);
    if (errors) this.stage.querySelector(".error-summary").focus();
    else if (top) { scrollTo(0, 0); this.stage.querySelector("#night-head").focus(); }
    else if (focus) document.getElementById(focus)?.focus();
  }
}

const numberOf = ({ waiting, waiting_code, waiting_note }) => ({ waiting, waiting_code, waiting_note });

/** Begins the questions in `root`; gives the walk, whose use(pack) takes a pack that was loaded anew. */
export const startSteps = (parts) => new Walk(parts).begin();
