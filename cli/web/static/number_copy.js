// The copy of the catalogue on this phone: fetched with the lot's code, kept for that lot alone, and forgotten when
// the lot is left, when the server says that the code is no good any more, and when it was not asked for too long.

import { forgetLot, lot, offline } from "./lot.js";
import { openCopy } from "./number_answer.js";
import { forgetReads } from "./number_reads.js";

const [NAME, COPIES, DAY_MS] = ["plugface-numbers", "copies", 86_400_000];

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

let held;

const clear = () => ask("readwrite", (copies) => copies.clear()).catch(() => {});

export function forgetCopy() {
  held = undefined;
  forgetReads();
  return clear();
}

// The copy there is, as { copy, asked: when the server last said so }; undefined where there is none any more.
async function readCopy() {
  const kept = await ask("readonly", (copies) => copies.get(lot ?? "")).catch(() => undefined);
  if (kept && Date.now() > kept.asked + kept.copy.keep_days * DAY_MS) {
    await clear();
    return { expired: true };
  }
  return kept;
}

// The copy ready to be looked things up in; the server is asked once, where there is a signal.
export function numberCopy() {
  held ??= load(!offline && Boolean(lot));
  return held;
}

// The same, once there is a signal again: compared with the server's, or forgotten where the code is no good.
export function compareCopy() {
  held = load(Boolean(lot));
  return held;
}

async function load(compare) {
  const kept = await readCopy();
  const fresh = compare ? await fetchCopy(kept).catch(() => kept) : kept; // no signal: what is kept serves
  return fresh?.copy ? { ...fresh, copy: openCopy(fresh.copy) } : fresh;
}

async function fetchCopy(kept) {
  const headers = { accept: "application/json", ...(kept?.tag && { "if-none-match": kept.tag }) };
  const answer = await fetch("/api/v1/numbers", { headers, cache: "no-store" });
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
