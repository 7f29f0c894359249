// Units and plugs in what the segmenter says of one picture, as vision/detection/ finds them.
//
// What a colour is besides the network's opinion is in plug_colours.js. A script holds both against each other:
// cli/evaluation/measure_phone_plugs.py.

import limits from "./plug_limits.js";
import { areaOf, borderOf, hull, leastRectangle, overlap, simplified } from "./plug_outlines.js";
import { blur, shares } from "./quality.js";

const { cell: CELL, votes: VOTES } = limits;
const TINY = 0.25; // added to each covariance, pixels squared
const PIECE = 0.15; // a piece of a unit smaller than this share of its largest is none of it, as vision/detection/units.py has it
const SIMPLIFY = 0.006; // of an outline's length, as there

// What the network says of one picture, by name. `looks` holds its two outputs for each way in which it looked, as
// { fine: { data, width, height }, coarse, exchanged, mirrored }; width and height are those of the picture before it
// was padded. Everything that is found in the maps is in the picture's pixels.
export function nameMaps(looks, width, height) {
  const [w2, h2, w4, h4] = [2, 2, 4, 4].map((step, k) => Math.ceil((k % 2 ? height : width) / step));
  // One channel as of the picture itself, the mean of all looks.
  const plane = (output, channelIn, w, h, changed = () => [1, 0]) => {
    const out = new Float32Array(w * h);
    for (const one of looks) {
      const { data, width: wide, height: high } = one[output];
      const from = channelIn(one) * high * wide;
      const [down, across] = one.exchanged ? [1, wide] : [wide, 1];
      const [first, [low, far]] = one.mirrored ? [from + wide - 1, one.exchanged ? [-1, wide] : [wide, -1]] : [from, [down, across]];
      const [times, more] = changed(one);
      for (let y = 0; y < h; y += 1) {
        for (let x = 0, k = first + y * low; x < w; x += 1, k += far) out[y * w + x] += (times * data[k] + more) / looks.length;
      }
    }
    return out;
  };
  const mask = (name) => {
    const channel = limits.fine.indexOf(name);
    const data = plane("fine", () => channel, w2, h2);
    for (let k = 0; k < data.length; k += 1) data[k] = 1 / (1 + Math.exp(-Math.min(30, Math.max(-30, data[k]))));
    return { data, width: w2, height: h2 };
  };
  const parts = partsOf(looks[0].coarse);
  const part = (name) => {
    const [first, count] = parts[name];
    return Array.from({ length: count }, (_, k) => plane("coarse", () => first + k, w4, h4));
  };
  // Offset to the centre (x, y) and root of the covariance (xx, xy, yy): left is right in the mirror, where a cell
  // tells of a point one pixel off its middle, and across is down where rows and columns were exchanged.
  const shape = (name) => {
    const [[first], scale] = [parts[name], limits.scales[name]];
    const place = ({ exchanged }, k) => (exchanged ? [1, 0, 4, 3, 2][k] : k);
    return [0, 1, 2, 3, 4].map((k) => {
      const changed = (one) => {
        if (!one.mirrored) return [scale, 0];
        if (place(one, k) === 0) return [-scale, -1];
        return [place(one, k) === 3 ? -scale : scale, 0];
      };
      return plane("coarse", (one) => first + place(one, k), w4, h4, changed);
    });
  };
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
    neutral: () => ({ label: mask("label"), bodyColour: part("body_colour") }), // asked of a whole photo alone
  };
}

// Where each part of the network's coarse output begins, and how many channels it has: as many for colours as it was
// taught, which are the first of the codes.
function partsOf({ data, width, height }) {
  const given = limits.coarse.filter(([, count]) => count !== null);
  const fixed = given.reduce((sum, [, count]) => sum + count, 0);
  const taught = (data.length / (width * height) - fixed) / (limits.coarse.length - given.length);
  let first = 0;
  return Object.fromEntries(
    limits.coarse.map(([name, count]) => {
      const part = [first, count ?? taught];
      first += part[1];
      return [name, part];
    }),
  );
}

