// Joins the page to the camera, the outbox and the answer.

import { offerScan, readPhoto, shown } from "./barcodes.js";
import { judge } from "./judging.js";
import { keepPage, leave, watchSignal } from "./keeping.js";
import { offerLight } from "./light.js";
import { WHO, forgetLot, lot, lotName, offline } from "./lot.js";
import { answerNumber } from "./number_answer.js";
import { compareAnswer } from "./number_compare.js";
import { forgetCopy, numberCopy } from "./number_copy.js";
import { noteRead } from "./number_reads.js";
import { watchNumber } from "./number_view.js";
import { MOST_TYPED, add, enterAgain, onArrival, request, run, say, show } from "./outbox.js";
import plugLimits from "./plug_limits.js";
import { shrink } from "./shrink.js";
import { all, draft, keepDraft, update } from "./store.js";
import words from "./words.js";

const EVERY_BROWSER = ["image/jpeg", "image/png", "image/webp"]; // shows these, if they are what they are called
// Milliseconds before the answer is asked for again, by those waited for already: most answers are there
// within two seconds, and a phone that asked once a second showed them half a second late on average.
const pollAfter = (waited) => (waited < 5_000 ? 300 : waited < 60_000 ? 1000 : 5000);

function makeId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID asks for https
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

const codes = new WeakMap(); // photo -> codes in it, as soon as they are read
const scanned = new Map(); // what a scan wrote into the field -> all codes that it read with it

let removing; // what is being taken back: an answer or arrival meanwhile waits, or the page would break it off
let inHand = () => false; // whether anything of a unit is on the page that was not sent yet

const megabytes = (bytes) => (bytes / 1e6).toLocaleString(document.documentElement.lang, { maximumSignificantDigits: 2 });

async function watchCapture(form) {
  const shots = [...form.querySelectorAll(".shot")].map((section) => ({ section, face: section.dataset.face }));
  const problem = form.querySelector(":scope > .problem");
  const send = form.querySelector("#send");
  const most = Number(form.dataset.photoBytes);
  let preparing = 0;

  const refresh = () => {
    const taken = shots.filter((shot) => shot.blob).length;
    if (send) send.disabled = (taken === 0 && !typedIn(form).length) || preparing > 0;
    if (send) send.textContent = taken === 1 ? send.dataset.one : send.dataset.all;
  };

  const complain = (text) => {
    problem.hidden = !text;
    problem.textContent = text;
    if (text) problem.scrollIntoView({ block: "center" }); // the button may be two screens above it
  };

  const takenShots = () => shots.filter((shot) => shot.blob).map(({ face, blob }) => ({ face, blob }));
  inHand = () => preparing > 0 || takenShots().length > 0 || saidIn(form).length > 0;

  const deliver = async (details) => {
    const photos = takenShots();
    for (const shot of shots) showShot(shot, undefined);
    refresh();
    const unit = form.dataset.unit || makeId();
    for (const { blob } of photos) codes.get(blob)?.then((found) => found.forEach(({ text }) => noteRead(unit, text)));
    for (const text of (details?.typed ?? []).flatMap((entry) => scanned.get(entry) ?? [])) noteRead(unit, text);
    await add(unit, photos, details);
    if (send) await keepDraft(lot, []);
  };

  for (const shot of shots) {
    for (const input of shot.section.querySelectorAll("input[type=file]")) {
      if (looksForPlugs(shot)) input.addEventListener("click", () => import("./plugs.js").then(({ warmPlugs }) => warmPlugs()));
      input.addEventListener("change", async () => {
        const [file] = input.files;
        if (!file) return;
        complain("");
        preparing += 1;
        refresh();
        const blob = await shrink(file);
        input.value = ""; // the same picture may be chosen again
        preparing -= 1;
        if (blob.size > most) complain(say(words.large, { size: megabytes(blob.size), most: megabytes(most) }));
        else {
          showShot(shot, blob);
          if (send) codes.set(blob, readPhoto(blob)); // elsewhere the photo goes out at once
          form.dispatchEvent(new CustomEvent("taken", { detail: blob }));
        }
        refresh();
        if (send) await keepDraft(lot, takenShots());
        if (form.dataset.atOnce && shot.blob) await deliver();
      });
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!send) return;
    const slip = [form.elements.claimed, form.elements.partner].find((field) => field && !isListed(field));
    if (slip) {
      slip.closest("details").open = true;
      complain(say(words.not_listed, { field: slip.labels[0].textContent.trim(), name: lineOf(slip) }));
      return;
    }
    complain("");
    const { claimed = "", crank_teeth, year, typed: _, ...needs } = Object.fromEntries(saidIn(form));
    const typed = typedIn(form);
    if (crank_teeth) needs.crank_teeth = Number(crank_teeth);
    if (year) needs.year = Number(year);
    const asked = claimed || typed.length || Object.keys(needs).length;
    form.reset(); // from here on what was said is no more in hand
    await deliver(asked ? { claimed, needs, typed } : undefined);
    document.querySelector("#outbox").scrollIntoView({ block: "start" });
  });

  form.addEventListener("input", refresh);
  if (!send) return;
  for (const { face, blob } of await draft(lot)) {
    const shot = shots.find((one) => one.face === face);
    if (shot && !shot.blob) showShot(shot, blob);
  }
  refresh();
}

