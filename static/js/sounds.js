// What a scan sounds like: one high tone for good, two for mind this, one low and long for no. Off until somebody switches it on
// ([data-sound], a tick that each device remembers), because a workshop may have enough of noises.

const KEY = "scan-sound";
const TONES = {
  good: [[0, 0.09, 1175]],
  info: [[0, 0.09, 784]],
  warn: [[0, 0.1, 587], [0.16, 0.1, 587]],
  bad: [[0, 0.35, 196]],
};
let speaker = null;

export const isOn = () => localStorage.getItem(KEY) === "on";

export function sound(tone) {
  if (!isOn() || !TONES[tone]) return;
  speaker ??= new AudioContext();
  speaker.resume();
  for (const [after, length, pitch] of TONES[tone]) {
    const voice = speaker.createOscillator();
    const loud = speaker.createGain();
    const at = speaker.currentTime + after;
    voice.type = tone === "bad" ? "square" : "sine";
    voice.frequency.value = pitch;
    loud.gain.setValueAtTime(0.25, at);
    loud.gain.exponentialRampToValueAtTime(0.001, at + length);
    voice.connect(loud).connect(speaker.destination);
    voice.start(at);
    voice.stop(at + length);
  }
}

export function watchSound(root) {
  for (const tick of root.querySelectorAll("[data-sound]")) {
    tick.checked = isOn();
    tick.closest("[hidden]")?.removeAttribute("hidden");
    tick.addEventListener("change", () => {
      localStorage.setItem(KEY, tick.checked ? "on" : "off");
      sound("good");
    });
  }
}
