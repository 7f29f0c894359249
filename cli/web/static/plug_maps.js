// Units and plugs in what the segmenter says of one picture, as vision/detection/ finds them, in one look.
//
// It differs from there in four things: the network looks once and not in four ways, small units are not looked at
// again, a colour is the network's alone (without the white-balanced rim, a tenth of the say there), and outlines
// are hulls and rectangles. A script holds both against each other: cli/evaluation/measure_phone_plugs.py.

import limits from "./plug_limits.js";
import { blur, shares } from "./quality.js";

const { cell: CELL, votes: VOTES } = limits;
const TINY = 0.25; // added to each covariance, pixels squared

// `fine` and `coarse` are the network's two outputs as { data, width, height }; width and height are those of the
// network's picture before it was padded. Everything that comes back is in its pixels.
export function findPlugs(fine, coarse, width, height) {
  const maps = nameMaps(fine, coarse, width, height);
  const units = findUnits(maps);
  const found = findInstances(maps.connector, maps.connectorCells, maps.connectorShape, limits.plugs.parting, 3);
  const on = units.map(() => []);
  const loose = [];
  for (const instance of found) {
    const confidence = instance.probability * Math.min(1, instance.seen / 0.4);
    const shared = units.map((unit) => instance.places.filter((k) => unit.inside[k]).length / instance.places.length);
    units.forEach((_, k) => {
      const here = confidence * Math.min(1, shared[k] / 0.7);
      if (shared[k] >= limits.plugs.on_unit && here >= limits.plugs.confidence) on[k].push(describePlug(maps, instance, here));
    });
    if (Math.max(0, ...shared) < limits.plugs.on_unit && confidence >= limits.plugs.loose) loose.push(describePlug(maps, instance, confidence));
  }
  return {
    units: units.map(({ outline, confidence }, k) => ({ outline, confidence, plugs: inOrder(withoutCrumbs(on[k])) })),
    loose: inOrder(withoutCrumbs(loose)),
  };
}

function nameMaps(fine, coarse, width, height) {
  const [w2, h2, w4, h4] = [2, 2, 4, 4].map((step, k) => Math.ceil((k % 2 ? height : width) / step));
  const plane = ({ data, width: wide, height: high }, channel, w, h) => {
    const out = new Float32Array(w * h);
    for (let y = 0; y < h; y += 1) {
      const from = (channel * high + y) * wide;
      out.set(data.subarray(from, from + w), y * w);
    }
    return { data: out, width: w, height: h };
  };
  const mask = (name) => {
    const map = plane(fine, limits.fine.indexOf(name), w2, h2);
    for (let k = 0; k < map.data.length; k += 1) map.data[k] = 1 / (1 + Math.exp(-Math.min(30, Math.max(-30, map.data[k]))));
    return map;
  };
  const part = (name) => {
    const [first, count] = limits.coarse[name];
    return Array.from({ length: count }, (_, k) => plane(coarse, first + k, w4, h4).data);
  };
  const shape = (name) => part(name).map((values) => values.map((value) => value * limits.scales[name]));
  const [unit, connector] = [mask("unit"), mask("connector")];
  return {
    unit,
    connector,
    unitCells: toCells(unit, w4, h4),
    connectorCells: toCells(connector, w4, h4),
    unitShape: shape("unit"),
    connectorShape: shape("connector"),
    colour: part("colour"),
    size: part("size"),
  };
}

// Means over the cells of a map half as fine.
function toCells({ data, width, height }, w, h) {
  const [across, down] = [shares(width, w), shares(height, h)];
  const out = new Float32Array(w * h);
  down.forEach((rows, y) => {
    across.forEach((columns, x) => {
      let value = 0;
      for (const [row, high] of rows) for (const [column, wide] of columns) value += high * wide * data[row * width + column];
      out[y * w + x] = value;
    });
  });
  return { data: out, width: w, height: h };
}