// What stands in a field, as one line: a number that was pasted out of a table may bring a tab.
const lineOf = (field) => shown(field.value.replace(/\s/g, " "));

// What was typed or chosen in a form, with the names of its fields.
function saidIn(form) {
  const texts = [...new FormData(form)].filter(([, value]) => typeof value === "string");
  return texts.map(([name]) => [name, lineOf(form.elements[name])]).filter(([, value]) => value);
}

// Whether the page's own list has what stands in a field, read as the server does: KEY or KEY:VARIANT.
function isListed(field) {
  const [key, variant] = lineOf(field).toLowerCase().split(/ *: *(.*)/);
  const wanted = variant ? `${key}:${variant}` : key;
  return !wanted || [...field.list.options].some(({ value }) => value.toLowerCase() === wanted);
}

// What was typed, or what a scanner wrote into the field as a keyboard would.
function typedIn(form) {
  const { typed } = form.elements;
  const value = typed && lineOf(typed);
  return value ? [value] : [];
}

// A number or barcode for a unit that is there already; a scanner ends with Enter, which sends it.
function watchTyped(form) {
  const { unit } = form.dataset;
  const before = JSON.parse(form.dataset.said);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const typed = typedIn(form);
    if (!typed.length) return;
    form.reset();
    await add(unit, [], { ...before, typed: [...before.typed, ...typed].slice(-MOST_TYPED) });
  });
  for (const button of form.querySelectorAll("[data-entry]")) {
    button.addEventListener("click", async () => {
      button.disabled = true;
      const without = (said) => ({ ...said, typed: said.typed.filter((one) => one !== button.dataset.entry) });
      removing = request("PUT", `/api/v1/units/${unit}`, JSON.stringify(without(before)), "application/json");
      const answer = await removing;
      if (answer.ok) {
        await update(unit, (kept) => (kept?.details ? { ...kept, details: without(kept.details) } : kept)); // nor sent later
        await leave(() => location.reload());
        return;
      }
      button.disabled = false;
      const problem = form.querySelector(".problem");
      problem.textContent = answer.status === 0 ? words.no_answer : say(words.not_removed, { problem: answer.problem });
      problem.hidden = false;
    });
  }
}

