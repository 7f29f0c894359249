// The outbox on the phone: units with photos that the page has not taken yet. It outlives a reload.

const NAME = "plugface-yard";
const UNITS = "outbox";

let opened;
const memory = new Map(); // where the browser keeps nothing, as in some private windows
export let durable = true;

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

// Change one unit in one step: `act` gets it, or undefined, and gives what to keep; undefined takes it out.
export async function update(id, act) {
  const settle = (units, kept) => (kept ? units.put(kept) : units.delete(id));
  if (!memory.has(id)) {
    try {
      await ask("readwrite", (units) => {
        const asked = units.get(id);
        asked.onsuccess = () => settle(units, act(asked.result));
        return asked;
      });
      return;
    } catch {
      durable = false;
    }
  }
  const kept = act(memory.get(id));
  if (kept) memory.set(id, kept);
  else memory.delete(id);
}

export async function all() {
  const kept = await ask("readonly", (units) => units.getAll()).catch(() => []);
  return [...kept, ...memory.values()].sort((a, b) => a.added - b.added);
}