function findUnits(maps) {
  const { width, height } = maps.unitCells;
  const least = Math.max(6, Math.trunc(limits.units.area * width * height));
  const found = findInstances(maps.unit, maps.unitCells, maps.unitShape, limits.units.parting, least).map((instance) => {
    const outline = hull(fineCorners(maps.unit, instance, width));
    const inside = new Uint8Array(width * height);
    for (const k of instance.places) inside[k] = 1;
    return { outline, inside, confidence: instance.probability * Math.min(1, instance.seen / 0.35), area: areaOf(outline) };
  });
  const sure = found.filter(({ confidence }) => confidence >= limits.units.confidence);
  const largest = Math.max(0, ...sure.map(({ area }) => area));
  return sure.filter(({ area }) => area >= limits.units.crumb * largest);
}

function describePlug(maps, instance, confidence) {
  const weight = instance.places.map((k) => maps.connectorCells.data[k]);
  const corners = rectangle(instance);
  return {
    corners,
    centre: instance.centre,
    area: areaOf(corners),
    confidence: Math.min(1, confidence),
    colour: pool(maps.colour, instance.places, weight),
    size: pool(maps.size, instance.places, weight),
  };
}

// One posterior out of many cells': the weighted mean of the logarithms of each, normalised. What makes a cell's own
// sum to 1 is the same for all codes, so it falls out.
function pool(planes, places, weight) {
  const total = weight.reduce((a, b) => a + b, 0);
  const means = planes.map((values) => places.reduce((sum, k, n) => sum + values[k] * weight[n], 0) / total);
  const most = Math.max(...means);
  const chances = means.map((mean) => Math.exp(mean - most));
  const sum = chances.reduce((a, b) => a + b, 0);
  return chances.map((chance) => chance / sum);
}

function withoutCrumbs(plugs) {
  const largest = Math.max(0, ...plugs.map(({ area }) => area));
  return plugs.filter(({ area }) => area >= limits.plugs.crumb * largest);
}

// Along the row that they stand in, whichever way the phone was held; which end comes first is not known here.
function inOrder(plugs) {
  const spread = (axis) => Math.max(...plugs.map(({ centre }) => centre[axis])) - Math.min(...plugs.map(({ centre }) => centre[axis]));
  const axis = plugs.length && spread(1) > spread(0) ? 1 : 0;
  return plugs.sort((a, b) => a.centre[axis] - b.centre[axis]);
}

// Instances by what their cells vote for where the votes agree, else by what is connected in the finer mask.
function findInstances(fine, cells, shape, parting, least) {
  const voted = joinVotes(cells, shape, least);
  const votes = voted.reduce((sum, { places }) => sum + places.length, 0);
  if (voted.length && voted.reduce((sum, one) => sum + one.agreement * one.places.length, 0) / votes >= VOTES.agreed) return voted;
  const instances = [];
  for (const piece of components(fine)) {
    const alone = { ...fine, data: new Float32Array(fine.data.length) };
    for (const k of piece) alone.data[k] = 1;
    const share = toCells(alone, cells.width, cells.height).data;
    const places = [];
    share.forEach((value, k) => value >= 0.5 && places.push(k));
    if (places.length < least) continue;
    const masked = { ...cells, data: cells.data.map((value, k) => (share[k] >= 0.5 ? value : 0)) };
    const parted = joinVotes(masked, shape, least).filter(
      (one) => one.seen >= parting.seen && one.places.length >= parting.held * places.length && one.agreement >= parting.settled,
    );
    if (parted.length > 1) instances.push(...parted);
    else instances.push(wholePiece(fine, piece, places));
  }
  return instances.sort((a, b) => b.places.length - a.places.length);
}

function wholePiece(fine, piece, places) {
  const points = piece.map((k) => [((k % fine.width) + 0.5) * (CELL / 2), (Math.trunc(k / fine.width) + 0.5) * (CELL / 2)]);
  const mean = (act) => points.reduce((sum, point) => sum + act(point), 0) / points.length;
  const centre = [mean(([x]) => x), mean(([, y]) => y)];
  const all = points.length / Math.max(1, points.length - 1); // as of a sample
  const spread = [
    all * mean(([x]) => (x - centre[0]) ** 2) + TINY,
    all * mean(([x, y]) => (x - centre[0]) * (y - centre[1])),
    all * mean(([, y]) => (y - centre[1]) ** 2) + TINY,
  ];
  return { places, centre, spread, seen: 1, probability: piece.reduce((sum, k) => sum + fine.data[k], 0) / piece.length };
}