// The answer as text: to the phone's own sharing, else to the clipboard, else marked to be copied by hand.
function watchShare(box) {
  const text = box.querySelector("textarea");
  const said = box.querySelector(".said");
  box.querySelector("button").addEventListener("click", async () => {
    said.hidden = true;
    text.hidden = false;
    text.style.height = `${text.scrollHeight + 8}px`; // all of it in sight
    if (navigator.share) {
      try {
        await navigator.share({ text: text.value });
        return;
      } catch (error) {
        if (error.name === "AbortError") return; // whoever asked thought better of it
      }
    }
    text.select();
    try {
      await navigator.clipboard.writeText(text.value); // over https, or on this machine
      said.textContent = words.copied;
    } catch {
      said.textContent = document.execCommand("copy") ? words.copied : words.copy_by_hand;
    }
    said.hidden = false;
  });
}

const looksForPlugs = (shot) => plugLimits && shot.face === "front";

// Show a photo in its place, or, without one, the sketch of how to take it.
function showShot(shot, blob) {
  const view = shot.section.querySelector(".taken");
  const sketch = shot.section.querySelector(".sketch");
  const unseen = shot.section.querySelector(".unseen");
  if (view.src) URL.revokeObjectURL(view.src);
  shot.blob = blob;
  sayFaults(shot, blob);
  view.hidden = !blob;
  unseen.hidden = true;
  sketch.hidden = Boolean(blob);
  shot.section.classList.toggle("done", Boolean(blob));
  shot.section.querySelector(".first").hidden = Boolean(blob);
  shot.section.querySelector(".again").hidden = !blob;
  view.onerror = () => {
    view.hidden = true; // a kind this browser cannot show, or damaged; it may be sent all the same
    unseen.textContent = EVERY_BROWSER.includes(blob.type) ? words.damaged : unseen.dataset.kind;
    unseen.hidden = false;
  };
  if (blob) view.src = URL.createObjectURL(blob);
  else view.removeAttribute("src");
  if (looksForPlugs(shot)) import("./plugs.js").then(({ showPlugs }) => showPlugs(shot.section, blob));
}

// What is wrong with a photo is said while the unit is still in hand; it may be sent all the same.
async function sayFaults(shot, blob) {
  const box = shot.section.querySelector(".fault");
  box.hidden = true;
  const faults = blob ? await judge(blob) : [];
  if (shot.blob !== blob || !faults.length) return; // taken again meanwhile, or nothing to say
  box.textContent = `${faults.map(({ message, advice }) => `${message} ${advice}`).join(" ")} ${words.fault_sent}`;
  box.hidden = false;
}

async function watchUnit(place) {
  const { unit, state, made } = place.dataset;
  const started = Date.now();
  let last = { state, made };
  while (last.state === "waiting" || last.state === "working") {
    await new Promise((done) => setTimeout(done, pollAfter(Date.now() - started)));
    const said = await request("GET", `/api/v1/units/${unit}`, null, "application/json");
    if (said.status === 401) return enterAgain();
    if (said.ok) last = { state: said.answer.state, made: said.answer.result_made_at ?? "" };
    if (said.ok && (last.state !== state || last.made !== made)) {
      if (last.state === "working" && last.made === made) continue;
      sessionStorage.setItem("answered", unit);
      await removing;
      await leave(() => location.reload());
      return;
    }
  }
}

function greetAnswer(unit) {
  if (sessionStorage.getItem("answered") !== unit) return;
  sessionStorage.removeItem("answered");
  const heading = document.querySelector("#verdict");
  if (heading && !document.querySelector(".caution")) heading.focus({ preventScroll: true }); // read aloud at once
  else document.querySelector("#content").focus({ preventScroll: true });
}

