// Looks for plugs in a photo, beside the page: it may run WebAssembly, and can show nothing. In a worker of its own,
// on one thread, for more would need what a page over plain http never has.

import limits from "./plug_limits.js";
import { measureLight, measureRim, nameColour, neutralThings, rimOf } from "./plug_colours.js";
import { findUnits, isSettled, loosePlugs, nameMaps, plugsOn } from "./plug_maps.js";
import { areaOf, overlap } from "./plug_outlines.js";
import { shares } from "./quality.js";
import { InferenceSession, Tensor, env } from "./vendor/onnxruntime/ort.wasm-core.min.js";

const SAME = 0.6; // of two looks that settled on one unit, as vision/observe.py has it

env.wasm.numThreads = 1;
env.wasm.wasmPaths = { "ort-wasm-simd.wasm": new URL(limits.wasm, location.href).href };

let session;
let newest; // the photo that was asked about last

async function load() {
  const digest = btoa(String.fromCharCode(...limits.sha256.match(/../g).map((byte) => parseInt(byte, 16))));
  const answer = await fetch(limits.weights, { integrity: `sha256-${digest}` });
  if (!answer.ok) throw new Error(`${answer.status}`);
  // What a run took is given back when it is done.
  return InferenceSession.create(new Uint8Array(await answer.arrayBuffer()), { executionProviders: ["wasm"], enableCpuMemArena: false, enableMemPattern: false });
}

// Whatever a first run makes ready is ready then.
async function warm(network) {
  const side = 2 * limits.stride;
  await ask(network, { data: new Uint8ClampedArray(3 * side * side), width: side, height: side }, limits.augmentations[0]);
}

self.addEventListener("message", async ({ data: { id, blob, shades } }) => {
  try {
    session ??= load();
    if (!blob) {
      await warm(await session);
      return;
    }
    newest = id;
    const seen = await look(await session, blob, shades, (first) => self.postMessage({ id, first }), async () => {
      await new Promise((go) => setTimeout(go)); // what was asked meanwhile is heard now
      return newest !== id;
    });
    self.postMessage({ id, seen });
  } catch (error) {
    session = undefined;
    if (blob) self.postMessage({ id, problem: String(error) });
  }
});

// What is seen in a photo. `tell` is given what one look says, where it leaves something open; the others, and a closer
// look at what is small, follow, unless they are `given up`. A unit by itself that is looked at more closely is not
// looked at a second time from afar.
async function look(network, blob, shades, tell, givenUp) {
  const started = performance.now();
  const took = { picture: 0, network: 0, plugs: 0, first: 0, whole: 0 };
  const timed = async (part, act) => {
    const from = performance.now();
    const given = await act();
    took[part] += performance.now() - from;
    return given;
  };
  const { picture, working, width, height } = await timed("picture", () => open(blob));
  const end = (seen) => {
    working.canvas.width = 0; // its memory is given back at once
    return seen;
  };
  const whole = { corner: [0, 0], scale: [width / picture.width, height / picture.height] };
  const colourless = isColourless(picture);
  let light;
  const named = (plug, one) => onPhoto(plug, one, working, width, light, shades);
  const see = ({ maps, found, sightings }) => {
    light = colourless ? undefined : lightOf(picture, maps);
    return {
      width,
      height,
      light,
      units: ofMinArea(sightings).map((one) => ({
        outline: one.outline,
        confidence: one.unit.confidence,
        plugs: plugsOn(one.maps, one.unit).map((plug) => named(plug, one)),
      })),
      loose: loosePlugs(maps, found).map((plug) => named(plug, whole)),
      took,
    };
  };

  const windowsOf = ({ sightings }) => sightings.map(({ outline }) => windowRound(outline, Math.max(width, height)));
  const answers = [await timed("network", () => ask(network, picture, limits.augmentations[0]))];
  let scene = await timed("plugs", () => find(answers, picture, whole));
  const first = await timed("plugs", () => see(scene));
  took.first = performance.now() - started;
  let windows = windowsOf(scene);
  if (!windows.some(Boolean) && isSettled(scene.maps, (plug) => named(plug, whole))) {
    took.whole = took.first;
    return end(first);
  }
  tell(first);
  if (limits.settled.every || windows.length !== 1 || !windows[0]) {
    for (const way of limits.augmentations.slice(1)) {
      if (await givenUp()) return end(first);
      answers.push(await timed("network", () => ask(network, picture, way)));
    }
    scene = await timed("plugs", () => find(answers, picture, whole));
    windows = windowsOf(scene);
  }
  const pictures = windows.some(Boolean) ? await timed("picture", () => cut(working, width, windows)) : [];
  for (const [k, square] of pictures.entries()) {
    if (!square) continue;
    const closer = [];
    const step = windows[k].side / limits.close_px;
    const placed = { corner: windows[k].corner, scale: [step, step] };
    let sightings;
    for (const way of limits.augmentations) {
      if (await givenUp()) return end(first);
      closer.push(await timed("network", () => ask(network, square, way)));
      const near = await timed("plugs", () => find(closer, square, placed));
      sightings = near.sightings;
      if (closer.length < limits.augmentations.length && isSettled(near.maps, (plug) => named(plug, placed))) break;
    }
    const shared = sightings.map(({ outline }) => overlap(outline, scene.sightings[k].outline));
    const best = shared.indexOf(Math.max(...shared));
    if (shared[best] >= limits.overlap) scene.sightings[k] = sightings[best];
  }
  if (pictures.length) scene.sightings = suppressOverlapping(scene.sightings);
  const seen = await timed("plugs", () => see(scene));
  took.whole = performance.now() - started;
  return end(seen);
}

