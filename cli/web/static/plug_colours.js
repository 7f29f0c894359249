// The colour of a plug as vision/colour/ and vision/detection/connectors.py read it: the network's opinion, and the rim
// of the housing in the light that labels and bare metal tell of.

import limits from "./plug_limits.js";

const { light: LIGHT, naming: NAMING, rim: RIM } = limits;
const MAX_PIXELS = 4096; // pixels of a rim that are looked at: of more, as many spread evenly

const LINEAR = Float32Array.from({ length: 256 }, (_, code) => (code / 255 <= 0.04045 ? code / 255 / 12.92 : ((code / 255 + 0.055) / 1.055) ** 2.4));
const sum = (values) => values.reduce((a, b) => a + b, 0);

// As numpy has it: between two values in proportion.
export function quantile(sorted, share) {
  const rank = share * (sorted.length - 1);
  const low = Math.floor(rank);
  return sorted[low] + (rank - low) * ((sorted[low + 1] ?? sorted[low]) - sorted[low]);
}

const median = (values) => quantile(Float64Array.from(values).sort(), 0.5);

// Gains that make the most trustworthy neutral thing of a picture neutral; { method, confidence, gains }. `paper` and
// `metal` say of each pixel (three bytes each) whether it shows label paper or bare metal.
export function measureLight(data, paper, metal) {
  const kinds = [["label paper", paper, 0.9], ["neutral metal", metal, 0.7]];
  const open = new Uint8Array(data.length / 3);
  for (let k = 0; k < open.length; k += 1) {
    const at = 3 * k;
    const [most, least] = [Math.max(data[at], data[at + 1], data[at + 2]), Math.min(data[at], data[at + 1], data[at + 2])];
    open[k] = LINEAR[most] < LIGHT.clipped && LINEAR[least] > 0.004;
  }
  const pixel = (k) => [0, 1, 2].map((c) => LINEAR[data[3 * k + c]]);
  for (const [method, mask, trust] of kinds) {
    let chosen = [];
    for (let k = 0; k < open.length; k += 1) if (mask[k] && open[k]) chosen.push(pixel(k));
    if (method === "label paper" && chosen.length) {
      const least = median(chosen.map((rgb) => sum(rgb) / 3)); // paper is the bright part of a label
      chosen = chosen.filter((rgb) => sum(rgb) / 3 >= least);
    }
    if (chosen.length < LIGHT.pixels) continue;
    const parts = chosen.map((rgb) => rgb.map((value) => value / sum(rgb)));
    const white = [0, 1, 2].map((c) => median(parts.map((part) => part[c])));
    const strays = median(parts.map((part) => Math.max(...part.map((value, c) => Math.abs(value - white[c]) / Math.max(...white)))));
    if (strays < 0.35 && isPlausible(white)) return { method, confidence: trust * Math.exp(-3 * strays), gains: gainsFor(white) };
  }
  const means = [0, 0, 0];
  let count = 0;
  const bent = Float64Array.from(LINEAR, (value) => value ** LIGHT.norm);
  for (let k = 0; k < open.length; k += 1) {
    if (!open[k]) continue;
    count += 1;
    for (let c = 0; c < 3; c += 1) means[c] += bent[data[3 * k + c]];
  }
  if (count < LIGHT.pixels) return { method: "none", confidence: 0, gains: [1, 1, 1] };
  const white = means.map((mean) => (mean / count) ** (1 / LIGHT.norm));
  return { method: "statistics", confidence: 0.3, gains: gainsFor(white.map((value) => Math.sqrt((3 * value) / sum(white)))) };
}

// Lights run from lamp orange to shade blue, not to green or pink.
function isPlausible(white) {
  const [red, green, blue] = white.map((value) => value / sum(white));
  return red > 0.18 && red < 0.66 && green > 0.26 && green < 0.44 && blue > 0.06 && blue < 0.5;
}

function gainsFor(white) {
  const gains = white.map((value) => 1 / Math.max(value, 1e-6));
  const middle = Math.exp(sum(gains.map(Math.log)) / 3);
  return gains.map((gain) => Math.min(LIGHT.most, Math.max(1 / LIGHT.most, gain / middle)));
}

