// What a number, a mark or a barcode's payload tells by itself, from the copy of the catalogue on this phone.
// It names a family only by what is listed whole: what differs in one sign is never taken for it. The server,
// which weighs misreadings, may say more; it never names another family than this (a test runs both).

const MIN_NUMBER = 5; // signs, as models/catalogue/index.py has it
const MAX_PIECES = 24;
const [GS, RS, EOT] = ["\x1d", "\x1e", "\x04"];
const SHOWN = { "␝": GS, "␞": RS, "␄": EOT, "<GS>": GS, "<RS>": RS, "<EOT>": EOT, "{GS}": GS, "{RS}": RS };
// What a standard or a caption names as something else is no service number, whatever it looks like.
const OTHER = /(^|[^\p{L}])(S[/.]?N|SER|SERIAL|SERIENN?R|SERIENNUMMER|SERIE|SNR|LOT|BATCH|CHARGE)(?=$|[^\p{L}])/iu;
const ITEM_IDENTIFIER = /^24[012]/; // GS1: additional item number, customer's part number, made-to-order number
const DATA_IDENTIFIER = /^(\d{0,3}[A-Z])(.+)$/s; // ANSI MH10.8.2
const REVISION = new Set("REV REVISION REVN ISSUE ISS IND INDEX SUFFIX EDITION ED VERSION VER LEVEL CHANGE".split(" "));

export const compact = (text) => text.toUpperCase().replace(/[^A-Z0-9]+/g, "");

// The copy with what is looked up by it.
export function openCopy(copy) {
  const [numbers, marks] = [new Map(), new Map()];
  const enter = (map, key, place) => map.set(key, [...new Set([...(map.get(key) ?? []), place])]);
  copy.families.forEach((family, place) => {
    for (const mark of family.marks) enter(marks, mark, place);
    for (const variant of family.variants) for (const number of variant.numbers) enter(numbers, number, place);
  });
  return { ...copy, numbers, byMark: marks };
}

// One step for each sign, whatever the pattern: see models/catalogue/pattern_table.py.
export function fits(pattern, text) {
  if (!pattern) return false;
  let state = 0;
  for (const sign of text) {
    const code = sign.codePointAt(0);
    const step = pattern.steps[state].find(([low, high]) => low <= code && code <= high);
    if (!step) return false;
    [, , state] = step;
  }
  return pattern.ends.includes(state);
}

// kind "family": one is named, by what is listed. "several": more than one lists it. "form": it has the form of
// numbers of these families, and none lists it. "none": it tells nothing.
export function answerNumber(entry, copy) {
  const fields = splitPayload(entry);
  const hits = fields.flatMap((field) => findNumbers(field, copy));
  const longest = hits.filter((hit) => !hits.some((other) => other.number !== hit.number && other.number.includes(hit.number)));
  const numbers = [...new Set(longest.map((hit) => hit.number))];
  const places = [...new Set(numbers.flatMap((number) => copy.numbers.get(number)))].sort((a, b) => a - b);
  if (places.length === 1) {
    const revision = fields.find((field) => field.meaning === "suffix")?.value ?? "";
    return nameFamily(places[0], numbers, longest, revision, copy);
  }
  if (places.length > 1) return { kind: "several", families: places };
  const marked = copy.byMark.get(compact(entry)) ?? [];
  if (marked.length === 1) {
    const all = copy.families[marked[0]].variants.map((_, place) => place);
    return { kind: "family", families: marked, variants: all, by: "mark", read: entry.trim() };
  }
  if (marked.length > 1) return { kind: "several", families: marked };
  return readForm(fields, copy);
}

function nameFamily(place, numbers, hits, revision, copy) {
  const family = copy.families[place];
  const listing = family.variants.map((_, k) => k).filter((k) => numbers.some((number) => family.variants[k].numbers.includes(number)));
  const pattern = copy.patterns[family.suffix];
  const behind = hits.map((hit) => readSuffix(hit.rest, family, pattern)).find(Boolean) ?? compact(revision);
  const suffixed = listing.filter((k) => {
    const { suffixes } = family.variants[k];
    return !suffixes.length || suffixes.includes(behind);
  });
  // A suffix that none of them lists tells nothing: they stay, and nothing is ruled out by it.
  const variants = behind && suffixed.length ? suffixed : listing;
  const read = behind && variants === suffixed ? `${hits[0].shown} ${behind}` : hits[0].shown;
  return { kind: "family", families: [place], variants, by: "number", read };
}

