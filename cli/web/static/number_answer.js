// What a number, a mark or a barcode's payload tells by itself, from the copy of the catalogue on this phone.
// It names a family only by what is listed whole: what differs in one sign is never taken for it. The server,
// which weighs misreadings, may say more; it never names another family than this (a test runs both).

const MIN_NUMBER = 5; // signs, as models/catalogue/index.py has it
const MAX_PIECES = 24;
const [GS, RS, EOT] = ["\x1d", "\x1e", "\x04"];
const SHOWN = { "␝": GS, "␞": RS, "␄": EOT, "<GS>": GS, "<RS>": RS, "<EOT>": EOT, "{GS}": GS, "{RS}": RS };
// What a standard or a caption right before it names as something else is no service number, whatever it looks like.
// The captions of models/matching/label_fields.py, but for places of make: what stands behind one is a number again.
const CAPTIONS =
  "[S5][/\\\\|.]?N|SER|SERIAL|SERIAL[-.]?N[OR]|SNR|SERIENN?R|SERIENNUMMER|SERIE|DATE|DATUM|DATA|FECHA|MFD|MFG|BUILT|" +
  "WEEK|WK|KW|YEAR|LOT|BATCH|CHARGE|QTY";
const LINKS = "NO|NR|NUM|NUMBER|CODE|OF|IN|NUMMER|N";
const [SIGN, SIGNS] = ["[^\\p{L}\\p{N}]", "[^\\p{L}\\p{N}]+"];
const OTHER = new RegExp(`(^|${SIGN})((${CAPTIONS})(${SIGNS}(${LINKS}))*${SIGNS}|S/N|DATE|DATUM|SERIAL)$`, "iu");
// GS1 application identifiers, as models/matching/payloads.py has them: of an item's number, of something else, and
// how long the values of fixed length are.
const ITEM_IDENTIFIERS = new Set(["240", "241", "242"]);
const OTHER_IDENTIFIERS = new Set("00 01 02 10 11 12 13 15 16 17 21 30 37 250".split(" "));
const FIXED = { "00": 18, "01": 14, "02": 14, 11: 6, 12: 6, 13: 6, 14: 6, 15: 6, 16: 6, 17: 6, 18: 6, 19: 6, 20: 2 };
const DATA_IDENTIFIER = /^(\d{0,3}[A-Z])(.+)$/s; // ANSI MH10.8.2
// What begins a serial, a lot, a quantity or a date in a field of unknown meaning, as models/matching/payloads.py has it;
// `marksOf` leaves out what stands within a word.
const NO_NUMBER = /^\d?[SQTD](?=\d)|S(?=\d)|(S\/?N|SER(IAL)?)[-.:#= ]*(?=[\p{L}\p{N}_])/giu;
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

// kind "family": one is named, by what is listed; "rivals" where two numbers or suffixes in it are of different
// variants, "unlisted" where no variant with a number has the suffix behind it. "variants" are those that stay, as
// the server has them; "listed" those that list what was read. "several": more than one lists it. "form": it has the form of
// numbers of these families, and none lists it. "none": it tells nothing.
// `entries`: what was typed, or all codes of one picture, of which none may hide what another says.
export function answerNumber(entries, copy) {
  const read = [entries].flat().map((entry) => readEntry(entry, copy));
  const hits = read.flatMap((one) => one.hits);
  const naming = hits.some((hit) => !hit.goesOn); // what goes on may be part of a longer number
  const marked = read.filter((one) => one.hits.every((hit) => hit.goesOn) && copy.byMark.has(compact(one.entry)));
  const listing = [
    ...hits.flatMap((hit) => copy.numbers.get(hit.number)),
    ...marked.flatMap(({ entry }) => copy.byMark.get(compact(entry))),
  ];
  const places = [...new Set(listing)].sort((a, b) => a - b);
  if (places.length > 1) return { kind: "several", families: places };
  if (naming) return nameFamily(places[0], hits, copy);
  if (marked.length) {
    const all = copy.families[places[0]].variants.map((_, place) => place);
    return { kind: "family", families: places, variants: all, listed: all, by: "mark", read: marked[0].entry.trim() };
  }
  return readForm(read.flatMap((one) => one.fields), copy);
}

// Fields of one entry, and the listed numbers in them; of numbers within one another the longest.
function readEntry(entry, copy) {
  const fields = splitPayload(entry);
  const revision = fields.find((field) => field.meaning === "suffix")?.value ?? "";
  const found = fields.flatMap((field) => findNumbers(field, copy)).map((hit) => ({ ...hit, revision }));
  const hits = found.filter((hit) => !found.some((other) => other.number !== hit.number && other.number.includes(hit.number)));
  return { entry, fields, hits };
}

function nameFamily(place, hits, copy) {
  const family = copy.families[place];
  const read = hits.map((hit) => readVariants(hit, family, copy.patterns[family.suffix]));
  // A number that is said again without its suffix takes nothing from it.
  const own = read.filter((one) => one.behind || !read.some((other) => other.behind && other.number === one.number));
  const rivals = own.some((one) => own.some((other) => !one.listed.some((k) => other.listed.includes(k))));
  // Where they contradict each other, which of them is the unit's own nobody knows: no suffix rules anything out.
  const listed = new Set(own.flatMap((one) => (rivals ? one.listing : one.listed)));
  const kept = new Set([...listed, ...own.flatMap((one) => one.open)]);
  return {
    kind: "family",
    families: [place],
    variants: [...kept].sort((a, b) => a - b),
    listed: [...listed].sort((a, b) => a - b),
    rivals,
    unlisted: own.some((one) => one.unlisted),
    by: "number",
    read: [...new Set(own.map(({ shown }) => shown))].join(", "),
  };
}

// Which variants one number leaves, with the suffix behind it or else the one that a standard names in its payload.
function readVariants({ number, shown, rest, revision }, family, pattern) {
  const listing = family.variants.map((_, k) => k).filter((k) => family.variants[k].numbers.includes(number));
  const behind = readSuffix(rest, family, pattern) || compact(revision);
  const suffixed = listing.filter((k) => {
    const { suffixes } = family.variants[k];
    return !suffixes.length || suffixes.includes(behind);
  });
  // A suffix that none of them lists tells nothing: where suffixes are listed at all, it may be of no variant here.
  const tells = behind && suffixed.some((k) => family.variants[k].suffixes.includes(behind));
  const unlisted = Boolean(behind) && !suffixed.length;
  const strange = behind && !tells && family.variants.some(({ suffixes }) => suffixes.length);
  // What the server leaves open stays open here: which labels those are, it has worked out.
  const [, , stay] = family.open?.find(([n, suffix]) => n === number && suffix === (tells ? behind : "")) ?? [];
  const open = strange ? family.variants.map((_, k) => k) : (stay ?? []);
  return { number, behind, listing, listed: tells ? suffixed : listing, open, unlisted, shown: tells ? `${shown} ${behind}` : shown };
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
    if (number.length < MIN_NUMBER || !copy.numbers.has(number)) return [];
    if (field.meaning === "unknown" && OTHER.test(field.value.slice(0, run.start))) return [];
    return [{ number, shown: run.value.trim(), rest: field.value.slice(run.end), goesOn: run.goesOn }];
  });
}

