// What waits in the outbox as one file (ZIP, stored as it is), a folder for each unit: for `plugface sort`, or for
// another phone's way home.

const MAX_BYTES = 3_900_000_000; // the plain form of the file counts bytes in 32 bits
const ENDINGS = { "image/jpeg": "jpg", "image/png": "png", "image/webp": "webp", "image/tiff": "tif", "image/heic": "heic", "image/heif": "heif" };

// The file of some units, or undefined where they are too large for one.
export async function packUnits(units) {
  const files = [];
  for (const [place, unit] of units.entries()) {
    const folder = `unit-${String(place + 1).padStart(3, "0")}-${unit.id.slice(0, 8)}`;
    unit.photos.forEach(({ face, blob }, k) => {
      const name = `${folder}/${unit.id.slice(0, 8)}-${face.replace(/[^a-z]+/g, "-")}-${k + 1}.${ENDINGS[blob.type] ?? "jpg"}`;
      files.push({ name, blob, time: unit.added });
    });
    const { claimed = "", needs = {}, typed = [] } = unit.details ?? {};
    const said = JSON.stringify({ id: unit.id, lot: unit.lotName, claimed, needs, typed }, null, 1);
    files.push({ name: `${folder}/unit.json`, blob: new Blob([said]), time: unit.added });
  }
  if (files.reduce((sum, { blob }) => sum + blob.size, 0) > MAX_BYTES) return undefined;
  return zip(files);
}

// PKWARE, APPNOTE.TXT 6.3.10, sections 4.3.7, 4.3.12 and 4.3.16: no compression, names in UTF-8.
async function zip(files) {
  const parts = [];
  const directory = [];
  let offset = 0;
  for (const { name, blob, time } of files) {
    const bytes = new TextEncoder().encode(name);
    const sum = crc32(new Uint8Array(await blob.arrayBuffer())); // one photo at a time is in memory
    const common = [[2, 20], [2, 1 << 11], [2, 0], ...dosTime(time), [4, sum], [4, blob.size], [4, blob.size], [2, bytes.length], [2, 0]];
    const head = record([[4, 0x04034b50], ...common]);
    parts.push(head, bytes, blob);
    directory.push(record([[4, 0x02014b50], [2, 20], ...common, [2, 0], [2, 0], [2, 0], [4, 0], [4, offset]]), bytes);
    offset += head.length + bytes.length + blob.size;
  }
  const size = directory.reduce((sum, part) => sum + part.length, 0);
  const end = record([[4, 0x06054b50], [2, 0], [2, 0], [2, files.length], [2, files.length], [4, size], [4, offset], [2, 0]]);
  return new Blob([...parts, ...directory, end], { type: "application/zip" });
}

function record(fields) {
  const bytes = new Uint8Array(fields.reduce((sum, [width]) => sum + width, 0));
  const view = new DataView(bytes.buffer);
  let at = 0;
  for (const [width, value] of fields) {
    if (width === 2) view.setUint16(at, value, true);
    else view.setUint32(at, value, true);
    at += width;
  }
  return bytes;
}

function dosTime(time) {
  const when = new Date(time);
  const day = (Math.max(0, when.getFullYear() - 1980) << 9) | ((when.getMonth() + 1) << 5) | when.getDate();
  return [[2, (when.getHours() << 11) | (when.getMinutes() << 5) | (when.getSeconds() >> 1)], [2, day]];
}

let table;

function crc32(bytes) {
  table ??= Uint32Array.from({ length: 256 }, (_, n) => {
    let value = n;
    for (let bit = 0; bit < 8; bit += 1) value = value & 1 ? 0xedb88320 ^ (value >>> 1) : value >>> 1;
    return value;
  });
  let sum = 0xffffffff;
  for (const byte of bytes) sum = table[(sum ^ byte) & 0xff] ^ (sum >>> 8);
  return (sum ^ 0xffffffff) >>> 0;
}

// Hand the file on: to the phone's own sharing where that takes it, else as a download.
export async function handOn(blob, name) {
  const file = new File([blob], name, { type: blob.type });
  if (navigator.canShare?.({ files: [file] })) {
    try {
      await navigator.share({ files: [file] });
      return;
    } catch (error) {
      if (error.name === "AbortError") return; // whoever asked thought better of it
    }
  }
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
