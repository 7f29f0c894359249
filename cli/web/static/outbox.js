// Sends what is in the outbox, photo by photo, as long as it takes; says on the page how far it is.
// Sending again is harmless: the unit has its own number and the page knows a photo by its content.

import { leave } from "./keeping.js";
import { forgetLot, lot, lotName } from "./lot.js";
import { handOn, packUnits } from "./outbox_file.js";
import { forgetCopy } from "./number_copy.js";
import * as store from "./store.js";
import words from "./words.js";

const SILENCE_MS = 30_000; // an upload that gets nowhere for so long is begun anew
const HOPELESS = [413, 415, 422]; // the same bytes will be refused for ever
export const MOST_TYPED = 8; // as the page takes them of a unit; the oldest go first
const WAITS_S = [1, 2, 4, 8, 15, 30];

const box = document.querySelector("#outbox");
const progress = new Map(); // unit -> words on how far it is
const later = new Map(); // unit -> time before which it is not sent: the page answered, but not for this one
let working = false;
let asked = false; // to send now, while it was sending: what fails then is tried once more at once
let wake = () => {};
let arrived = () => {};

// Fills the {places} in a text; one without a value stays for later.
export const say = (text, values = {}) => text.replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);

// `act` is told of each unit that has arrived, and how many are left.
export function onArrival(act) {
  arrived = act;
}

export async function add(id, photos, details) {
  const fresh = photos.map((photo) => ({ ...photo, key: crypto.getRandomValues(new Uint32Array(2)).join("-") }));
  const head = { id, lot, lotName, added: Date.now(), photos: [] };
  await store.update(id, (kept = head) => ({
    ...kept,
    details: details ? join(kept.details, details) : kept.details,
    problem: undefined,
    photos: [...kept.photos, ...fresh],
  }));
  store.persist().then(show); // a browser may ask whoever holds the phone, who may not answer
  await show();
  run();
}

// What was typed before and has not been sent yet is sent with what is typed now.
function join(before, details) {
  const typed = [...new Set([...(before?.typed ?? []), ...(details.typed ?? [])])].slice(-MOST_TYPED);
  return { ...details, typed };
}

export async function run() {
  asked = true;
  wake();
  if (working) return;
  working = true;
  let failures = 0;
  try {
    for (;;) {
      const open = (await store.all()).filter((one) => one.lot === lot && canGo(one));
      if (!open.length) break;
      const unit = open.find((one) => (later.get(one.id) ?? 0) <= Date.now());
      if (!unit) {
        await pause(Math.min(...open.map((one) => later.get(one.id))) - Date.now());
        continue;
      }
      asked = false;
      const outcome = await send(unit.id);
      if (outcome.done) {
        failures = 0;
        progress.delete(unit.id);
        later.delete(unit.id);
        await show();
        // What was refused, or put off by the page, stays listed: it holds no answer back.
        const now = Date.now();
        const waits = (one) => one.lot === lot && canGo(one) && (later.get(one.id) ?? 0) <= now;
        const left = (await store.all()).filter(waits);
        if (outcome.arrived) arrived(unit.id, left.length);
      } else if (outcome.enter) {
        await enterAgain();
        return;
      } else if (outcome.problem) {
        await store.update(unit.id, (kept) => kept && refuse(kept, outcome));
        await show();
      } else {
        const seconds = outcome.wait ?? WAITS_S[Math.min(failures++, WAITS_S.length - 1)];
        progress.set(unit.id, { text: say(outcome.text, { seconds }), waiting: true });
        if (outcome.answered) later.set(unit.id, Date.now() + seconds * 1000); // the next one is tried at once
        await show(); // with it comes the button that takes it out of `later` again
        if (!outcome.answered && !asked) await pause(seconds * 1000);
      }
    }
  } finally {
    working = false;
  }
}

// The code is no good any more: what is not sent stays here and goes out once one is given.
export async function enterAgain() {
  forgetLot();
  await forgetCopy();
  await leave(() => location.assign("/enter"));
}

// Whether there is anything of a unit that may be sent: a photo that was refused keeps no other one back.
function canGo(unit) {
  if (unit.problem) return false;
  return Boolean(unit.details) || unit.photos.some((one) => !one.problem) || (unit.photos.length === 0 && !unit.slip);
}