// Where a picture's labels and bare metal are, of its fine map's size: see `_balance` in vision/observe.py.
export function neutralThings({ label, unit, connectorCells, bodyColour }) {
  const { width, height } = unit;
  const grey = limits.codes.indexOf("GY");
  const cells = new Float32Array(connectorCells.data.length);
  for (let k = 0; k < cells.length; k += 1) {
    if (!(connectorCells.data[k] < 0.2)) continue;
    let most = -Infinity;
    for (const plane of bodyColour) if (plane[k] > most) most = plane[k];
    let all = 0;
    for (const plane of bodyColour) all += Math.exp(plane[k] - most);
    cells[k] = Math.exp(bodyColour[grey][k] - most) / all;
  }
  const body = enlarged({ ...connectorCells, data: cells }, width, height);
  return { paper: Uint8Array.from(label.data, (value) => value > 0.6), metal: Uint8Array.from(unit.data, (value, k) => value > 0.7 && body[k] > 0.6) };
}

// In proportion between the middles of the cells, which go on beyond the edge.
function enlarged({ data, width, height }, wide, high) {
  const places = (length, longer) =>
    Array.from({ length: longer }, (_, k) => {
      const at = Math.min(length - 1, Math.max(0, ((k + 0.5) * length) / longer - 0.5));
      return [Math.floor(at), Math.min(length - 1, Math.floor(at) + 1), at - Math.floor(at)];
    });
  const [across, down] = [places(width, wide), places(height, high)];
  const out = new Float64Array(wide * high);
  let k = 0;
  for (const [top, bottom, low] of down) {
    for (const [left, right, far] of across) {
      const above = data[top * width + left] + far * (data[top * width + right] - data[top * width + left]);
      const below = data[bottom * width + left] + far * (data[bottom * width + right] - data[bottom * width + left]);
      out[k++] = above + low * (below - above);
    }
  }
  return out;
}

// The pixels of a housing's rim as [red, green, blue] codes; `read` gives those of a rectangle, four bytes a pixel, of a
// picture of this width and height. The cavity in its middle is left out.
export function rimOf(corners, width, height, read) {
  const [low, high] = [Math.min, Math.max].map((end) => [0, 1].map((axis) => end(...corners.map((corner) => corner[axis]))));
  const [x0, y0] = low.map((value) => Math.max(0, Math.floor(value)));
  const [x1, y1] = [Math.min(width, Math.ceil(high[0]) + 1), Math.min(height, Math.ceil(high[1]) + 1)];
  const [w, h] = [x1 - x0, y1 - y0];
  if (w < 3 || h < 3) return [];
  const middle = [0, 1].map((axis) => sum(corners.map((corner) => corner[axis])) / corners.length);
  const mask = new Uint8Array(w * h);
  for (const [share, value] of [[RIM.outer, 1], [RIM.inner, 0]]) {
    fill(mask, w, h, corners.map((corner) => corner.map((at, axis) => Math.round((at - middle[axis]) * share + middle[axis] - [x0, y0][axis]))), value);
  }
  const places = [];
  mask.forEach((inside, k) => inside && places.push(k));
  if (!places.length) return [];
  const data = read(x0, y0, w, h);
  const step = Math.max(1, places.length / MAX_PIXELS);
  return Array.from({ length: Math.floor(places.length / step) }, (_, n) => {
    const at = 4 * places[Math.floor(n * step)];
    return [data[at], data[at + 1], data[at + 2]];
  });
}

// A convex outline with whole corners, its own edges included.
function fill(mask, width, height, corners, value) {
  const [first, last] = [new Map(), new Map()];
  corners.forEach(([ax, ay], k) => {
    const [bx, by] = corners[(k + 1) % corners.length];
    const steps = Math.max(1, Math.abs(bx - ax), Math.abs(by - ay));
    for (let n = 0; n <= steps; n += 1) {
      const [x, y] = [Math.round(ax + ((bx - ax) * n) / steps), Math.round(ay + ((by - ay) * n) / steps)];
      first.set(y, Math.min(x, first.get(y) ?? x));
      last.set(y, Math.max(x, last.get(y) ?? x));
    }
  });
  for (const [y, from] of first) {
    if (y >= 0 && y < height) mask.fill(value, y * width + Math.max(0, from), y * width + Math.max(0, Math.min(width, last.get(y) + 1)));
  }
}

