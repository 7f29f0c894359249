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

export async function put(unit) {
  try {
    await ask("readwrite", (units) => units.put(unit));
    memory.delete(unit.id);
  } catch {
    durable = false;
    memory.set(unit.id, unit);
  }
}

export async function remove(id) {
  memory.delete(id);
  await ask("readwrite", (units) => units.delete(id)).catch(() => {});
}

export async function all() {
  const kept = await ask("readonly", (units) => units.getAll()).catch(() => []);
  return [...kept, ...memory.values()].sort((a, b) => a.added - b.added);
}