// Pieces of a mask that hang together by their sides, each as a list of places.
function components({ data, width, height }) {
  const label = new Uint8Array(data.length);
  const pieces = [];
  for (let start = 0; start < data.length; start += 1) {
    if (label[start] || data[start] <= 0.5) continue;
    label[start] = 1;
    const piece = [start];
    for (let at = 0; at < piece.length; at += 1) {
      const k = piece[at];
      const x = k % width;
      for (const next of [x > 0 && k - 1, x < width - 1 && k + 1, k >= width && k - width, k < width * (height - 1) && k + width]) {
        if (next === false || label[next] || data[next] <= 0.5) continue;
        label[next] = 1;
        piece.push(next);
      }
    }
    pieces.push(piece);
  }
  return pieces;
}

// After Neven et al. (CVPR 2019), as vision/detection/instances.py has it.
function joinVotes({ data, width, height }, [dx, dy, xx, xy, yy], least) {
  const places = [];
  data.forEach((value, k) => value > 0.5 && places.push(k));
  if (places.length < least) return [];
  const weight = places.map((k) => data[k]);
  const votes = places.map((k) => [(k % width) * CELL + CELL / 2 + dx[k], Math.trunc(k / width) * CELL + CELL / 2 + dy[k]]);
  const roots = places.map((k) => [xx[k], xy[k], yy[k]]);
  const density = densityOf(votes, weight, width, height);
  const free = new Uint8Array(places.length).fill(1);
  let left = places.length;
  const found = [];
  while (left >= least && found.length < VOTES.most) {
    let seed = 0;
    let best = -1;
    for (let n = 0; n < free.length; n += 1) if (free[n] && density[n] > best) [seed, best] = [n, density[n]];
    let [centre, root, members] = [votes[seed], roots[seed], []];
    for (let round = 0; round < 3; round += 1) {
      const far = distanceFrom(centre, root);
      members = [];
      for (let n = 0; n < free.length; n += 1) if (free[n] && far(votes[n]) < VOTES.near) members.push(n);
      if (members.length < least) break;
      const total = members.reduce((sum, n) => sum + weight[n], 0);
      centre = [0, 1].map((axis) => members.reduce((sum, n) => sum + weight[n] * votes[n][axis], 0) / total);
      root = [0, 1, 2].map((part) => median(members.map((n) => roots[n][part])));
    }
    if (members.length < least) {
      free[seed] = 0;
      left -= 1;
      continue;
    }
    for (const n of members) free[n] = 0;
    left -= members.length;
    const seen = (members.length * CELL ** 2) / areaOfRoot(root);
    if (seen >= VOTES.seen && !found.some((one) => same(centre, root, one.centre, one.root))) found.push({ centre, root });
  }
  const far = found.map(({ centre, root }) => distanceFrom(centre, root));
  const owned = found.map(() => ({ places: [], weight: 0, agreeing: 0 }));
  votes.forEach((vote, n) => {
    let [owner, nearest] = [-1, VOTES.far];
    far.forEach((of, k) => {
      const distance = of(vote);
      if (distance < nearest) [owner, nearest] = [k, distance];
    });
    if (owner < 0) return;
    owned[owner].places.push(places[n]);
    owned[owner].weight += weight[n];
    if (nearest < VOTES.agrees) owned[owner].agreeing += 1;
  });
  return owned.flatMap(({ places: mine, weight: sum, agreeing }, k) => {
    if (mine.length < least) return [];
    const { centre, root } = found[k];
    const seen = Math.min(1, (mine.length * CELL ** 2) / areaOfRoot(root));
    return [{ places: mine, centre, spread: square(root), seen, probability: sum / mine.length, agreement: agreeing / mine.length }];
  });
}

