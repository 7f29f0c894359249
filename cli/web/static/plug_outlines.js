// Outlines: hulls, areas, and how much two of them share.

// Convex hull (Andrew's monotone chain).
export function hull(points) {
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

export function areaOf(corners) {
  return Math.abs(corners.reduce((sum, [x, y], k) => {
    const [nextX, nextY] = corners[(k + 1) % corners.length];
    return sum + x * nextY - nextX * y;
  }, 0)) / 2;
}

// Intersection over union of two convex outlines as `hull` gives them (Sutherland and Hodgman's clipping).
export function overlap(a, b) {
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