// The maps of a picture, the units in them, and each as a sighting: where it is in the photo.
function find(answers, picture, { corner, scale }) {
  const maps = nameMaps(answers, picture.width, picture.height);
  const found = findUnits(maps);
  const sightings = found.map((unit) => ({ maps, unit, corner, scale, outline: unit.outline.map((point) => moved(point, corner, scale)) }));
  return { maps, found, sightings };
}

async function open(blob) {
  const bitmap = await createImageBitmap(blob, { imageOrientation: "from-image" });
  const { width, height } = bitmap;
  const picture = scaled(bitmap);
  const shrink = Math.min(1, limits.working_px / Math.max(width, height));
  const working = copyOf(bitmap, ...[width, height].map((side) => Math.max(1, Math.round(side * shrink))));
  bitmap.close();
  return { picture, working, width, height };
}

// The light of a photo, by what is neutral in it, with half as many pixels as the network sees.
function lightOf({ data, width, height }, maps) {
  const small = reduce(data, 3, width, height, maps.unit.width, maps.unit.height).data;
  const { paper, metal } = neutralThings({ ...maps, ...maps.neutral() });
  return measureLight(small, paper, metal);
}

const moved = ([x, y], corner, scale) => [corner[0] + x * scale[0], corner[1] + y * scale[1]];

// A plug with its place in the photo and its colour: none where the photo has no colours and so no light.
function onPhoto({ corners, centre, confidence, colour, size }, { corner, scale }, working, width, light, shades) {
  const [outline, middle] = [corners.map((point) => moved(point, corner, scale)), moved(centre, corner, scale)];
  if (!light) return { corners: outline, centre: middle, confidence, colour: null, size };
  const { canvas } = working;
  const inWorking = outline.map((point) => point.map((value) => (value * canvas.width) / width));
  const rim = rimOf(inWorking, canvas.width, canvas.height, (...place) => working.getImageData(...place).data);
  return { corners: outline, centre: middle, confidence, colour: nameColour(colour, measureRim(rim, light.gains), light, shades), size };
}

function ofMinArea(sightings) {
  const largest = Math.max(0, ...sightings.map(({ outline }) => areaOf(outline)));
  return sightings.filter(({ outline }) => areaOf(outline) >= limits.units.min_area_ratio * largest);
}

// Two looks that settled on the same unit count once.
function suppressOverlapping(sightings) {
  const kept = [];
  for (const one of sightings.slice().sort((a, b) => b.unit.confidence - a.unit.confidence)) {
    if (kept.every((other) => overlap(one.outline, other.outline) < SAME)) kept.push(one);
  }
  return kept;
}

// What the network says of a picture, rows and columns exchanged or not, then in the mirror or not.
async function ask(network, picture, [exchanged, mirrored]) {
  const [width, height] = [picture.width, picture.height].map((side) => Math.ceil(side / limits.stride) * limits.stride);
  const [wide, high] = exchanged ? [height, width] : [width, height];
  const fed = new Tensor("float32", padded(picture, width, height, exchanged, mirrored), [1, 3, high, wide]);
  const said = await network.run({ [limits.input]: fed });
  const [fine, coarse] = limits.outputs.map((name) => ({ data: said[name].data, height: said[name].dims[2], width: said[name].dims[3] }));
  return { fine, coarse, exchanged, mirrored };
}

