// What a tablet keeps of an evening, sealed. IndexedDB holds records {kind, id, at, iv, sealed}: the kind, the id and the time stand in the
// clear, everything else is AES-GCM 256 under a key made at random and never readable by a script; that key lies beside the records,
// wrapped under one made from the evening's passphrase (PBKDF2, SHA-256). Rounds: OWASP, Password Storage Cheat Sheet (600,000).
let NAME = "night";
const ROUNDS = 600_000;
const LEAST = 8;
const TRIES = 5;
const LONGEST_WAIT = 15 * 60;
const AES = { name: "AES-GCM", length: 256 };

export class WrongPassphraseError extends Error {
  constructor(waitSeconds) {
    super(waitSeconds ? `That is not the passphrase of this tablet. Wait ${waitSeconds} seconds, then try again.` : "That is not the passphrase of this tablet. Try again.");
    this.waitSeconds = waitSeconds;
  }
}

export class WeakPassphraseError extends Error {
  constructor() { super(`Choose at least ${LEAST} letters or digits, not all the same and not in a row like 12345678.`); }
}

export class LockedError extends Error {
  constructor() { super("The tablet is locked. Open it with the evening's passphrase."); }
}

export class FullError extends Error {
  constructor() { super("This tablet has no room left. Nothing you typed is lost: free some room on the tablet, or send what waits, then press the button again."); }
}

const asPromise = (request) => new Promise((done, failed) => {
  request.onsuccess = () => done(request.result);
  request.onerror = () => failed(request.error);
});

/** Keeps what this page keeps in a database of another name. Called before anything is opened. */
export const useDatabase = (name) => { NAME = name; };

let opening;
const database = () => opening ??= new Promise((done, failed) => {
  const request = indexedDB.open(NAME, 1);
  request.onupgradeneeded = () => {
    request.result.createObjectStore("records", { keyPath: ["kind", "id"] });
    request.result.createObjectStore("keys");
  };
  request.onsuccess = () => {
    request.result.onversionchange = () => { request.result.close(); opening = undefined; };
    request.result.onclose = () => { opening = undefined; };
    done(request.result);
  };
  request.onerror = () => { opening = undefined; failed(request.error); };
});

/** Runs `work` on one store in one transaction; resolves when it is on the disk. */
const within = async (store, mode, work) => {
  const transaction = (await database()).transaction(store, mode, { durability: "strict" });
  const whole = new Promise((done, failed) => {
    transaction.oncomplete = () => done();
    transaction.onabort = () => failed(transaction.error ?? new Error("The tablet did not keep it."));
  });
  try {
    const [result] = await Promise.all([asPromise(work(transaction.objectStore(store))), whole]);
    return result;
  } catch (error) {
    throw error?.name === "QuotaExceededError" ? new FullError() : error;
  }
};

const readKeys = (name = "vault") => within("keys", "readonly", (store) => store.get(name));
const writeKeys = (value, name = "vault") => within("keys", "readwrite", (store) => store.put(value, name));

const fromPassphrase = async (passphrase, salt, rounds) => {
  const words = new TextEncoder().encode(passphrase.normalize("NFKC").trim());
  const material = await crypto.subtle.importKey("raw", words, "PBKDF2", false, ["deriveKey"]);
  return crypto.subtle.deriveKey({ name: "PBKDF2", hash: "SHA-256", salt, iterations: rounds }, material, AES, false, ["wrapKey", "unwrapKey"]);
};

/** Gives the key of a set {salt, rounds, iv, wrapped}; undefined when the passphrase does not fit. */
export const unwrap = async (passphrase, { salt, rounds, iv, wrapped }) => {
  const wrapping = await fromPassphrase(passphrase, salt, rounds);
  try {
    return await crypto.subtle.unwrapKey("raw", wrapped, wrapping, { name: "AES-GCM", iv }, AES, false, ["encrypt", "decrypt"]);
  } catch (error) {
    if (error.name === "OperationError") return undefined;
    throw error;
  }
};

const bound = (kind, id) => new TextEncoder().encode(`${kind}/${id}`);

export const unseal = async (key, { kind, id, iv, sealed }) => {
  const plain = await crypto.subtle.decrypt({ name: "AES-GCM", iv, additionalData: bound(kind, id) }, key, sealed);
  return JSON.parse(new TextDecoder().decode(plain));
};

const isWeak = (passphrase) => {
  const plain = passphrase.normalize("NFKC").trim();
  const steps = new Set([...plain].slice(1).map((letter, n) => letter.charCodeAt(0) - plain.charCodeAt(n)));
  return plain.length < LEAST || (steps.size === 1 && [0, 1, -1].includes([...steps][0]));
};

