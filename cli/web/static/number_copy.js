// The copy of the catalogue on this phone: fetched with the lot's code, kept for that lot alone, and forgotten when
// the lot is left, when the server says that the code is no good any more, and when it was not asked for too long.

import { forgetLot, lot, offline } from "./lot.js";
import { openCopy } from "./number_answer.js";
import { forgetReads } from "./number_reads.js";

const [NAME, COPIES, DAY_MS] = ["plugface-numbers", "copies", 86_400_000];
const HANGS_MS = 60_000; // a line that has given nothing by then is given up; a large copy takes long on a slow one
const PATIENCE_MS = 4000; // for so long a first copy is waited for before it is said that there is none

function ask(mode, act) {
  return new Promise((done, fail) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(COPIES, { keyPath: "lot" });
    asked.onerror = () => fail(asked.error);
    asked.onsuccess = () => {
      const db = asked.result;
      const work = db.transaction(COPIES, mode);
      const got = act(work.objectStore(COPIES));
      work.oncomplete = () => {
        db.close();
        done(got.result);
      };
      work.onerror = work.onabort = () => fail(work.error);
    };
  });
}

let held; // the copy that serves
let compared; // the one that does once the server was asked

const clear = () => ask("readwrite", (copies) => copies.clear()).catch(() => {});

export function forgetCopy() {
  held = undefined;
  forgetReads();
  return clear();
}

// The copy there is, as { copy, asked: when the server last said so }; undefined where there is none any more.
async function readCopy() {
  const kept = await ask("readonly", (copies) => copies.get(lot ?? "")).catch(() => undefined);
  const age = kept && Date.now() - kept.asked; // below nothing where the clock was ahead and was put right: unknown
  if (kept && (age > kept.copy.keep_days * DAY_MS || age < -DAY_MS)) {
    await clear();
    return { expired: true };
  }
  return kept;
}

// The copy ready to be looked things up in. What is kept serves at once, for a line may hang; behind it the server is
// asked once, where there is a signal.
export function numberCopy() {
  held ??= hold();
  return held;
}

// The same once the server was asked, or could not be.
export async function comparedCopy() {
  await numberCopy();
  return compared;
}

// Where there is a signal again it is compared with the server's, or forgotten where the code is no good.
export async function compareCopy() {
  await numberCopy();
  if (lot) compared = compare(await readCopy());
}

async function hold() {
  const kept = await readCopy();
  const mine = ready(kept);
  compared = offline || !lot ? mine : compare(kept);
  if (mine?.copy) return mine;
  return Promise.race([compared, new Promise((done) => setTimeout(() => done(mine), PATIENCE_MS))]);
}

async function compare(kept) {
  const fresh = ready(await fetchCopy(kept).catch(() => kept)); // no signal: what is kept serves
  held = Promise.resolve(fresh);
  return fresh;
}

const ready = (found) => (found?.copy ? { ...found, copy: openCopy(found.copy) } : found);

async function fetchCopy(kept) {
  const headers = { accept: "application/json", ...(kept?.tag && { "if-none-match": kept.tag }) };
  const answer = await fetch("/api/v1/numbers", { headers, cache: "no-store", signal: AbortSignal.timeout?.(HANGS_MS) });
  if (answer.status === 401) {
    forgetLot();
    await forgetCopy();
    return undefined;
  }
  if (answer.status !== 200 && answer.status !== 304) return kept;
  const copy = answer.status === 200 ? await answer.json() : kept.copy;
  const fresh = { lot, copy, tag: answer.headers.get("etag"), asked: Date.now() };
  await ask("readwrite", (copies) => {
    copies.clear(); // of one lot at a time
    return copies.put(fresh);
  }).catch(() => {}); // a browser that keeps nothing: it serves while the page is open
  return fresh;
}