// Everything in the maps that may be a plug.
const findHousings = (maps) => findInstances(maps.connector, maps.connectorCells, maps.connectorShape, limits.plugs.parting, 3);

const sureness = (instance) => instance.probability * Math.min(1, instance.seen / 0.4);
const shareOn = (unit, instance) => instance.places.filter((k) => unit.inside[k]).length / instance.places.length;

// Plugs on one of the units found in the same maps.
export function plugsOn(maps, unit) {
  maps.housings ??= findHousings(maps);
  const found = [];
  for (const instance of maps.housings) {
    const shared = shareOn(unit, instance);
    const confidence = sureness(instance) * Math.min(1, shared / 0.7);
    if (shared >= limits.plugs.on_unit && confidence >= limits.plugs.confidence) found.push(describePlug(maps, instance, confidence));
  }
  return inOrder(ofMinArea(found));
}

// Whether another look at a picture with one unit by itself would tell nothing new: nothing in it is near a limit.
// `named` gives a plug its colour.
export function isSettled(maps, named) {
  const { every, unit: least, low, high, colour: clear } = limits.settled;
  const [unit, ...others] = maps.outlined.filter(({ confidence }) => confidence > low);
  if (every || !unit || others.length || unit.confidence < least) return false;
  maps.housings ??= findHousings(maps);
  return maps.housings.every((housing) => {
    const shared = shareOn(unit, housing);
    const confidence = sureness(housing) * (shared < limits.plugs.on_unit ? 1 : Math.min(1, shared / 0.7));
    if (confidence <= low) return true;
    if (confidence < high || shared < limits.plugs.on_unit) return false;
    const { colour } = named(describePlug(maps, housing, confidence));
    return !colour || Math.max(...colour) >= clear;
  });
}

// Plugs on none of the units.
export function loosePlugs(maps, units) {
  maps.housings ??= findHousings(maps);
  const on = (instance) => Math.max(0, ...units.map((unit) => shareOn(unit, instance)));
  const loose = maps.housings.filter((one) => on(one) < limits.plugs.on_unit && sureness(one) >= limits.plugs.loose);
  return inOrder(ofMinArea(loose.map((one) => describePlug(maps, one, sureness(one)))));
}

