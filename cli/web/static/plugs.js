// Looks for plugs on the phone, where the page's settings let it: a help while the unit is in hand, and no answer.
// Nothing is accepted by it, and the server never hears of it.

import { numberCopy } from "./number_copy.js";
import { make, showCaution } from "./number_view.js";
import { fitPlugs } from "./plug_fit.js";
import limits from "./plug_limits.js";
import { scriptUrl } from "./trusted.js";
import words from "./words.js";

const REST_MS = 60_000; // after so long without a photo its memory is given back
const FONT_PX = 13;
const SURE = 0.9;
const USED = "plugs"; // whether it was used on this phone: from then on each photo is looked at
const SVG = "http://www.w3.org/2000/svg";

const say = (text, values = {}) => text.replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);

let worker;
let asked = 0;
let rest;
const waiting = new Map();

function end(problem) {
  worker?.terminate();
  worker = undefined;
  for (const { refuse } of waiting.values()) refuse(new Error(problem));
  waiting.clear();
}

// The worker, which ends after a rest.
function start() {
  if (!worker) {
    worker = new Worker(scriptUrl(new URL("./plugs_worker.js", import.meta.url)), { type: "module" });
    worker.addEventListener("error", () => end("the worker could not be started"));
    worker.addEventListener("message", ({ data: { id, first, seen, problem } }) => {
      const { give, refuse, tell: toldFirst } = waiting.get(id) ?? {};
      if (first) {
        toldFirst?.(first);
        return;
      }
      waiting.delete(id);
      if (problem) refuse?.(new Error(problem));
      else give?.(seen);
    });
  }
  clearTimeout(rest);
  rest = setTimeout(() => !waiting.size && end(), REST_MS);
  return worker;
}

// What is seen in a photo, as plugs_worker.js gives it; `tell` is given before what its first look says, where that is
// not all. `shades` are those that the catalogue names.
export function seePlugs(blob, tell, shades = []) {
  const asking = start();
  return new Promise((give, refuse) => {
    const id = (asked += 1);
    waiting.set(id, { give, refuse, tell });
    asking.postMessage({ id, blob, shades });
  });
}

// While the camera is open the network is loaded and run once, where it is used on this phone.
export function warmPlugs() {
  if (wasUsed() && globalThis.OffscreenCanvas) start().postMessage({});
}

const wasUsed = () => {
  try {
    return Boolean(localStorage.getItem(USED));
  } catch {
    return false;
  }
};

let shown; // the photo that is in its place now

// Says and draws what is seen in the photo of a place; without a photo it takes that away.
export async function showPlugs(section, blob) {
  shown = blob;
  const box = section.querySelector(".plugs") ?? place(section);
  section.querySelector(".view .drawn")?.remove();
  box.replaceChildren();
  box.hidden = !blob || !globalThis.OffscreenCanvas;
  if (box.hidden) return;
  if (wasUsed()) await look(section, box, blob);
  else {
    const button = make("button", say(words.plugs_button, { megabytes: limits.megabytes }));
    button.type = "button";
    button.addEventListener("click", () => look(section, box, blob));
    box.append(button);
  }
}

function place(section) {
  const box = make("div", "", "plugs by-number");
  box.role = "status";
  section.querySelector(".fault").after(box);
  return box;
}

async function look(section, box, blob) {
  box.replaceChildren(make("p", words.plugs_looking));
  let seen;
  try {
    const held = await numberCopy();
    seen = await seePlugs(blob, (first) => show(section, box, blob, first, true), held?.copy?.shades);
    localStorage.setItem(USED, "1");
  } catch {
    seen ??= latest.get(blob); // what its first look told stays
    if (!seen && shown === blob) box.replaceChildren(make("p", words.plugs_not_here, "problem"));
    if (!seen) return;
  }
  await show(section, box, blob, seen, false);
}

const latest = new WeakMap(); // photo -> what was seen in it last

async function show(section, box, blob, seen, more) {
  latest.set(blob, seen);
  const held = await numberCopy();
  if (shown !== blob || latest.get(blob) !== seen) return; // taken again meanwhile, or looked at more closely
  box.replaceChildren(...describe(seen, held?.copy), ...(more ? [make("p", words.plugs_closer, "closer")] : []));
  section.querySelector(".view .drawn")?.remove();
  section.querySelector(".view").append(draw(seen));
}