// The square in which to look at a unit again, in pixels of the photo; none where it would look hardly larger there, or
// is too small to be told more of.
function windowRound(outline, photoPx) {
  const [low, high] = [Math.min, Math.max].map((end) => [0, 1].map((axis) => end(...outline.map((point) => point[axis]))));
  const side = Math.max(high[0] - low[0], high[1] - low[1]) * limits.window;
  if (limits.close_px / side <= (limits.worth * limits.whole_px) / photoPx || side < limits.min_window) return undefined;
  return { side, corner: [0, 1].map((axis) => (low[axis] + high[axis]) / 2 - side / 2) };
}

// Pictures of such squares, each with the pixels of the photo at the size at which the server looks: averaged first
// where it is reduced a lot, and in proportion between pixels after that.
function cut(pen, width, windows) {
  const [w, h] = [pen.canvas.width, pen.canvas.height];
  const toPhoto = width / w;
  return windows.map((window) => {
    if (!window) return undefined;
    const scale = (toPhoto * limits.close_px) / window.side;
    const step = scale >= 0.6 ? 1 : scale > 0.3 ? 2 : 4;
    // With a margin, and beginning where a mean of `step` pixels does.
    const [low, high] = [0, window.side].map((add) => window.corner.map((value) => (value + add) / toPhoto));
    const [x0, y0] = low.map((value) => Math.max(0, Math.floor(value / step - 2) * step));
    const small = [Math.min(w, high[0] + 3 * step) - x0, Math.min(h, high[1] + 3 * step) - y0].map((side) => Math.max(1, Math.floor(side / step)));
    const region = pen.getImageData(x0, y0, small[0] * step, small[1] * step);
    const { data } = reduce(region.data, 4, region.width, region.height, ...small, step === 2 ? halfUp : undefined);
    // In 1024ths of a pixel first and then in 32nds, all in the order in which OpenCV computes it.
    const enlarged = scale * step;
    const back = enlarged * (1 / (enlarged * enlarged));
    const first = window.corner.map((at) => -back * ((-at / toPhoto) * scale + 0.5 * (scale - 1) - 0.5 * (scale - enlarged)));
    const places = [(k) => halfEven(1024 * first[0]) + halfEven(1024 * (back * k)), (k) => halfEven(1024 * (back * k + first[1]))];
    return sampled(data, small, (k, axis) => ((places[axis](k) + 16) >> 5) / 32 - [x0, y0][axis] / step);
  });
}

// A square of close_px; `place` says where its k-th column or row lies among those of the picture.
function sampled(data, [width, height], place) {
  const side = limits.close_px;
  const [columns, rows] = [0, 1].map((axis) =>
    Array.from({ length: side }, (_, k) => {
      const at = place(k, axis);
      const most = [width, height][axis] - 1;
      const low = Math.floor(at);
      const clip = (value) => Math.min(most, Math.max(0, value));
      return [clip(low), clip(low + 1), at - low];
    }),
  );
  const out = new Uint8ClampedArray(3 * side * side);
  rows.forEach(([top, bottom, down], y) => {
    columns.forEach(([left, right, across], x) => {
      for (let c = 0; c < 3; c += 1) {
        const value = (row, column) => data[3 * (row * width + column) + c];
        const above = value(top, left) + across * (value(top, right) - value(top, left));
        const below = value(bottom, left) + across * (value(bottom, right) - value(bottom, left));
        out[3 * (y * side + x) + c] = halfUp(above + down * (below - above));
      }
    });
  });
  return { data: out, width: side, height: side };
}

function copyOf(bitmap, w, h) {
  const pen = new OffscreenCanvas(w, h).getContext("2d", { willReadFrequently: true });
  pen.imageSmoothingQuality = "high";
  pen.drawImage(bitmap, 0, 0, w, h);
  return pen;
}

// The photo as the network sees it: each pixel the mean of what it covers; a small photo is enlarged.
function scaled(bitmap) {
  const long = Math.max(bitmap.width, bitmap.height);
  const side = (length, px) => Math.max(1, Math.round((length * px) / long));
  const copied = long <= limits.whole_px ? limits.whole_px : Math.min(long, limits.copy_px);
  const [w, h] = [side(bitmap.width, copied), side(bitmap.height, copied)];
  const { data } = copyOf(bitmap, w, h).getImageData(0, 0, w, h);
  return reduce(data, 4, w, h, side(bitmap.width, limits.whole_px), side(bitmap.height, limits.whole_px));
}

