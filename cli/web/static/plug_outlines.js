// Outlines: hulls, borders and rectangles as OpenCV makes them, areas, and how much two of them share.

// Convex hull (Andrew's monotone chain).
export function hull(points) {
  const sorted = points.slice().sort(([ax, ay], [bx, by]) => ax - bx || ay - by);
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

export function areaOf(corners) {
  return Math.abs(corners.reduce((sum, [x, y], k) => {
    const [nextX, nextY] = corners[(k + 1) % corners.length];
    return sum + x * nextY - nextX * y;
  }, 0)) / 2;
}

// Intersection over union of the hulls of two outlines (Sutherland and Hodgman's clipping).
export function overlap(one, other) {
  const [a, b] = [hull(one), hull(other)];
  let shared = a;
  b.forEach((from, k) => {
    const to = b[(k + 1) % b.length];
    const side = ([x, y]) => (to[0] - from[0]) * (y - from[1]) - (to[1] - from[1]) * (x - from[0]);
    shared = shared.flatMap((point, n) => {
      const next = shared[(n + 1) % shared.length];
      const [here, there] = [side(point), side(next)];
      const between = () => point.map((value, axis) => value + ((next[axis] - value) * here) / (here - there));
      if (here >= 0) return there >= 0 ? [point] : [point, between()];
      return there >= 0 && here !== there ? [between()] : [];
    });
  });
  const both = shared.length > 2 ? areaOf(shared) : 0;
  return both / Math.max(areaOf(a) + areaOf(b) - both, 1e-6);
}

// Corners of the least rectangle round a hull, each side made longer by so much (Freeman and Shapira: one side lies on
// an edge of the hull).
export function leastRectangle(points, longer = 0) {
  let best = { area: Infinity };
  points.forEach(([ax, ay], k) => {
    const [bx, by] = points[(k + 1) % points.length];
    const long = Math.hypot(bx - ax, by - ay) || 1;
    const [cos, sin] = [(bx - ax) / long, (by - ay) / long];
    const [along, across] = [points.map(([x, y]) => x * cos + y * sin), points.map(([x, y]) => y * cos - x * sin)];
    const ends = [along, across].map((values) => [Math.min(...values), Math.max(...values)]);
    const area = (ends[0][1] - ends[0][0]) * (ends[1][1] - ends[1][0]);
    if (area < best.area) best = { area, cos, sin, ends };
  });
  const { cos, sin, ends } = best;
  const [[left, right], [top, bottom]] = ends.map(([low, high]) => [low - longer / 2, high + longer / 2]);
  return [[left, top], [right, top], [right, bottom], [left, bottom]].map(([u, v]) => [u * cos - v * sin, u * sin + v * cos]);
}

const ROUND = [[-1, 0], [-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1]]; // clockwise from the left

// The outer border of a piece of a mask, pixel by pixel (Suzuki and Abe, CVGIP 30 (1985) 32-46). `places` hold its
// topmost pixel first, of those the leftmost.
export function borderOf(places, width) {
  const inside = new Set(places.map((k) => (Math.trunc(k / width) + 1) * (width + 2) + (k % width) + 1));
  const has = ([x, y]) => inside.has((y + 1) * (width + 2) + x + 1);
  const beside = ([x, y], turn) => [x + ROUND[turn][0], y + ROUND[turn][1]];
  const start = [places[0] % width, Math.trunc(places[0] / width)];
  let turn = ROUND.findIndex((_, k) => has(beside(start, k)));
  if (turn < 0) return [start];
  const last = beside(start, turn);
  const border = [];
  let here = start;
  for (;;) {
    border.push(here);
    do turn = (turn + 7) % 8; while (!has(beside(here, turn))); // against the clock, from the one it came from
    const next = beside(here, turn);
    if (next[0] === start[0] && next[1] === start[1] && here[0] === last[0] && here[1] === last[1]) return border;
    [here, turn] = [next, (turn + 4) % 8];
  }
}

// A closed outline with fewer points, none of it farther away than this share of its length (Douglas and Peucker, 1973),
// begun and cleaned up as OpenCV's approxPolyDP does.
export function simplified(points, share) {
  const count = points.length;
  const length = points.reduce((sum, [x, y], k) => sum + Math.hypot(points[(k + 1) % count][0] - x, points[(k + 1) % count][1] - y), 0);
  const most = (share * length) ** 2;
  const off = ([ax, ay], [bx, by], [x, y]) => Math.abs((y - ay) * (bx - ax) - (x - ax) * (by - ay));
  const square = ([ax, ay], [bx, by]) => (bx - ax) ** 2 + (by - ay) ** 2;
  let [from, step, farthest] = [0, 0, 0];
  for (let round = 0; round < 3; round += 1) {
    from = (from + step) % count;
    farthest = 0;
    for (let k = 1; k < count; k += 1) {
      const far = square(points[from], points[(from + k) % count]);
      if (far > farthest) [farthest, step] = [far, k];
    }
  }
  if (farthest <= most) return [points[from]];
  const other = (from + step) % count;
  const waiting = [[other, from], [from, other]];
  const kept = [];
  while (waiting.length) {
    const [low, high] = waiting.pop();
    let [worst, at] = [0, low];
    for (let k = (low + 1) % count; k !== high; k = (k + 1) % count) {
      const far = off(points[low], points[high], points[k]);
      if (far > worst) [worst, at] = [far, k];
    }
    if (worst ** 2 <= most * square(points[low], points[high])) kept.push(points[low]);
    else waiting.push([at, high], [low, at]);
  }
  return withoutStraight(kept, off, square, most / 2);
}

// Points on nearly straight lines left out.
function withoutStraight(kept, off, square, most) {
  const count = kept.length;
  const out = kept.slice();
  let left = count;
  let to = 0;
  let at = 0;
  const read = () => out[at++ % count];
  let start = out[count - 1];
  let point = read();
  to = count - 1; // the next to be written is the first
  const write = (value) => (out[(to = (to + 1) % count)] = value);
  for (let k = 0; k < count && left > 2; k += 1) {
    const end = read();
    const onward = (point[0] - start[0]) * (end[0] - point[0]) + (point[1] - start[1]) * (end[1] - point[1]);
    if (off(start, end, point) ** 2 <= most * square(start, end) && end[0] !== start[0] && end[1] !== start[1] && onward >= 0) {
      left -= 1;
      start = write(end);
      point = read();
      k += 1;
      continue;
    }
    start = write(point);
    point = end;
  }
  return out.slice(0, left);
}