function describe({ units, loose }, copy) {
  const every = [...units.flatMap(({ plugs }) => plugs), ...loose];
  const fits = units.length === 1 && units[0].plugs.length && copy ? fitPlugs(units[0].plugs, copy.families, limits) : undefined;
  const hazards = new Set((fits?.families ?? []).map(({ hazard }) => hazard));
  const at = copy?.colour_caution_at ?? limits.caution_at;
  const likely = (code, hazard) => hazards.has(hazard) || every.some(({ colour }) => colour && colour[limits.codes.indexOf(code)] >= at);
  const cautions = [
    ...(likely("OG", "high voltage") ? [limits.cautions.OG] : []),
    ...(likely("YE", "restraint") ? [limits.cautions.YE] : []),
    ...(every.length && every.every(({ colour }) => !colour) ? [limits.cautions[""]] : []),
  ];
  const lines = units.map(({ plugs }, k) => (units.length > 1 ? `${say(words.plugs_unit, { n: k + 1 })} ` : "") + count(plugs));
  if (!units.length) lines.push(loose.length && !limits.plugs.verified ? `${words.plugs_no_unit} ${count(loose)}` : words.plugs_no_unit);
  // The server asks another network of each of them, which may refuse it: the phone is never surer than that.
  if (loose.length && limits.plugs.verified) lines.push(loose.length === 1 ? words.plugs_perhaps_one : say(words.plugs_perhaps, { n: loose.length }));
  return [
    ...cautions.map(showCaution),
    make("p", words.plugs_badge, "badge by_number"),
    ...lines.map((line) => make("p", line, "found")),
    ...(fits ? [make("p", tellFits(fits))] : []),
    make("p", words.plugs_told, "told"),
  ];
}

function count(plugs) {
  if (!plugs.length) return words.plugs_none;
  const text = plugs.length === 1 ? words.plugs_one : say(words.plugs_many, { n: plugs.length });
  return `${text}: ${plugs.map(name).join(", ")}`;
}

// "GY L", with a question mark where the colour is not sure.
function name({ colour, size }) {
  const code = colour ? limits.codes[best(colour)] + (Math.max(...colour) < SURE ? "?" : "") : "?";
  return `${code} ${limits.sizes[best(size)]}`;
}

const best = (chances) => chances.indexOf(Math.max(...chances));

function tellFits({ families, hidden }) {
  const keys = families.map(({ key }) => key);
  const listed = keys.length > 6 ? `${keys.slice(0, 6).join(", ")} …` : keys.join(" / ");
  if (!keys.length) return words.plugs_fit_none;
  return say(hidden ? words.plugs_fit_hidden : words.plugs_fit, { families: listed });
}

const wideness = (tag) => (tag.length * 0.65 + 0.5) * FONT_PX;

// Over the preview, which shows the whole photo in the middle of its frame.
function draw({ width, height, units, loose }) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.classList.add("drawn");
  svg.ariaHidden = "true"; // the words say the same
  const scale = Math.max(width / 320, height / 256);
  const add = (tag, attributes, text) => {
    const element = document.createElementNS(SVG, tag);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text) element.textContent = text;
    svg.append(element);
  };
  const outline = (corners, colour, wide) => {
    const points = corners.map((corner) => corner.join(",")).join(" ");
    add("polygon", { points, fill: "none", stroke: "#000", "stroke-width": (wide + 2) * scale });
    add("polygon", { points, fill: "none", stroke: colour, "stroke-width": wide * scale });
  };
  for (const unit of units) outline(unit.outline, "#fff", 2);
  const groups = [...units.map(({ plugs }) => plugs), loose];
  for (const { corners } of groups.flat()) outline(corners, "#fff", 1);
  for (const plugs of groups) {
    plugs.forEach(({ corners, centre: [x, y], colour: seen }, k) => {
      const colour = plugs === loose && limits.plugs.verified ? null : seen;
      const [, fill, ink] = colour ? limits.shades[best(colour)] : ["", ...limits.no_shade];
      const whole = `${k + 1} ${colour ? limits.codes[best(colour)] : "?"}`;
      const room = Math.hypot(corners[1][0] - corners[0][0], corners[1][1] - corners[0][1]);
      const tag = wideness(whole) * scale > 1.5 * room ? `${k + 1}` : whole; // its shade tells the colour, too
      const [wide, high] = [wideness(tag) * scale, 1.25 * FONT_PX * scale];
      add("rect", { x: x - wide / 2, y: y - high / 2, width: wide, height: high, rx: 3 * scale, fill, stroke: "#000", "stroke-width": scale });
      add("text", { x, y: y + 0.36 * FONT_PX * scale, fill: ink, "font-size": FONT_PX * scale, "font-weight": 700, "text-anchor": "middle" }, tag);
    });
  }
  return svg;
}
