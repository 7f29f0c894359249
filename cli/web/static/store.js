// The outbox on the phone: units with photos that the page has not taken yet. It outlives a reload.

const NAME = "plugface-yard";
const UNITS = "outbox";

let opened;
const memory = new Map(); // where the browser keeps nothing, as in some private windows; undefined: taken out
export let durable = true;
export let persistent = true; // unknown until something is kept

// Ask the browser not to clear what is kept when the phone runs out of room; it may refuse.
export async function persist() {
  persistent = (await navigator.storage?.persist?.().catch(() => false)) ?? false;
}

function open() {
  opened ??= new Promise((done, fail) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(UNITS, { keyPath: "id" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error);
  });
  return opened;
}

async function ask(mode, act) {
  const db = await open();
  return new Promise((done, fail) => {
    const work = db.transaction(UNITS, mode);
    const asked = act(work.objectStore(UNITS));
    work.oncomplete = () => done(asked.result);
    work.onerror = work.onabort = () => fail(work.error);
  });
}

// Change one unit in one step: `act` gets it, or undefined, and gives what to keep; undefined takes it out. What the
// browser has no room for stays in memory and counts before what is still kept of it; the next change is kept again.
export async function update(id, act) {
  let before;
  const change = () => act(memory.has(id) ? memory.get(id) : before);
  const settle = (units, kept) => (kept ? units.put(kept) : units.delete(id));
  try {
    await ask("readwrite", (units) => {
      const asked = units.get(id);
      asked.onsuccess = () => {
        before = asked.result;
        settle(units, change());
      };
      return asked;
    });
    memory.delete(id);
  } catch {
    durable = false;
    memory.set(id, change());
  }
}

async function everything() {
  const kept = await ask("readonly", (units) => units.getAll()).catch(() => []);
  return [...kept.filter(({ id }) => !memory.has(id)), ...memory.values()].filter(Boolean);
}

// What is to be sent, the oldest first.
export async function all() {
  return (await everything()).filter((one) => !one.draft).sort((a, b) => a.added - b.added);
}

// Photos taken and not yet given to the outbox: a phone may end the page while its camera is open.
const draftId = (lot) => `draft-${lot}`;

export async function draft(lot) {
  return (await everything()).find((one) => one.id === draftId(lot))?.photos ?? [];
}

export function keepDraft(lot, photos) {
  return update(draftId(lot), () => (photos.length ? { id: draftId(lot), draft: true, photos } : undefined));
}
