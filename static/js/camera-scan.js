// Reads codes by the device's camera, where the browser can (BarcodeDetector). The button shows only there; whatever goes wrong, the
// typed field stays, and a sentence says why. A code is told like a scanner's: see wedge.js. data-camera-stays: go on after a code.
import { scanned } from "./wedge.js";

const EVERY_MS = 150;
const SAME_MS = 3000;
const WORDS = {
  NotAllowedError: "The camera may not be used here. Allow it in the browser’s settings, or type the tag.",
  NotFoundError: "No camera was found on this device. Use a scanner, or type the tag.",
  other: "The camera could not be started. Use a scanner, or type the tag.",
};

const canRead = () => "BarcodeDetector" in window && Boolean(navigator.mediaDevices?.getUserMedia);

class Camera {
  constructor(box) {
    this.box = box;
    this.button = box.querySelector("[data-camera-open]");
    this.view = box.querySelector("[data-camera-view]");
    this.words = box.querySelector("[data-camera-words]");
    this.button.hidden = false;
    this.button.addEventListener("click", () => (this.stream ? this.close() : this.open()));
    this.view.querySelector("[data-camera-close]").addEventListener("click", () => { this.close(); this.button.focus(); });
    addEventListener("pagehide", () => this.close());
  }

  async open() {
    this.words.textContent = "";
    try {
      this.detector = new BarcodeDetector();
      this.stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      const video = this.view.querySelector("video");
      video.srcObject = this.stream;
      this.view.hidden = false;
      this.button.setAttribute("aria-expanded", "true");
      video.play().catch(() => {}); // without frames yet it waits; the reader looks again and again
      this.look(video);
    } catch (error) {
      this.close();
      this.words.textContent = WORDS[error.name] ?? WORDS.other;
    }
  }

  close() {
    clearTimeout(this.next);
    this.stream?.getTracks().forEach((track) => track.stop());
    this.stream = null;
    this.view.hidden = true;
    this.button.setAttribute("aria-expanded", "false");
  }

  async look(video) {
    const codes = await this.detector.detect(video).catch(() => []);
    if (!this.stream) return;
    const code = codes[0]?.rawValue;
    const again = code === this.last && performance.now() - this.lastAt < SAME_MS;
    if (code) { this.last = code; this.lastAt = performance.now(); }
    if (code && !again) {
      navigator.vibrate?.(60);
      if (!("cameraStays" in this.box.dataset)) this.close();
      scanned(document, this.box.closest("[data-wedge]") ?? document.body, code);
    }
    if (this.stream) this.next = setTimeout(() => this.look(video), EVERY_MS);
  }
}

export function watchCameras(root) {
  for (const box of root.querySelectorAll("[data-camera]")) {
    if (canRead()) new Camera(box);
    else if (matchMedia("(pointer: coarse)").matches) {
      box.querySelector("[data-camera-words]").textContent = "This browser reads no codes by camera. Use a scanner, or type the tag.";
    }
  }
}