/** What lies here, without opening it: {waiting, oldest, drafts, since}. Times are milliseconds. */
export const look = async () => {
  const rows = await within("records", "readonly", (store) => store.getAll());
  const waiting = rows.filter((row) => row.kind === "envelope");
  return {
    waiting: waiting.length,
    oldest: waiting.length ? Math.min(...waiting.map((row) => row.at)) : null,
    drafts: rows.filter((row) => row.kind === "draft").length,
    since: (await readKeys())?.madeAt ?? null,
  };
};

export const exists = async () => Boolean(await readKeys());

/** The records of a kind as they lie here, sealed, with the wrapped key: what a hand-off file is made of. */
export const listSealed = async (kind) => ({
  keys: await readKeys(),
  rows: (await within("records", "readonly", (store) => store.getAll())).filter((row) => row.kind === kind),
});

export const create = async (passphrase) => {
  if (isWeak(passphrase)) throw new WeakPassphraseError();
  if (await exists()) throw new Error("This tablet has a passphrase already.");
  const salt = crypto.getRandomValues(new Uint8Array(16));
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const fresh = await crypto.subtle.generateKey(AES, true, ["encrypt", "decrypt"]);
  const wrapped = await crypto.subtle.wrapKey("raw", fresh, await fromPassphrase(passphrase, salt, ROUNDS), { name: "AES-GCM", iv });
  await writeKeys({ salt, iv, wrapped, rounds: ROUNDS, madeAt: Date.now() });
  await writeKeys({ wrong: 0, until: 0 }, "tries");
  return open(passphrase);
};

export const open = async (passphrase) => {
  const keys = await readKeys();
  const tries = await readKeys("tries") ?? { wrong: 0, until: 0 };
  const left = Math.ceil((tries.until - Date.now()) / 1000);
  if (left > 0) throw new WrongPassphraseError(left);
  // Counted before it is tried: closing the page in between is no way round the wait.
  const wrong = tries.wrong + 1;
  const wait = wrong < TRIES ? 0 : Math.min(LONGEST_WAIT, 30 * 2 ** (wrong - TRIES));
  await writeKeys({ wrong, until: wait ? Date.now() + wait * 1000 : 0 }, "tries");
  const key = await unwrap(passphrase, keys);
  if (!key) throw new WrongPassphraseError(wait);
  await writeKeys({ wrong: 0, until: 0 }, "tries");
  return new Vault(key);
};

/** Opens a vault that asks for no passphrase: its key was made here and leaves this browser by no script. For what holds no family's facts. */
export const openHere = async () => {
  const fresh = await crypto.subtle.generateKey(AES, false, ["encrypt", "decrypt"]);
  // Two tabs may come at once: the first key that is there stays.
  await within("keys", "readwrite", (store) => store.add(fresh, "here")).catch((error) => { if (error?.name !== "ConstraintError") throw error; });
  return new Vault(await readKeys("here"));
};

/** Forgets everything that lies here. Only after a person said so, or when nothing unsent is left. */
export const wipe = async () => {
  await within("records", "readwrite", (store) => store.clear());
  await within("keys", "readwrite", (store) => store.clear());
};

export class Vault {
  #key;

  constructor(key) { this.#key = key; }

  get isOpen() { return Boolean(this.#key); }

  #use() {
    if (!this.#key) throw new LockedError();
    return this.#key;
  }

  /** Keeps `object` under (kind, id); resolves when it is on the disk. `at` is when it was first put there. */
  async put(kind, id, object, at = Date.now()) {
    const name = String(id);
    const iv = crypto.getRandomValues(new Uint8Array(12));
    const plain = new TextEncoder().encode(JSON.stringify(object));
    const sealed = await crypto.subtle.encrypt({ name: "AES-GCM", iv, additionalData: bound(kind, name) }, this.#use(), plain);
    await within("records", "readwrite", (store) => store.put({ kind, id: name, at, iv, sealed }));
  }

  async get(kind, id) {
    const key = this.#use();
    const row = await within("records", "readonly", (store) => store.get([kind, String(id)]));
    return row && unseal(key, row);
  }

  /** Everything of a kind: [{id, at, object}], the oldest first. */
  async entries(kind) {
    const key = this.#use();
    const { rows } = await listSealed(kind);
    const opened = await Promise.all(rows.map(async (row) => ({ id: row.id, at: row.at, object: await unseal(key, row) })));
    return opened.sort((one, other) => one.at - other.at);
  }

  async all(kind) { return (await this.entries(kind)).map((entry) => entry.object); }

  async remove(kind, id) { await within("records", "readwrite", (store) => store.delete([kind, String(id)])); }

  /** Removes records of a kind that were put here before `before` (milliseconds). */
  async purge(kind, before) {
    const { rows } = await listSealed(kind);
    for (const row of rows.filter((each) => each.at < before)) await this.remove(kind, row.id);
  }

  lock() { this.#key = undefined; }
}
