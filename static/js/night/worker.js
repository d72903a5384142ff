// Keeps the tablet's page and its files on the device, so that it opens without a network. Nothing else is kept here: every
// other request goes to the network as if this script were not there. `KEPT` (version, shell, files) is written in front by the server.
const NAME = `tablet-${KEPT.version}`;
const FILES = new Set(KEPT.files);
const PAGE = /^\/tablet\/\d+\/$/;

const fetchWhole = async (address) => {
  const answer = await fetch(address, { cache: "no-cache", redirect: "error" });
  if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
  return answer;
};

/** Keeps all of it or nothing: half a page would open and then not work. */
const keep = async () => {
  const cache = await caches.open(NAME);
  await Promise.all([KEPT.shell, ...KEPT.files].map(async (address) => cache.put(address, await fetchWhole(address))));
};

const forget = async () => {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("tablet-") && name !== NAME).map((name) => caches.delete(name)));
};

const listMissing = async () => {
  const cache = await caches.open(NAME);
  const found = await Promise.all([KEPT.shell, ...KEPT.files].map(async (address) => [address, await cache.match(address)]));
  return found.filter(([, answer]) => !answer).map(([address]) => address);
};

const give = async (address, request) => {
  const cache = await caches.open(NAME);
  return await cache.match(address) ?? fetch(request);
};

addEventListener("install", (event) => event.waitUntil(keep()));
addEventListener("activate", (event) => event.waitUntil(forget().then(() => clients.claim())));
addEventListener("fetch", (event) => {
  const { request } = event;
  const { pathname, origin } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return;
  if (request.mode === "navigate" && PAGE.test(pathname)) event.respondWith(give(KEPT.shell, request));
  else if (FILES.has(pathname)) event.respondWith(give(pathname, request));
});
addEventListener("message", (event) => {
  if (event.data === "take over") skipWaiting();
  if (event.data === "missing?") event.waitUntil(listMissing().then((missing) => event.ports[0].postMessage({ missing, version: KEPT.version })));
});
