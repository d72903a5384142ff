// A short sound for each tone of a verdict, made on the spot; off until somebody ticks the box, and remembered on this device.

const KEY = "count-sound";
// frequencies in Hz, one after the other
const NOTES = { good: [880], info: [660], warn: [520, 520], bad: [220, 180] };
const LONG = { good: 0.08, info: 0.1, warn: 0.14, bad: 0.25 };

export function sound(box) {
  const tick = box.querySelector("[data-sound]");
  const Context = window.AudioContext;
  if (!tick || !Context) return () => {};
  box.querySelector("[data-sound-choice]").hidden = false;
  tick.checked = localStorage.getItem(KEY) === "on";
  tick.addEventListener("change", () => {
    localStorage.setItem(KEY, tick.checked ? "on" : "off");
    play("good");
  });
  let air = null;
  const play = (tone) => {
    if (!tick.checked) return;
    air ??= new Context();
    if (air.state === "suspended") air.resume().catch(() => {});
    NOTES[tone].forEach((note, place) => {
      const begin = air.currentTime + place * (LONG[tone] + 0.04);
      const voice = air.createOscillator();
      const loudness = air.createGain();
      voice.frequency.value = note;
      loudness.gain.value = 0.15;
      voice.connect(loudness).connect(air.destination);
      voice.start(begin);
      voice.stop(begin + LONG[tone]);
    });
  };
  return play;
}