// Means over the cells of a map half as fine.
function toCells({ data, width, height }, w, h) {
  if (width === 2 * w && height === 2 * h) return ofFour(data, w, h);
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

// Where each cell is two by two: as of most pictures.
function ofFour(data, w, h) {
  const out = new Float32Array(w * h);
  for (let y = 0, k = 0; y < h; y += 1) {
    for (let x = 0, at = 4 * y * w; x < w; x += 1, k += 1, at += 2) {
      out[k] = 0.25 * data[at] + 0.25 * data[at + 1] + 0.25 * data[at + 2 * w] + 0.25 * data[at + 2 * w + 1];
    }
  }
  return { data: out, width: w, height: h };
}

// Units in a picture, the best supported first.
export function findUnits(maps) {
  const { width, height } = maps.unitCells;
  const least = Math.max(6, Math.trunc(limits.units.area * width * height));
  const found = findInstances(maps.unit, maps.unitCells, maps.unitShape, limits.units.parting, least).map((instance) => {
    const inside = new Uint8Array(width * height);
    for (const k of instance.places) inside[k] = 1;
    const confidence = instance.probability * Math.min(1, instance.seen / 0.35);
    return { outline: outlineOf(maps.unit, instance, maps.unitCells), inside, confidence };
  });
  maps.outlined = found;
  return found.filter(({ confidence }) => confidence >= limits.units.confidence);
}

function describePlug(maps, instance, confidence) {
  const weight = instance.places.map((k) => maps.connectorCells.data[k]);
  const corners = cornersOf(maps.connector, instance, maps.connectorCells);
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

function ofMinArea(plugs) {
  const largest = Math.max(0, ...plugs.map(({ area }) => area));
  return plugs.filter(({ area }) => area >= limits.plugs.min_area_ratio * largest);
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

// Pieces of a mask that hang together by their sides, or also by their corners, each as a list of places.
function components({ data, width, height }, corners = false) {
  const label = new Uint8Array(data.length);
  const pieces = [];
  for (let start = 0; start < data.length; start += 1) {
    if (label[start] || data[start] <= 0.5) continue;
    label[start] = 1;
    const piece = [start];
    for (let at = 0; at < piece.length; at += 1) {
      const k = piece[at];
      const x = k % width;
      const [left, right, up, down] = [x > 0, x < width - 1, k >= width, k < width * (height - 1)];
      const sides = [left && k - 1, right && k + 1, up && k - width, down && k + width];
      if (corners) sides.push(left && up && k - width - 1, right && up && k - width + 1, left && down && k + width - 1, right && down && k + width + 1);
      for (const next of sides) {
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

// Corners of a housing: the voted shape sees through what lies across it; where all of it is seen, its mask is more exact.
function cornersOf(fine, instance, cells) {
  const voted = rectangle(instance);
  if (instance.seen < 0.6) return voted;
  const near = besideCells(fine, instance.places, cells);
  const points = [];
  near.forEach((value, k) => value && fine.data[k] > 0.5 && points.push([k % fine.width, Math.trunc(k / fine.width)]));
  if (points.length < 4) return voted;
  const seen = leastRectangle(hull(points), 1).map((corner) => corner.map((value) => (value + 0.5) * (CELL / 2)));
  return overlap(seen, voted) > 0.7 ? seen : voted;
}

// The finer mask's places that lie on some cells or beside them.
function besideCells({ width, height }, places, cells) {
  const own = new Uint8Array(cells.width * cells.height);
  for (const k of places) own[k] = 1;
  const [columns, rows] = [
    Int32Array.from({ length: width }, (_, x) => Math.trunc((x * cells.width) / width)),
    Int32Array.from({ length: height }, (_, y) => Math.trunc((y * cells.height) / height) * cells.width),
  ];
  const near = new Uint8Array(width * height);
  for (let y = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1) {
      if (!own[rows[y] + columns[x]]) continue;
      for (let b = Math.max(0, y - 1); b <= Math.min(height - 1, y + 1); b += 1) {
        near.fill(1, b * width + Math.max(0, x - 1), b * width + Math.min(width, x + 2));
      }
    }
  }
  return near;
}

// Along the finer mask on an instance's cells and beside them, closed: its largest piece, joined by their hull to those
// that are not much smaller, which something that lies across has cut off.
function outlineOf(fine, instance, cells) {
  const { data, width, height } = fine;
  const region = besideCells(fine, instance.places, cells);
  for (let k = 0; k < region.length; k += 1) if (!(data[k] > 0.5)) region[k] = 0;
  const closed = spread(spread(region, width, height, Math.max), width, height, Math.min);
  const borders = components({ data: closed, width, height }, true).map((piece) => borderOf(piece, width));
  if (!borders.length) return rectangle(instance);
  const most = borders.reduce((best, border) => (areaOf(border) > areaOf(best) ? border : best));
  const pieces = borders.filter((border) => areaOf(border) > PIECE * areaOf(most));
  const shape = simplified(pieces.length > 1 ? hull(pieces.flat()) : most, SIMPLIFY);
  if (shape.length < 3) return rectangle(instance);
  return shape.map((point) => point.map((value) => (value + 0.5) * (CELL / 2)));
}

// The most or least of each place and its eight neighbours.
function spread(values, width, height, choose) {
  const pass = (given, step, length, lines, next) => {
    const out = new Uint8Array(given.length);
    for (let line = 0; line < lines; line += 1) {
      for (let at = 0, k = line * next; at < length; at += 1, k += step) {
        out[k] = choose(given[at > 0 ? k - step : k], given[k], given[at < length - 1 ? k + step : k]);
      }
    }
    return out;
  };
  return pass(pass(values, 1, width, height, width), width, height, width, 1);
}