// How many votes fall near each vote.
function densityOf(votes, weight, width, height) {
  const margin = 8;
  const [w, h] = [width + 2 * margin, height + 2 * margin];
  const clip = (value, most) => Math.min(most - 1, Math.max(0, Math.trunc(value / CELL) + margin));
  const at = votes.map(([x, y]) => clip(y, h) * w + clip(x, w));
  const grid = new Float32Array(w * h);
  at.forEach((k, n) => (grid[k] += weight[n]));
  const smooth = blur(grid, w, h, 1);
  return at.map((k) => smooth[k]);
}

const square = ([a, b, c]) => [a * a + b * b + TINY, a * b + b * c, b * b + c * c + TINY];
const determinant = ([xx, xy, yy]) => xx * yy - xy * xy;
const areaOfRoot = (root) => 12 * Math.sqrt(Math.max(determinant(square(root)), 1e-6)); // of the rectangle with it

// Mahalanobis distance, never sharper than a cell and a half.
function distanceFrom([cx, cy], root) {
  const [xx, xy, yy] = square(root);
  const [a, c] = [xx + CELL, yy + CELL];
  const by = determinant([a, xy, c]);
  return ([x, y]) => Math.sqrt((c * (x - cx) ** 2 - 2 * xy * (x - cx) * (y - cy) + a * (y - cy) ** 2) / by);
}

function same(centreA, rootA, centreB, rootB) {
  const near = Math.min(distanceFrom(centreB, rootB)(centreA), distanceFrom(centreA, rootA)(centreB));
  const ratio = areaOfRoot(rootA) / areaOfRoot(rootB);
  return near < 0.8 && ratio > 0.4 && ratio < 2.5;
}

function median(values) {
  const sorted = Float64Array.from(values).sort();
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

// Corners of the rectangle with this centre and covariance: the variance along a side is its half squared / 3.
function rectangle({ centre, spread: [xx, xy, yy] }) {
  const turn = Math.atan2(2 * xy, xx - yy) / 2;
  const [middle, off] = [(xx + yy) / 2, Math.hypot((xx - yy) / 2, xy)];
  const [long, short] = [middle + off, middle - off].map((value) => Math.sqrt(3 * Math.max(value, 1e-6)));
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  return [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([a, b]) => [
    centre[0] + a * long * cos - b * short * sin,
    centre[1] + a * long * sin + b * short * cos,
  ]);
}

// Points of the finer mask on an instance's cells.
function fineCorners({ data, width, height }, { places }, cellsWide) {
  const points = [];
  for (const k of places) {
    const [x, y] = [2 * (k % cellsWide), 2 * Math.trunc(k / cellsWide)];
    for (const [a, b] of [[x, y], [x + 1, y], [x, y + 1], [x + 1, y + 1]]) {
      if (a < width && b < height && data[b * width + a] > 0.5) points.push([(a + 0.5) * (CELL / 2), (b + 0.5) * (CELL / 2)]);
    }
  }
  return points;
}

// Convex hull (Andrew's monotone chain).
function hull(points) {
  const sorted = points.sort(([ax, ay], [bx, by]) => ax - bx || ay - by);
  const turns = ([ax, ay], [bx, by], [cx, cy]) => (bx - ax) * (cy - ay) - (by - ay) * (cx - ax);
  const half = (list) => {
    const kept = [];
    for (const point of list) {
      while (kept.length > 1 && turns(kept.at(-2), kept.at(-1), point) <= 0) kept.pop();
      kept.push(point);
    }
    return kept.slice(0, -1);
  };
  return [...half(sorted), ...half(sorted.slice().reverse())];
}

function areaOf(corners) {
  return Math.abs(corners.reduce((sum, [x, y], k) => {
    const [nextX, nextY] = corners[(k + 1) % corners.length];
    return sum + x * nextY - nextX * y;
  }, 0)) / 2;
}
