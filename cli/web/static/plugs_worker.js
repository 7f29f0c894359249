// Looks for plugs in a photo, beside the page: it may run WebAssembly, and can show nothing. In a worker of its own,
// on one thread, for more would need what a page over plain http never has.

import limits from "./plug_limits.js";
import { findPlugs } from "./plug_maps.js";
import { shares } from "./quality.js";
import { InferenceSession, Tensor, env } from "./vendor/onnxruntime/ort.wasm-core.min.js";

const COPY_PX = 1008; // long side of the copy that the network's picture is made from, as vision/observe.py has it

env.wasm.numThreads = 1;
env.wasm.wasmPaths = { "ort-wasm-simd.wasm": new URL(limits.wasm, location.href).href };

let session;

async function load() {
  const digest = btoa(String.fromCharCode(...limits.sha256.match(/../g).map((byte) => parseInt(byte, 16))));
  const answer = await fetch(limits.weights, { integrity: `sha256-${digest}` });
  if (!answer.ok) throw new Error(`${answer.status}`);
  // What a run took is given back when it is done.
  return InferenceSession.create(new Uint8Array(await answer.arrayBuffer()), { executionProviders: ["wasm"], enableCpuMemArena: false, enableMemPattern: false });
}

self.addEventListener("message", async ({ data: { id, blob } }) => {
  try {
    session ??= load();
    self.postMessage({ id, seen: await look(await session, blob) });
  } catch (error) {
    session = undefined;
    self.postMessage({ id, problem: String(error) });
  }
});

async function look(network, blob) {
  const started = performance.now();
  const bitmap = await createImageBitmap(blob, { imageOrientation: "from-image" });
  const photo = [bitmap.width, bitmap.height];
  const picture = scaled(bitmap);
  bitmap.close();
  const { width, height } = picture;
  const [wide, high] = [width, height].map((side) => Math.ceil(side / limits.stride) * limits.stride);
  const fed = { [limits.input]: new Tensor("float32", padded(picture, wide, high), [1, 3, high, wide]) };
  const ready = performance.now();
  const said = await network.run(fed);
  const ran = performance.now();
  const [fine, coarse] = limits.outputs.map((name) => ({ data: said[name].data, height: said[name].dims[2], width: said[name].dims[3] }));
  const { units, loose } = findPlugs(fine, coarse, width, height);
  const [x, y] = [photo[0] / width, photo[1] / height];
  const onPhoto = (corners) => corners.map(([a, b]) => [a * x, b * y]);
  const colourless = isColourless(picture);
  const plug = ({ corners, centre, confidence, colour, size }) => ({ corners: onPhoto(corners), centre: [centre[0] * x, centre[1] * y], confidence, colour: colourless ? null : colour, size });
  const took = { picture: ready - started, network: ran - ready, plugs: performance.now() - ran };
  return {
    width: photo[0],
    height: photo[1],
    units: units.map((unit) => ({ outline: onPhoto(unit.outline), confidence: unit.confidence, plugs: unit.plugs.map(plug) })),
    loose: loose.map(plug),
    took,
  };
}

// The photo as the network sees it: each pixel the mean of what it covers; a small photo is enlarged.
function scaled(bitmap) {
  const long = Math.max(bitmap.width, bitmap.height);
  const side = (length, px) => Math.max(1, Math.round((length * px) / long));
  const copied = long <= limits.whole_px ? limits.whole_px : Math.min(long, COPY_PX);
  const [w, h] = [side(bitmap.width, copied), side(bitmap.height, copied)];
  const pen = new OffscreenCanvas(w, h).getContext("2d", { willReadFrequently: true });
  pen.imageSmoothingQuality = "high";
  pen.drawImage(bitmap, 0, 0, w, h);
  const { data } = pen.getImageData(0, 0, w, h);
  return reduce(data, 4, w, h, side(bitmap.width, limits.whole_px), side(bitmap.height, limits.whole_px));
}

function reduce(data, step, width, height, newWidth, newHeight) {
  const [across, down] = [shares(width, newWidth), shares(height, newHeight)];
  const rows = new Float32Array(3 * height * newWidth);
  for (let y = 0; y < height; y += 1) {
    for (let x = 0; x < newWidth; x += 1) {
      const to = 3 * (y * newWidth + x);
      for (const [from, share] of across[x]) {
        const at = step * (y * width + from);
        for (let c = 0; c < 3; c += 1) rows[to + c] += share * data[at + c];
      }
    }
  }
  const out = new Uint8ClampedArray(3 * newHeight * newWidth);
  for (let y = 0; y < newHeight; y += 1) {
    for (let k = 0; k < 3 * newWidth; k += 1) {
      let value = 0;
      for (const [from, share] of down[y]) value += share * rows[3 * from * newWidth + k];
      out[3 * y * newWidth + k] = value;
    }
  }
  return { data: out, width: newWidth, height: newHeight };
}

// Channel by channel, the last column and row going on as far as the network's stride asks.
function padded({ data, width, height }, wide, high) {
  const out = new Float32Array(3 * wide * high);
  for (let c = 0; c < 3; c += 1) {
    for (let y = 0; y < high; y += 1) {
      const row = Math.min(y, height - 1) * width;
      for (let x = 0; x < wide; x += 1) out[(c * high + y) * wide + x] = data[3 * (row + Math.min(x, width - 1)) + c];
    }
  }
  return out;
}

// Whether colours say nothing: a grey copy, or one single tint; see colour_fault in vision/quality.py.
function isColourless(picture) {
  const { coarse_px, bending, strong_tint, tinted, limit } = limits.colourless;
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
  if (open.length < 0.15 * w * h) return false;
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
