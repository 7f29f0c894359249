// Shows at once what a number tells by itself, cautions first, and says what it does not know.

import { answerNumber } from "./number_answer.js";
import { comparedCopy, numberCopy } from "./number_copy.js";
import words from "./words.js";

const PAUSE_MS = 250;
const [MINUTE, HOUR, DAY] = [60_000, 3_600_000, 86_400_000];
const say = (text, values = {}) => text.replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);

export function watchNumber(field, box) {
  let timer;
  let last = "";
  const look = async (entries) => {
    const entry = entries.join(", ");
    if (entry === last) return;
    last = entry;
    const held = entry && (await numberCopy());
    if (entry !== last) return; // something else was typed meanwhile
    box.replaceChildren(...(entry ? describe(entries, held) : []));
    box.hidden = !entry;
    const fresh = entry && (await comparedCopy());
    if (entry === last && fresh !== held) box.replaceChildren(...describe(entries, fresh));
  };
  field.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(() => look([field.value.trim()]), PAUSE_MS);
  });
  field.form?.addEventListener("reset", () => look([""]));
  if (field.value.trim()) look([field.value.trim()]);
  return (entries) => {
    clearTimeout(timer); // of what was written into the field with them
    return look(entries);
  };
}

function describe(entries, held) {
  if (!held?.copy) return [make("p", held?.expired ? words.number_expired : words.number_no_copy, "problem")];
  const { copy } = held;
  const found = answerNumber(entries, copy);
  const families = found.families.map((place) => copy.families[place]);
  const cautions = [...copy.hazards.filter(({ name }) => families.some(({ hazard }) => hazard === name)), ...lockWords(found, families, copy)];
  const by = { number: words.number_by_number, mark: words.number_by_mark }[found.by] ?? words.number_no_photo;
  const told = make("p", say(by, { read: found.read }), "told");
  return [
    ...cautions.map(showCaution),
    ...(found.kind === "family" ? showFamily(found, families[0], copy, told) : [...showUnsure(entries.join(", "), found, families), told]),
    ...(found.kind === "family" ? families[0].cautions.map((one) => make("p", one.message)) : []),
    ...copy.closing.map((one) => make("p", one.message, "soft")),
    make("p", say(words.number_copy, { catalogue: copy.catalogue.name, age: ageOf(held.asked), when: dateOf(held.asked) }), "soft"),
  ];
}

// Which of the variants that remain are locked, in the words of an answer to photos.
function lockWords(found, families, copy) {
  const remaining = (family) => (found.variants ? found.variants.map((place) => family.variants[place]) : family.variants);
  return families.flatMap((family) => {
    const locked = remaining(family).filter(({ status }) => status === "locked");
    if (!locked.length) return [];
    const all = locked.length === remaining(family).length && found.kind === "family";
    const which = `${family.key} ${locked.map(({ key }) => key).join(" and ")}`;
    return [{ name: "locked", message: say(all ? copy.words.locked : copy.words.locked_open, { which }), source: "" }];
  });
}

export function showCaution({ name, message, source }) {
  const box = make("section", "", "caution");
  box.append(make("h3", `⚠ ${words.caution}: ${name}`), make("p", message));
  if (source) box.append(make("p", say(words.basis, { source }), "soft"));
  return box;
}

function showFamily(found, family, copy, told) {
  const variants = found.variants.map((place) => family.variants[place]);
  const stands = standing(family, variants, found);
  const [title, badge] = {
    hazard: [words.number_hazard, "hazard"],
    locked: [words.number_locked, "locked"],
    open: [words.number_open, "variant_open"],
    plain: [words.number_named, "by_number"],
  }[stands];
  const named = variants.length === 1 && family.variants.length > 1;
  const facts = make("dl", "", "facts");
  for (const variant of variants) {
    const { key, status, vehicles, years, throttle, crank_teeth } = variant;
    const donors = [vehicles || words.no_vehicles, years[0] === years[1] ? years[0] : say(words.years, { first: years[0], last: years[1] })];
    if (throttle === "none") donors.push(words.no_throttle);
    else if (throttle !== "unknown") donors.push(say(words.throttle, { kind: words[throttle] }));
    if (crank_teeth) donors.push(say(words.crank, { n: crank_teeth }));
    const state = make("span", words[`status_${status}`], `status ${status}`);
    const line = make("dd", "");
    line.append(make("strong", key), ", ", state, `. ${donors.join(", ")}`);
    facts.append(make("dt", words.variant), line);
  }
  facts.append(make("dt", words.controls), make("dd", words[`controls_${family.controls}`]));
  if (family.partners.length) facts.append(make("dt", words.partners));
  for (const partner of family.partners) facts.append(make("dd", partner.message));
  const open = found.unlisted ? words.number_unlisted : family.variants.length === 1 ? say(copy.words.one, { family: family.key }) : variants.length > 1 ? copy.words.open : "";
  return [
    make("p", title, `badge ${badge}`),
    make("h3", named ? say(words.number_variant, { family: family.key, variant: variants[0].key }) : family.key, "name"),
    ...(family.hazard === "none" ? [] : [make("p", say(words.number_leave, { family: family.key, hazard: family.hazard.replace(" ", "-") }))]),
    ...(found.rivals ? [make("p", say(words.number_rivals, { read: found.read, family: family.key }))] : []),
    told,
    facts,
    ...(open ? [make("p", open)] : []),
  ];
}

// As models/decision/placement.py has it: what nobody should take for a green light.
function standing(family, variants, { rivals, unlisted }) {
  if (family.hazard !== "none") return "hazard";
  if (rivals || unlisted) return "open";
  if (variants.every(({ status }) => status === "locked")) return "locked";
  const hangsOn = new Set(variants.map((one) => [one.status, one.market, one.throttle, one.crank_teeth].join("|")));
  return hangsOn.size > 1 ? "open" : "plain";
}

function showUnsure(entry, found, families) {
  const names = families.map(({ key }) => key);
  const text = { several: words.number_several, form: words.number_form, none: words.number_none }[found.kind];
  const listed = names.length > 6 ? `${names.slice(0, 6).join(", ")} …` : names.join(found.kind === "several" ? " / " : ", ");
  return [
    make("p", found.kind === "none" ? words.number_not_listed : words.number_unsure, "badge ambiguous"),
    make("p", say(text, { read: entry, families: listed })),
  ];
}

const dateOf = (time) => new Date(time).toLocaleString(document.documentElement.lang, { dateStyle: "medium", timeStyle: "short" });

export function ageOf(time, now = Date.now()) {
  const age = Math.max(0, now - time);
  const [unit, count] = age < HOUR ? ["minute", age / MINUTE] : age < DAY ? ["hour", age / HOUR] : ["day", age / DAY];
  return new Intl.RelativeTimeFormat(document.documentElement.lang, { numeric: "auto" }).format(-Math.floor(count), unit);
}

export function make(tag, text, kind = "") {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  if (kind) element.className = kind;
  return element;
}