const halfEven = (value) => (value - Math.floor(value) === 0.5 ? 2 * Math.round(value / 2) : Math.round(value));
const halfUp = (value) => Math.floor(value + 0.5); // OpenCV's means of four pixels, and what lies between them

function reduce(data, step, width, height, newWidth, newHeight, rounded = (value) => value) {
  const [across, down] = [shares(width, newWidth), shares(height, newHeight)];
  const rows = new Float32Array(3 * height * newWidth);
  across.forEach((parts, x) => {
    for (const [from, share] of parts) {
      for (let y = 0, at = step * from, to = 3 * x; y < height; y += 1, at += step * width, to += 3 * newWidth) {
        rows[to] += share * data[at];
        rows[to + 1] += share * data[at + 1];
        rows[to + 2] += share * data[at + 2];
      }
    }
  });
  const out = new Uint8ClampedArray(3 * newHeight * newWidth);
  const line = new Float64Array(3 * newWidth);
  down.forEach((parts, y) => {
    line.fill(0);
    for (const [from, share] of parts) {
      for (let k = 0, at = from * line.length; k < line.length; k += 1, at += 1) line[k] += share * rows[at];
    }
    for (let k = 0; k < line.length; k += 1) out[y * line.length + k] = rounded(line[k]);
  });
  return { data: out, width: newWidth, height: newHeight };
}

// Channel by channel, the last column and row going on as far as the network's stride asks.
function padded({ data, width, height }, wide, high, exchanged, mirrored) {
  const out = new Float32Array(3 * wide * high);
  const [down, across] = exchanged ? [1, high] : [wide, 1];
  const row = exchanged ? high : wide; // length of a row of what is fed
  for (let c = 0; c < 3; c += 1) {
    for (let y = 0; y < high; y += 1) {
      const from = Math.min(y, height - 1) * width;
      for (let x = 0; x < wide; x += 1) {
        const k = y * down + x * across;
        const to = mirrored ? k - (k % row) + (row - 1 - (k % row)) : k;
        out[c * wide * high + to] = data[3 * (from + Math.min(x, width - 1)) + c];
      }
    }
  }
  return out;
}

// Whether colours say nothing: a grey copy, or one single tint; see colour_fault in vision/quality.py.
function isColourless(picture) {
  const { coarse_px, bending, least_cells, strong_tint, tinted, limit } = limits.colourless;
  const scale = Math.min(1, coarse_px / Math.max(picture.width, picture.height));
  const [w, h] = [picture.width, picture.height].map((side) => Math.max(1, Math.round(side * scale)));
  const small = reduce(picture.data, 3, picture.width, picture.height, w, h).data;
  const ceiling = new Uint8ClampedArray(picture.data.length);
  for (let k = 0; k < ceiling.length; k += 3) if (Math.max(picture.data[k], picture.data[k + 1], picture.data[k + 2]) >= bending) ceiling[k] = 255;
  const burnt = reduce(ceiling, 3, picture.width, picture.height, w, h).data;
  const open = [];
  for (let k = 0; k < small.length; k += 3) {
    if (burnt[k] >= 0.02 * 255) continue;
    const luma = Math.round(0.299 * small[k] + 0.587 * small[k + 1] + 0.114 * small[k + 2]);
    open.push([luma / 255, Math.round(0.713 * (small[k] - luma)), Math.round(0.564 * (small[k + 2] - luma))]);
  }
  if (open.length < least_cells) return false;
  let [tint, spread, weight] = [[0, 0], [], open.map(() => 1)];
  for (let round = 0; round < 5; round += 1) {
    const sum = (act) => open.reduce((total, one, k) => total + weight[k] * one[0] * act(one), 0);
    const light = Math.max(sum(([luma]) => luma), 1e-6);
    tint = [sum(([, red]) => red) / light, sum(([, , blue]) => blue) / light];
    spread = open.map(([luma, red, blue]) => Math.hypot(red - luma * tint[0], blue - luma * tint[1]));
    const middle = Float64Array.from(spread).sort()[spread.length >> 1];
    weight = spread.map((value) => 1 / (1 + value / (middle + 0.3)) ** 2);
  }
  const most = Float64Array.from(spread).sort()[Math.floor(0.98 * (spread.length - 1))];
  return most < (Math.hypot(...tint) >= strong_tint ? tinted : limit);
}