// CIE L*a*b* (D65) of sRGB codes in this light.
function toLab(rgb, gains) {
  const linear = rgb.map((code, c) => Math.min(1, LINEAR[code] * gains[c]));
  const [x, y, z] = NAMING.to_xyz.map((row) => {
    const value = row[0] * linear[0] + row[1] * linear[1] + row[2] * linear[2];
    return value > (6 / 29) ** 3 ? Math.cbrt(value) : (value * (29 / 6) ** 2) / 3 + 4 / 29;
  });
  return [116 * y - 16, 500 * (x - y), 200 * (y - z)];
}

// Middle and spread of a rim's Lab, glare and deep shade left out; nothing where too little is seen.
export function measureRim(pixels, gains) {
  if (pixels.length < 12) return undefined;
  const lab = pixels.map((rgb) => toLab(rgb, gains));
  const lightness = Float64Array.from(lab, ([l]) => l).sort();
  const [dark, glare] = [quantile(lightness, 0.35), quantile(lightness, 0.9)];
  const kept = lab.filter(([l]) => l >= dark && l <= glare);
  const middle = [0, 1, 2].map((c) => median(kept.map((one) => one[c])));
  return { middle, spread: [0, 1, 2].map((c) => 1.4826 * median(kept.map((one) => Math.abs(one[c] - middle[c])))) };
}

// The network's opinion and the rim's as one (a logarithmic opinion pool), in the order of the codes: 0 for a code that
// neither the network was taught nor a shade names. `shades` are those that the catalogue names, as [code, [L, a, b]].
export function nameColour(network, measured, light, shades = []) {
  const told = limits.codes.filter((code, k) => k < network.length || (measured && shades.some(([named]) => named === code)));
  const pooled = poolOpinions(network, measured, light, shades, told);
  return limits.codes.map((code) => pooled[told.indexOf(code)] ?? 0);
}

function poolOpinions(network, measured, light, shades, codes) {
  const doubt = 1 - light.confidence;
  const density = (centre, sigmas) => {
    const variance = sigmas.map((sigma, c) => sigma ** 2 + measured.spread[c] ** 2 / 4 + (8 * doubt) ** 2);
    const off = sum(variance.map((value, c) => (measured.middle[c] - centre[c]) ** 2 / value));
    return Math.exp(-off / 2) / Math.sqrt(variance.reduce((a, b) => a * b));
  };
  const wide = ([l, ab]) => [l, ab, ab];
  let [named, classical] = [0, undefined];
  if (measured) {
    const usual = NAMING.prototypes.slice(0, network.length).map(([centre, ...sigmas]) => density(centre, wide(sigmas)));
    const own = shades.map(([, centre]) => density(centre, wide(NAMING.shade_sigmas)));
    named = sum(own) / Math.max(sum(own) + sum(usual), 1e-30);
    const scores = codes.map((code, k) => (usual[k] ?? 0) + sum(own.filter((_, n) => shades[n][0] === code)));
    const total = Math.max(sum(scores), 1e-30);
    const shared = scores.map((score) => ((1 - NAMING.outlier) * score) / total + NAMING.outlier / scores.length);
    classical = shared.map((score) => score / sum(shared));
  }
  const [ours, theirs] = [NAMING.classical_weight, NAMING.network_weight];
  const [measuredWeight, networkWeight] = [ours + named * (theirs - ours), theirs + named * (ours - theirs)];
  const say = codes.map((_, k) => networkWeight * Math.log(Math.max(network[k] ?? 0, 1e-6)) + (classical ? measuredWeight * Math.log(Math.max(classical[k], 1e-6)) : 0));
  const highest = Math.max(...say);
  const chances = say.map((value) => Math.exp((value - highest) / NAMING.temperature));
  if (named < 0.5) {
    const [white, grey] = ["WH", "GY"].map((code) => codes.indexOf(code));
    const both = chances[white] + chances[grey];
    const odds = (NAMING.white_grey_weight * (say[white] - say[grey] + NAMING.white_shift)) / NAMING.temperature;
    const most = light.method === "label paper" ? 1 : NAMING.unanchored; // nothing else tells how light white is
    const share = Math.min(most, Math.max(1 - most, 1 / (1 + Math.exp(-odds))));
    [chances[white], chances[grey]] = [share * both, (1 - share) * both];
  }
  return chances.map((chance) => chance / sum(chances));
}