function watchConfirm(form) {
  const said = form.querySelector(".said");
  const button = form.querySelector("button");
  const { what, none, who, note } = form.elements;
  if (who) who.value = localStorage.getItem(WHO) ?? ""; // the field is missing where the code names its holder
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    said.hidden = false;
    if (!what.value.trim() && !none.checked) {
      said.textContent = words.none_checked;
      what.focus();
      return;
    }
    button.disabled = true; // until something else is to be recorded
    const [family, variant = ""] = none.checked ? [""] : what.value.split(":").map((part) => part.trim());
    const body = JSON.stringify({ family, variant, who: who?.value ?? "", note: note.value });
    const answer = await request("POST", `/api/v1/units/${form.dataset.unit}/confirmations`, body, "application/json");
    if (answer.ok && who) localStorage.setItem(WHO, who.value);
    const truth = [answer.answer.family || words.unknown, answer.answer.variant].filter(Boolean).join(" ");
    said.textContent = answer.ok
      ? say(words.recorded, { what: truth })
      : answer.status === 0
        ? words.no_answer
        : say(words.not_recorded, { problem: answer.problem });
    if (!answer.ok) button.disabled = false;
  });
  form.addEventListener("input", ({ target }) => {
    button.disabled = false;
    if (target === what && what.value) none.checked = false; // one of the two, whichever came last
    if (target === none && none.checked) what.value = "";
  });
}

const capture = document.querySelector("#capture");
const typed = document.querySelector("#typed");
const share = document.querySelector("#share");
const place = document.querySelector("#unit");
const confirm = document.querySelector("#confirm");
if (capture) watchCapture(capture);
if (confirm) watchConfirm(confirm);
if (typed) watchTyped(typed);
if (share) watchShare(share);
offerLight();
if (place) {
  greetAnswer(place.dataset.unit);
  compareAnswer(place);
  watchUnit(place);
}
// To the answer of what was just sent; whoever reads another unit's card, or has the next unit in hand, is not torn away
// from it.
onArrival(async (unit, left) => {
  if (place ? place.dataset.unit !== unit : left > 0) return;
  await removing;
  if (place || !(inHand() || document.querySelector("dialog[open]"))) leave(() => location.assign(`/units/${unit}`));
  else offerAnswer(document.querySelector("#arrived"), unit);
});
// Whoever leaves the lot leaves nothing of it to see on this phone but what is still to be sent.
document.querySelector("#leave")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  forgetLot();
  await forgetCopy();
  event.target.submit();
});
const byNumber = document.querySelector("#by-number");
if (byNumber) watchByNumber(capture.elements.typed, byNumber);
numberCopy(); // fetched while there is a signal, for when there is none
watchSignal(document.querySelector("#signal"));
if (offline) showOffline();
await show();
run();
keepPage(async () => !(await all()).length && !(await draft(lot)).length && !document.querySelector("dialog[open]"));

// What is typed, scanned, or read in the photo of a label is answered at once.
function watchByNumber(field, box) {
  const look = watchNumber(field, box);
  const write = (text, texts) => {
    field.value = text.slice(0, field.maxLength);
    field.dispatchEvent(new Event("input", { bubbles: true }));
    scanned.set(lineOf(field), texts);
    look(texts);
  };
  offerScan(document.querySelector("#scan"), async (found) => {
    const texts = found.map(({ text }) => text);
    write(texts[0], texts);
    field.focus();
    const { value } = field;
    const best = await tellingOf(texts);
    if (best !== texts[0] && field.value === value) write(best, texts); // nothing else was typed meanwhile
  });
  capture.addEventListener("taken", async ({ detail: blob }) => {
    const texts = (await codes.get(blob)).map(({ text }) => text);
    if (texts.length && !field.value.trim()) look(texts); // the photo itself goes to the server, and its codes with it
  });
}

function offerAnswer(box, unit) {
  box.querySelector("a").href = `/units/${unit}`;
  box.hidden = false;
}

// Of several codes the one that names something: beside the number there may be a serial, which goes to nobody.
async function tellingOf(texts) {
  const held = await numberCopy();
  const of = (kind) => held?.copy && texts.find((text) => answerNumber(text, held.copy).kind === kind);
  return of("family") ?? of("several") ?? of("form") ?? texts[0];
}

// The lot that was open last; without one there is nobody to send anything to.
function showOffline() {
  document.querySelector(".lot").textContent = lot ? say(words.lot, { lot: lotName }) : "";
  document.querySelector("#no-lot").hidden = Boolean(lot);
  capture.hidden = !lot;
}