function runsOf({ value, meaning }) {
  const pieces = [...value.matchAll(/\p{L}+|\p{N}+/gu)].slice(0, MAX_PIECES).map((m) => [m.index, m.index + m[0].length]);
  const marks = meaning === "unknown" ? marksOf(value) : [];
  const marked = (start) => marks.some(({ index, 0: mark }) => index < start && start <= index + mark.length);
  const starts = pieces.map(([start]) => start).filter((start) => !marked(start));
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

const marksOf = (value) =>
  [...value.matchAll(NO_NUMBER)].filter(({ index }) => !/[\p{L}\p{N}]$/u.test(value.slice(Math.max(index - 2, 0), index)));

// Families whose numbers have the form of what was typed; a number that is listed for none of them.
function readForm(fields, copy) {
  const written = fields
    .filter((field) => field.meaning !== "other")
    .flatMap((field) => runsOf(field).filter((run) => field.meaning !== "unknown" || !isNone(run.value, copy)));
  const long = written.map((run) => run.value.toUpperCase().replace(/\s+/gu, "")).filter((run) => run.length >= MIN_NUMBER);
  const formed = copy.families.map((_, place) => place).filter((place) => {
    const pattern = copy.patterns[copy.families[place].number];
    return long.some((run) => fits(pattern, run) || fits(pattern, compact(run)));
  });
  return { kind: formed.length ? "form" : "none", families: formed };
}

// A serial, a lot, a quantity or a date by its identifier, where no listed number begins with that.
function isNone(value, copy) {
  const mark = marksOf(value).find(({ index }) => index === 0);
  return mark !== undefined && ![...copy.numbers.keys()].some((number) => number.startsWith(compact(mark[0])));
}

// Fields of a payload, as models/matching/payloads.py splits them; a line that was typed is one field.
function splitPayload(entry) {
  let text = entry.trim().replace(/^\][A-Za-z]\d/, "");
  for (const [shown, control] of Object.entries(SHOWN)) text = text.replaceAll(shown, control);
  text = trimSigns(text, [GS, EOT]);
  if (/^\(\d{2,4}\)/.test(text)) {
    return [...text.matchAll(/\((\d{2,4})\)([^(]*)/g)].map(([, identifier, value]) => gs1Field(identifier, value.trim()));
  }
  const envelope = text.match(/^\[\)>\x1e?(\d\d)\x1d?/);
  if (!envelope && !text.includes(GS)) return [{ value: text, meaning: "unknown" }];
  const body = trimSigns(envelope ? text.slice(envelope[0].length) : text, [RS, EOT, GS]);
  const parts = body.split(envelope ? /[\x1d\x1e]/ : GS).filter(Boolean);
  if (envelope && envelope[1] !== "05") return parts.map(dataField);
  const read = parts.map(readIdentifiers);
  if (envelope) return parts.flatMap((part, k) => (read[k].length ? read[k] : [{ value: part, meaning: "unknown" }]));
  if (read.every((fields) => fields.length)) return read.flat();
  const fields = parts.map(dataField);
  // Without an envelope a first letter may as well be the number's own, where nothing else is named one.
  const other = fields[0].meaning === "other" && fields.every(({ meaning }) => meaning !== "number");
  return other ? [{ value: parts[0], meaning: "unknown" }, ...fields.slice(1)] : fields;
}

function gs1Field(identifier, value) {
  if (ITEM_IDENTIFIERS.has(identifier)) return { value, meaning: "number" };
  return { value, meaning: OTHER_IDENTIFIERS.has(identifier) ? "other" : "unknown" };
}

// Fields of a stretch without separators by application identifiers; none where it is not built of them.
function readIdentifiers(part) {
  if (!part) return [];
  const known = [part.slice(0, 3), part.slice(0, 2)].find((one) => ITEM_IDENTIFIERS.has(one) || OTHER_IDENTIFIERS.has(one));
  const identifier = known ?? part.match(/^(9[0-9]|20)/)?.[0];
  if (!identifier) return [];
  const rest = part.slice(identifier.length);
  const value = rest.slice(0, FIXED[identifier]);
  if (!value || value.length < (FIXED[identifier] ?? 0)) return [];
  const others = readIdentifiers(rest.slice(value.length));
  return others.length || value === rest ? [gs1Field(identifier, value), ...others] : [];
}

function dataField(part) {
  const found = part.match(DATA_IDENTIFIER);
  if (!found) return { value: part, meaning: "unknown" };
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