// Notes what was refused: one photo, or, where it was no photo, all of the unit.
function refuse(kept, { photo, problem, hopeless }) {
  if (!photo) return { ...kept, problem, hopeless };
  const photos = kept.photos.map((one) => (one.key === photo ? { ...one, problem, hopeless } : one));
  return { ...kept, photos };
}

function pause(ms) {
  return new Promise((done) => {
    const timer = setTimeout(done, ms);
    wake = () => {
      clearTimeout(timer);
      done();
    };
  });
}

// Sends what one unit still has, reading it anew before each step: a further photo may be added meanwhile.
async function send(id) {
  let arrived = false;
  for (;;) {
    const unit = (await store.all()).find((one) => one.id === id);
    if (!unit || !canGo(unit)) return { done: true, arrived };
    const [photo, ...others] = unit.photos.filter((one) => !one.problem);
    if (unit.details) {
      const details = JSON.stringify({ ...unit.details, more: Boolean(photo) });
      const said = await request("PUT", `/api/v1/units/${id}`, details, "application/json");
      if (!said.ok) {
        const judged = judge(said);
        const { typed = [], claimed, needs = {} } = unit.details;
        const alone = typed.length && (claimed || Object.keys(needs).length) ? { typed } : undefined;
        if (!judged.hopeless || !(photo || alone)) return judged;
        // A slip in what was said beside them holds neither number nor photos back; it stays to be read.
        await store.update(id, (kept) => kept && { ...kept, details: alone, slip: judged.problem });
        continue;
      }
      arrived ||= Boolean(unit.details.typed?.length); // answered by itself
      await store.update(id, (kept) => kept && { ...kept, details: undefined });
    }
    if (photo) {
      const said = await sendPhoto(unit, photo, others.length > 0);
      if (!said.ok) {
        const judged = judge(said);
        if (!judged.problem) return judged;
        // The unit goes on with its other photos: what arrived of it is answered.
        await store.update(id, (kept) => kept && refuse(kept, { ...judged, photo: photo.key }));
        await show();
        continue;
      }
    }
    arrived = true;
    await store.update(id, (kept) => {
      const left = kept?.photos.filter((one) => one.key !== photo?.key) ?? [];
      return left.length || kept?.slip ? { ...kept, photos: left } : undefined;
    });
  }
}

function sendPhoto(unit, photo, more) {
  const where = `/api/v1/units/${unit.id}/photos?face=${encodeURIComponent(photo.face)}&more=${more}`;
  const type = photo.blob.type || "application/octet-stream";
  return request("POST", where, photo.blob, type, (loaded) => {
    const percent = Math.min(99, Math.floor((100 * loaded) / photo.blob.size));
    const tens = percent - (percent % 10); // the text is read aloud whenever it changes; the bar is not
    progress.set(unit.id, { text: say(words.sending, { percent: tens }), percent });
    show();
  });
}

function judge(said) {
  if (said.status === 401) return { enter: true };
  if (said.status === 0 || said.status === 408 || said.status >= 500 || said.status === 429) {
    const reason = said.answer.error; // such as a full queue; without one nobody may have answered
    const text = reason ? say(words.later, { problem: reason }) : words.retry;
    return { text, wait: said.retryAfter, answered: Boolean(reason) };
  }
  return { problem: said.problem, hopeless: HOPELESS.includes(said.status) };
}

// XMLHttpRequest, because fetch does not tell how much of an upload has gone out.
export function request(method, where, body, type, onProgress = () => {}) {
  return new Promise((done) => {
    const asked = new XMLHttpRequest();
    let timer;
    const alive = () => {
      clearTimeout(timer);
      timer = setTimeout(() => asked.abort(), SILENCE_MS);
    };
    asked.open(method, where);
    asked.setRequestHeader("content-type", type);
    asked.setRequestHeader("accept", "application/json");
    asked.upload.onprogress = (event) => {
      alive();
      onProgress(event.loaded);
    };
    asked.onreadystatechange = alive;
    asked.onloadend = () => {
      clearTimeout(timer);
      let answer = {};
      try {
        answer = JSON.parse(asked.responseText);
      } catch {
        // an answer that is none of ours, such as one of a proxy: its status must do
      }
      const retryAfter = Number(asked.getResponseHeader("retry-after")) || undefined;
      const problem = [answer.error, answer.hint].filter(Boolean).join(". ") || String(asked.status);
      done({ ok: asked.status >= 200 && asked.status < 300, status: asked.status, answer, problem, retryAfter });
    };
    alive();
    asked.send(body);
  });
}

