// Lets the phone keep the page, so that it opens where there is no signal, and looks for the signal again.

import { offline } from "./lot.js";
import { compareCopy } from "./number_copy.js";
import { scriptUrl } from "./trusted.js";

const LOOK_MS = 15_000;
const TAKING_MS = 3000; // that long a new version may keep the page from going elsewhere

let taking; // the new version that takes over just now, until it has
let leaving = false;

// Goes elsewhere once no new version is taking over, and lets none do so meanwhile: a browser stops the old one for
// it, and what is asked of it in that moment, the next page, is never answered in Chromium.
export async function leave(go) {
  leaving = true;
  await taking;
  go();
}

function takeOver(waiting) {
  taking = new Promise((done) => {
    // That it is installed may be told late, too: only what comes after it has begun ends the waiting.
    waiting.addEventListener("statechange", () => ["activated", "redundant"].includes(waiting.state) && done());
    setTimeout(done, TAKING_MS);
  });
  waiting.postMessage("take over");
}

// `idle` says whether no unit is in hand: only then does a new version take over.
export async function keepPage(idle) {
  if (!navigator.serviceWorker) return; // a page over plain http on a network: it works as long as it is open
  const kept = await navigator.serviceWorker.register(scriptUrl("/service-worker.js"), { scope: "/" }).catch(() => null);
  if (!kept) return;
  const offer = async () => {
    const { waiting } = kept; // which is none any more once it has taken over by itself
    if (waiting && (await idle()) && !leaving) takeOver(waiting);
  };
  kept.addEventListener("updatefound", () => kept.installing?.addEventListener("statechange", offer));
  await offer();
  if (navigator.connection?.saveData) return; // what reads barcodes is a megabyte: fetched when it is asked for
  const { active } = await navigator.serviceWorker.ready;
  setTimeout(() => active?.postMessage("helpers"), 3000);
}

// On the page without a signal: says when there is one again, and opens what was asked for.
export function watchSignal(notice) {
  if (!offline) return;
  const link = notice.querySelector("a");
  const look = async () => {
    const answer = await fetch("/healthz", { cache: "no-store" }).catch(() => null);
    if (answer?.ok && notice.hidden) compareCopy();
    notice.hidden = !answer?.ok;
  };
  link.href = location.pathname === "/offline" ? "/" : location.pathname + location.search;
  window.addEventListener("online", look);
  setInterval(look, LOOK_MS);
  look();
}
