// A signature drawn with finger, pen or mouse. It goes into a hidden field as an SVG path of straight strokes, "M40 60L44 58…", whole
// numbers in the canvas's own measure (680 by 200). The typed name beside it is always enough; this only adds a way.

const STEP = 2; // a new point every two units keeps the record small

export const readLines = (path) =>
  path.split("M").slice(1).map((line) => line.split("L").map((point) => point.trim().split(" ").map(Number)));

const asPath = (lines) => lines.map((line) => `M${line.map(([x, y]) => `${x} ${y}`).join("L")}`).join("");

/** The pad of one element with data-signature; data-drawn and data-cleared say it in other words. */
export class Pad {
  constructor(box) {
    this.box = box;
    this.canvas = box.querySelector("canvas");
    this.field = document.getElementById(box.dataset.signature);
    this.state = box.querySelector("[data-signature-state]");
    this.lines = readLines(this.field.value);
    this.open = null;
    box.hidden = false;
    this.canvas.addEventListener("pointerdown", (event) => this.begin(event));
    this.canvas.addEventListener("pointermove", (event) => this.go(event));
    for (const end of ["pointerup", "pointercancel"]) this.canvas.addEventListener(end, () => this.end());
    box.querySelector("[data-signature-clear]").addEventListener("click", () => this.clear());
    this.draw();
  }

  place(event) {
    const box = this.canvas.getBoundingClientRect();
    const across = Math.round(((event.clientX - box.left) / box.width) * this.canvas.width);
    const down = Math.round(((event.clientY - box.top) / box.height) * this.canvas.height);
    return [Math.min(Math.max(across, 0), this.canvas.width), Math.min(Math.max(down, 0), this.canvas.height)];
  }

  begin(event) {
    if (event.button !== 0) return;
    event.preventDefault();
    this.canvas.setPointerCapture(event.pointerId);
    this.open = [this.place(event)];
    this.lines.push(this.open);
  }

  go(event) {
    if (!this.open) return;
    const events = event.getCoalescedEvents?.() ?? [];
    for (const each of events.length ? events : [event]) { // some browsers know the call and give nothing
      const [x, y] = this.place(each);
      const [lastX, lastY] = this.open[this.open.length - 1];
      if (Math.hypot(x - lastX, y - lastY) >= STEP) this.open.push([x, y]);
    }
    this.draw();
  }

  end() {
    if (!this.open) return;
    if (this.open.length === 1) this.lines.pop(); // a tap is no stroke
    this.open = null;
    this.keep(this.lines.length ? this.box.dataset.drawn ?? "Signature drawn." : "");
  }

  clear() {
    this.lines = [];
    this.keep(this.box.dataset.cleared ?? "Drawing cleared.");
  }

  keep(words) {
    this.field.value = asPath(this.lines);
    this.field.dispatchEvent(new Event("change", { bubbles: true }));
    this.state.textContent = words;
    this.draw();
  }

  draw() {
    const pen = this.canvas.getContext("2d");
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.strokeStyle = "#8a8a8a";
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(30, 160);
    pen.lineTo(this.canvas.width - 30, 160);
    pen.stroke();
    pen.strokeStyle = "#101418";
    pen.lineWidth = 3;
    pen.lineCap = pen.lineJoin = "round";
    for (const line of this.lines) {
      pen.beginPath();
      line.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.stroke();
    }
  }
}

export function watchSignatures(root) {
  const ready = (part) => part.querySelectorAll?.("[data-signature][hidden]").forEach((box) => new Pad(box));
  ready(root);
  root.addEventListener("htmx:afterSettle", (event) => ready(event.detail.elt));
}
