// Joins the page to the camera, the outbox and the answer.

import { offerScan, readPhoto } from "./barcodes.js";
import { judge } from "./judging.js";
import { keepPage, leave, watchSignal } from "./keeping.js";
import { offerLight } from "./light.js";
import { forgetLot, lot, lotName, offline } from "./lot.js";
import { compareAnswer } from "./number_compare.js";
import { forgetCopy, numberCopy } from "./number_copy.js";
import { noteRead } from "./number_reads.js";
import { watchNumber } from "./number_view.js";
import { add, onArrival, request, run, say, show } from "./outbox.js";
import plugLimits from "./plug_limits.js";
import { shrink } from "./shrink.js";
import { all, draft, keepDraft } from "./store.js";
import words from "./words.js";

const POLL_MS = 1000;
const POLL_SLOW_MS = 5000; // after a minute

function makeId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID asks for https
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

const codes = new WeakMap(); // photo -> codes in it, as soon as they are read

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

  const deliver = async (details) => {
    const photos = takenShots();
    for (const shot of shots) showShot(shot, undefined);
    refresh();
    const unit = form.dataset.unit || makeId();
    for (const { blob } of photos) codes.get(blob)?.then((found) => found.length && noteRead(unit, found[0].text));
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
    const said = [...new FormData(form)].filter(([, value]) => typeof value === "string" && value.trim());
    const { claimed = "", crank_teeth, year, typed: _, ...needs } = Object.fromEntries(said);
    const typed = typedIn(form);
    if (crank_teeth) needs.crank_teeth = Number(crank_teeth);
    if (year) needs.year = Number(year);
    const asked = claimed || typed.length || Object.keys(needs).length;
    await deliver(asked ? { claimed, needs, typed } : undefined);
    form.reset();
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

// What was typed, or what a scanner wrote into the field as a keyboard would.
function typedIn(form) {
  const value = form.elements.typed?.value.trim();
  return value ? [value] : [];
}

// A number or barcode for a unit that is there already; a scanner ends with Enter, which sends it.
function watchTyped(form) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const typed = typedIn(form);
    if (!typed.length) return;
    const before = JSON.parse(form.dataset.said);
    form.reset();
    await add(form.dataset.unit, [], { ...before, typed: [...before.typed, ...typed].slice(-8) });
  });
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
    view.hidden = true; // a kind this browser cannot show; it is sent all the same
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
    await new Promise((done) => setTimeout(done, Date.now() - started < 60_000 ? POLL_MS : POLL_SLOW_MS));
    const said = await request("GET", `/api/v1/units/${unit}`, null, "application/json");
    if (said.ok) last = { state: said.answer.state, made: said.answer.result_made_at ?? "" };
    if (said.ok && (last.state !== state || last.made !== made)) {
      if (last.state === "working" && last.made === made) continue;
      sessionStorage.setItem("answered", unit);
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
  const { what, none, who, note } = form.elements;
  if (who) who.value = localStorage.getItem("who") ?? ""; // the field is missing where the code names its holder
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    said.hidden = false;
    if (!what.value.trim() && !none.checked) {
      said.textContent = words.none_checked;
      what.focus();
      return;
    }
    const [family, variant = ""] = none.checked ? [""] : what.value.split(":").map((part) => part.trim());
    const body = JSON.stringify({ family, variant, who: who?.value ?? "", note: note.value });
    const answer = await request("POST", `/api/v1/units/${form.dataset.unit}/confirmations`, body, "application/json");
    if (answer.ok && who) localStorage.setItem("who", who.value);
    said.textContent = answer.ok
      ? words.recorded
      : answer.status === 0
        ? words.no_answer
        : say(words.not_recorded, { problem: answer.problem });
    if (answer.ok) form.querySelector("button").disabled = true; // until something else is to be recorded
  });
  form.addEventListener("input", () => {
    form.querySelector("button").disabled = false;
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
// To the answer of what was just sent; whoever reads another unit's card is not torn away from it.
onArrival((unit, left) => {
  if (place ? place.dataset.unit === unit : left === 0) leave(() => location.assign(`/units/${unit}`));
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
  offerScan(document.querySelector("#scan"), (codes) => {
    field.value = codes[0].text.slice(0, field.maxLength);
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.focus();
  });
  capture.addEventListener("taken", async ({ detail: blob }) => {
    const [code] = await codes.get(blob);
    if (code && !field.value.trim()) look(code.text); // the photo itself goes to the server, and its code with it
  });
}

// The lot that was open last; without one there is nobody to send anything to.
function showOffline() {
  document.querySelector(".lot").textContent = lot ? say(words.lot, { lot: lotName }) : "";
  document.querySelector("#no-lot").hidden = Boolean(lot);
  capture.hidden = !lot;
}
