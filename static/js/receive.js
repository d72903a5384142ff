// Receiving: each scan fills the next empty place. Boxes: textarea[data-codes] inside [data-line], whose input[name$="-pieces"] says how
// many there should be. A scan from anywhere on the page goes to the box that was used last, and on to the next line once that is full;
// a code that stands in a box of the same sort already is not taken twice. What happened is said in [data-said].
// Without this script a scanner types into the box it stands in, one code a line.

const form = document.querySelector("form[data-receive]");
const boxes = [...form.querySelectorAll("textarea[data-codes]")];
const said = form.querySelector("[data-said]");
let last = null;

const line = (box) => box.closest("[data-line]");
const codes = (box) => box.value.split(/[\n\t,;]/).map((code) => code.trim().toUpperCase()).filter(Boolean);
const wanted = (box) => Number(line(box).querySelector("input[name$='-pieces']").value.replace(/\D/g, "")) || 0;
const isFull = (box) => wanted(box) > 0 && codes(box).length >= wanted(box);
const sort = (box) => boxes.filter((other) => other.dataset.codes === box.dataset.codes);

const say = (words, state) => {
  said.textContent = words;
  said.dataset.state = state;
};

const count = (box) => {
  const told = line(box).querySelector(`[data-count-of="${box.id}"]`);
  const [have, want] = [codes(box).length, wanted(box)];
  told.textContent = have || (want && box.dataset.codes !== "tags") ? `${have} of ${want || "?"} ${box.dataset.codes}` : "";
  told.dataset.state = !want || have < want ? "some" : have === want ? "full" : "over";
};

/** The next box of the same sort, on a line that says how many came, with room left. */
const nextFree = (box) => {
  const all = sort(box);
  const after = all.slice(all.indexOf(box) + 1);
  return after.find((other) => wanted(other) > 0 && !isFull(other)) ?? null;
};

const goTo = (box) => {
  last = box;
  box.focus();
  box.setSelectionRange(box.value.length, box.value.length);
};

const take = (code) => {
  let box = last ?? boxes[0];
  if (isFull(box)) box = nextFree(box) ?? box;
  const other = sort(box).find((each) => codes(each).includes(code.toUpperCase()));
  if (other) {
    const place = codes(other).indexOf(code.toUpperCase()) + 1;
    say(`${code} stands on line ${Number(line(other).dataset.line)} already, row ${place}. It was not taken again.`, "bad");
    return;
  }
  if (isFull(box)) {
    say(`${code} was not taken: every line is full. Change how many came, or add a line.`, "bad");
    return;
  }
  box.value = `${box.value.replace(/\s+$/, "")}${box.value.trim() ? "\n" : ""}${code}\n`;
  box.scrollTop = box.scrollHeight;
  box.dispatchEvent(new Event("input", { bubbles: true }));
  say(`${code}: line ${Number(line(box).dataset.line)}, row ${codes(box).length}.`, "good");
};

form.addEventListener("scan", (event) => {
  event.preventDefault();
  take(event.detail.code);
});

form.addEventListener("focusin", (event) => {
  if (boxes.includes(event.target)) last = event.target;
});

form.addEventListener("input", (event) => {
  const place = event.target.closest("[data-line]");
  if (!place) return;
  boxes.filter((box) => line(box) === place).forEach(count);
  // the line after the last code was begun, and nothing more belongs here: go on to the next line of the delivery
  if (boxes.includes(event.target) && event.target.value.endsWith("\n") && isFull(event.target)) {
    const next = nextFree(event.target);
    if (next) goTo(next);
  }
});

boxes.forEach(count);
