// How the tablet speaks to the office: every request ends, by an answer or by patience running out, and a way to sign in is told as such.
const PATIENCE_MS = 15_000;

export const ask = async (address, options = {}, patience = PATIENCE_MS) => {
  const headers = { Accept: "application/json", ...options.headers };
  const answer = await fetch(address, { redirect: "manual", cache: "no-store", ...options, headers, signal: AbortSignal.timeout(patience) });
  if (answer.type === "opaqueredirect") return { status: 302, moved: true };
  const told = await answer.text();
  let body;
  try { body = JSON.parse(told); } catch { body = undefined; }
  return { status: answer.status, body, pause: 1000 * (Number(answer.headers.get("Retry-After")) || 0), date: answer.headers.get("Date") };
};

/** Posts an envelope, or what is told of one, with its token. */
export const postEnvelope = (address) => (envelope, token) =>
  ask(address, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token }, body: JSON.stringify(envelope) });
