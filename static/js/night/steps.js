// Where the questions begin: which instruments are in the van and free.
import { freeUnits } from "./pack.js";

export function startSteps({ queue, pack, root }) {
  const title = Object.assign(document.createElement("h1"), { textContent: pack.night.school });
  const words = document.createElement("p");
  const count = () => { words.textContent = `${freeUnits(pack, queue).length} instruments are in the van and free.`; };
  root.replaceChildren(title, words);
  queue.onChange(count);
  count();
}
