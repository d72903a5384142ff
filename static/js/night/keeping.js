// Lets the worker keep this page on the device, and takes over a newer page only while nothing is open.
export async function watchWorker(isIdle) {
  if (!navigator.serviceWorker) return;
  let asked = false;
  navigator.serviceWorker.addEventListener("controllerchange", () => { if (asked) location.reload(); });
  const registration = await navigator.serviceWorker.register("/tablet/worker.js", { scope: "/tablet/", updateViaCache: "none" }).catch(() => null);
  if (!registration) return;
  const takeOver = () => {
    if (!registration.waiting || !registration.active || !isIdle()) return;
    asked = true;
    registration.waiting.postMessage("take over");
  };
  takeOver();
  registration.addEventListener("updatefound", () => registration.installing?.addEventListener("statechange", takeOver));
}