export async function show() {
  const units = await store.all();
  box.hidden = units.length === 0;
  const warning = box.querySelector("#outbox-warning");
  warning.hidden = store.durable;
  warning.textContent = words.not_stored;
  const loose = box.querySelector("#outbox-loose");
  loose.hidden = store.persistent || !store.durable;
  loose.textContent = words.not_persistent;
  box.querySelector("#outbox-save").hidden = !units.some((one) => one.lot === lot && one.photos.length);
  const list = box.querySelector("ul");
  const entries = units.map((unit) => {
    const entry = list.querySelector(`[data-unit="${unit.id}"]`) ?? makeEntry(unit);
    describe(entry, unit);
    return entry;
  });
  for (const entry of [...list.children]) {
    if (entries.includes(entry)) continue;
    URL.revokeObjectURL(entry.querySelector("img").src);
    entry.remove();
  }
  for (const entry of entries) if (!entry.isConnected) list.append(entry);
}

function makeEntry(unit) {
  const entry = document.createElement("li");
  entry.dataset.unit = unit.id;
  const picture = document.createElement("img");
  picture.alt = "";
  picture.hidden = !unit.photos.length;
  picture.onerror = () => (picture.hidden = true); // a kind this browser cannot show
  if (unit.photos.length) picture.src = URL.createObjectURL(unit.photos[0].blob);
  const text = document.createElement("p");
  const bar = document.createElement("progress");
  bar.max = 100;
  bar.ariaHidden = "true";
  const row = document.createElement("div");
  row.className = "row";
  const again = makeButton(words.try_now, async () => {
    later.delete(unit.id);
    await store.update(unit.id, (kept) => kept && forgive(kept));
    run();
  });
  const drop = makeButton(words.remove, async () => {
    await store.update(unit.id, () => undefined);
    await show();
  });
  row.append(again, drop);
  entry.append(picture, text, bar, row);
  return entry;
}

function makeButton(label, act) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = label;
  button.addEventListener("click", act);
  return button;
}

// The unit as before it was refused, but for photos that will be refused for ever.
const forgive = (kept) => ({
  ...kept,
  problem: undefined,
  photos: kept.photos.map((one) => (one.hopeless ? one : { ...one, problem: undefined })),
});

function describe(entry, unit) {
  const [, text, bar, row] = entry.children;
  const [again, drop] = row.children;
  const state = progress.get(unit.id);
  const foreign = unit.lot !== lot;
  const typed = unit.details?.typed?.join(", ");
  const photos = unit.photos.length === 1 ? words.photos_one : say(words.photos_many, { n: unit.photos.length });
  const count = unit.photos.length === 0 ? say(words.typed_only, { typed }) : [photos, typed].filter(Boolean).join(", ");
  const refused = unit.photos.filter((one) => one.problem);
  const problem = unit.problem ?? (canGo(unit) ? undefined : refused[0]?.problem);
  const hopeless = unit.problem ? unit.hopeless : refused.length > 0 && refused.every((one) => one.hopeless);
  let said = state?.text ?? words.to_send;
  if (foreign) said = say(words.other_lot, { lot: unit.lotName });
  else if (problem) said = say(words.refused, { problem });
  const slip = unit.slip ? say(words.slip, { problem: unit.slip }) : "";
  const over = unit.slip && !problem && !canGo(unit); // all else of it has been sent
  const whole = over ? slip : [`${count}: ${said}`, slip].filter(Boolean).join(". ");
  if (text.textContent !== whole) text.textContent = whole;
  bar.hidden = foreign || state?.percent === undefined || Boolean(problem);
  bar.value = state?.percent ?? 0;
  again.hidden = foreign || over || !(problem ? !hopeless : state?.waiting); // no second try of what is hopeless
  drop.hidden = !(problem || foreign || over || state?.waiting);
}

// What is saved stays here until it is sent, too: a photo counts once, however often it comes.
box?.querySelector("#outbox-save").addEventListener("click", async (event) => {
  const said = box.querySelector("#outbox-saved");
  const units = (await store.all()).filter((one) => one.lot === lot && (one.photos.length || one.details));
  const file = await packUnits(units);
  const day = new Date().toISOString().slice(0, 10);
  const name = `plugface-${day}-${units.length}-units.zip`;
  said.textContent = file ? say(words.saved, { name }) : words.not_saved;
  said.hidden = false;
  if (file) await handOn(file, name);
  event.target.focus();
});
window.addEventListener("online", run);
