// Joins the page to the camera, the outbox and the answer.

import words from "/words.js";
import { add, onArrival, request, run, say, show } from "./outbox.js";
import { shrink } from "./shrink.js";

const POLL_MS = 1000;
const POLL_SLOW_MS = 5000; // after a minute

function makeId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID asks for https
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

function watchCapture(form) {
  const taken = new Map(); // face -> blob, in the order of the page
  const problem = form.querySelector(":scope > .problem");
  const send = form.querySelector("#send");
  const unit = form.dataset.unit || makeId();
  const sections = [...form.querySelectorAll(".shot")];
  let preparing = 0;

  const refresh = () => {
    if (!send) return;
    send.disabled = taken.size === 0 || preparing > 0;
    send.textContent = taken.size === 1 ? send.dataset.one : send.dataset.all;
  };

  const complain = (text) => {
    problem.hidden = !text;
    problem.textContent = text;
  };

  const deliver = async (details) => {
    const photos = sections.map((s) => s.dataset.face).filter((face) => taken.has(face));
    await add({ id: unit, details, photos: photos.map((face) => ({ face, blob: taken.get(face), sent: false })) });
  };

  for (const section of sections) {
    const view = section.querySelector(".taken");
    for (const input of section.querySelectorAll("input[type=file]")) {
      input.addEventListener("change", async () => {
        const [file] = input.files;
        input.value = ""; // the same picture may be chosen again
        if (!file) return;
        complain("");
        preparing += 1;
        refresh();
        const blob = await shrink(file);
        preparing -= 1;
        if (blob.size > Number(form.dataset.photoBytes)) {
          complain(say(words.large, { size: Math.ceil(blob.size / 1e6) }));
          refresh();
          return;
        }
        taken.set(section.dataset.face, blob);
        if (view.src) URL.revokeObjectURL(view.src);
        view.src = URL.createObjectURL(blob);
        view.hidden = false;
        view.onerror = () => { view.hidden = true; section.querySelector(".sketch").hidden = false; };
        section.querySelector(".sketch").hidden = true;
        section.classList.add("done");
        section.querySelector(".first").hidden = true;
        section.querySelector(".again").hidden = false;
        refresh();
        if (form.dataset.atOnce) await deliver();
      });
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.dataset.atOnce) return;
    const said = Object.fromEntries([...new FormData(form)].filter(([, value]) => typeof value === "string" && value));
    const { claimed = "", crank_teeth, year, ...needs } = said;
    if (crank_teeth) needs.crank_teeth = Number(crank_teeth);
    if (year) needs.year = Number(year);
    const wanted = claimed || Object.keys(needs).length ? { claimed, needs } : undefined;
    send.disabled = true;
    await deliver(wanted);
    form.reset();
    document.querySelector("#outbox").scrollIntoView({ block: "start" });
  });
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
      location.reload();
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
  who.value = localStorage.getItem("who") ?? "";
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    said.hidden = false;
    if (!what.value.trim() && !none.checked) {
      said.textContent = words.none_checked;
      what.focus();
      return;
    }
    const [family, variant = ""] = none.checked ? [""] : what.value.split(":").map((part) => part.trim());
    const body = JSON.stringify({ family, variant, who: who.value, note: note.value });
    const answer = await request("POST", `/api/v1/units/${form.dataset.unit}/confirmations`, body, "application/json");
    if (answer.ok) localStorage.setItem("who", who.value);
    said.textContent = answer.ok
      ? words.recorded
      : answer.status === 0
        ? words.no_answer
        : say(words.not_recorded, { problem: answer.problem });
    if (answer.ok) form.querySelector("button").disabled = true;
  });
}

const capture = document.querySelector("#capture");
const place = document.querySelector("#unit");
const confirm = document.querySelector("#confirm");
if (capture) watchCapture(capture);
if (confirm) watchConfirm(confirm);
if (place) {
  greetAnswer(place.dataset.unit);
  watchUnit(place);
}
onArrival((unit) => location.assign(`/units/${unit}`));
await show();
run();