// What stands right behind a number and can be a suffix, with or without its caption.
function readSuffix(rest, family, pattern) {
  if (!pattern) return "";
  const words = rest.toUpperCase().match(/^[\s./:#=-]*([\p{L}\p{N}]+)(?:[\s.:#=-]+([\p{L}\p{N}]+))?/u);
  if (!words) return "";
  const [, first, second = ""] = words;
  if (fits(pattern, first)) return compact(first);
  const captioned = REVISION.has(first) || (family.caption && compact(first) === family.caption);
  return captioned && fits(pattern, second) ? compact(second) : "";
}

// Runs of neighbouring pieces that are a listed number as a whole. Pieces end at signs, and where letters and
// figures meet; figures that go on behind a stroke or point are more of the number.
function findNumbers(field, copy) {
  if (field.meaning === "other" || field.meaning === "suffix") return [];
  return runsOf(field).flatMap((run) => {
    const number = compact(run.value);
    if (number.length < MIN_NUMBER || !copy.numbers.has(number) || run.goesOn) return [];
    if (field.meaning === "unknown" && OTHER.test(field.value.slice(0, run.start))) return [];
    return [{ number, shown: run.value.trim(), rest: field.value.slice(run.end) }];
  });
}

function runsOf({ value, meaning }) {
  const pieces = [...value.matchAll(/\p{L}+|\p{N}+/gu)].slice(0, MAX_PIECES).map((m) => [m.index, m.index + m[0].length]);
  const starts = pieces.map(([start]) => start);
  const bare = meaning === "unknown" ? value.match(/^\d{0,2}P(?=[\p{L}\p{N}])/u)?.[0].length : undefined;
  if (bare !== undefined && !starts.includes(bare)) starts.push(bare);
  return starts.flatMap((start) =>
    pieces
      .filter(([from, end]) => end > start && from >= start - 1)
      .map(([, end]) => ({
        start,
        end,
        value: value.slice(start, end),
        goesOn: /\p{N}[./,:-]$/u.test(value.slice(0, start)) || /^[./,:-]\p{N}/u.test(value.slice(end)),
      })),
  );
}

// Families whose numbers have the form of what was typed; a number that is listed for none of them.
function readForm(fields, copy) {
  const written = fields.filter((field) => field.meaning !== "other").flatMap((field) => runsOf(field));
  const long = written.map((run) => run.value.toUpperCase().replace(/\s+/gu, "")).filter((run) => run.length >= MIN_NUMBER);
  const formed = copy.families.map((_, place) => place).filter((place) => {
    const pattern = copy.patterns[copy.families[place].number];
    return long.some((run) => fits(pattern, run) || fits(pattern, compact(run)));
  });
  return { kind: formed.length ? "form" : "none", families: formed };
}

// Fields of a payload, as models/matching/payloads.py splits them; a line that was typed is one field.
function splitPayload(entry) {
  let text = entry.trim().replace(/^\][A-Za-z]\d/, "");
  for (const [shown, control] of Object.entries(SHOWN)) text = text.replaceAll(shown, control);
  text = trimSigns(text, [GS, EOT]);
  if (/^\(\d{2,4}\)/.test(text)) {
    return [...text.matchAll(/\((\d{2,4})\)([^(]*)/g)].map(([, identifier, value]) => ({
      value: value.trim(),
      meaning: ITEM_IDENTIFIER.test(identifier) ? "number" : "other",
    }));
  }
  const envelope = text.match(/^\[\)>\x1e?(\d\d)\x1d?/);
  if (!envelope && !text.includes(GS)) return [{ value: text, meaning: "unknown" }];
  const body = trimSigns(envelope ? text.slice(envelope[0].length) : text, [RS, EOT, GS]);
  const parts = body.split(/[\x1d\x1e]/).filter(Boolean);
  return envelope?.[1] === "05" ? parts.map(itemField) : parts.map(dataField);
}

function itemField(part) {
  return ITEM_IDENTIFIER.test(part) ? { value: part.slice(3), meaning: "number" } : { value: part, meaning: "other" };
}

function dataField(part) {
  const found = part.match(DATA_IDENTIFIER);
  if (!found) return ITEM_IDENTIFIER.test(part) ? itemField(part) : { value: part, meaning: "unknown" };
  const [, identifier, value] = found;
  if (identifier === "2P") return { value, meaning: "suffix" };
  if (identifier.endsWith("P")) return { value, meaning: "number" };
  return "STQDVLK".includes(identifier.at(-1)) ? { value, meaning: "other" } : { value: part, meaning: "unknown" };
}

function trimSigns(text, signs) {
  let [start, end] = [0, text.length];
  while (start < end && signs.includes(text[start])) start += 1;
  while (end > start && signs.includes(text[end - 1])) end -= 1;
  return text.slice(start, end);
}
