// Holds what a number said by itself against what the photos were answered with. Where they contradict each other,
// that stands before everything else: one of the two is wrong, and the phone cannot know which.

import { answerNumber } from "./number_answer.js";
import { comparedCopy } from "./number_copy.js";
import { make, showCaution } from "./number_view.js";
import { readOf } from "./number_reads.js";
import words from "./words.js";

const say = (text, values) => text.replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);

// What contradicts a server's answer, each with the entry; nothing where either of the two is not sure.
export function contradictions(entries, { verdict, families, variants }, copy) {
  if (verdict === "unreadable") return []; // the photos say nothing
  return [...new Set(entries)].flatMap((entry) => {
    const found = answerNumber(entry, copy);
    if (found.kind !== "family") return [];
    const family = copy.families[found.families[0]];
    const keys = found.listed.map((place) => family.variants[place].key);
    if (!families.includes(family.key)) return [{ entry, read: found.read, family }];
    const open = families.length > 1 || !variants.length || keys.some((key) => variants.includes(key));
    return open ? [] : [{ entry, read: found.read, family, variants: keys }];
  });
}

export async function compareAnswer(place) {
  const { unit, verdict, families, variants, typed } = place.dataset;
  if (!verdict) return; // no answer yet
  const entries = [...JSON.parse(typed), ...readOf(unit)];
  const held = entries.length ? await comparedCopy() : undefined;
  if (!held?.copy) return;
  const answer = { verdict, families: JSON.parse(families), variants: JSON.parse(variants) };
  for (const one of contradictions(entries, answer, held.copy)) place.before(show(one, answer, held.copy));
}

function show({ read, family, variants }, answer, copy) {
  const box = make("section", "", "caution contradiction");
  box.role = "alert";
  const said = answer.families.join(" / ") || words.unknown;
  const text = variants
    ? say(words.compare_variant, { read, family: family.key, listed: variants.join(" / "), answer: answer.variants.join(" / ") })
    : say(words.compare_family, { read, family: family.key, answer: said });
  box.append(make("h2", `⚠ ${words.compare_title}`), make("p", text), make("p", words.compare_do));
  box.append(...copy.hazards.filter(({ name }) => name === family.hazard).map(showCaution));
  return box;
}
