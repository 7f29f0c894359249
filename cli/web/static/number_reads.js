// What this phone has read in the photos of a unit, until the server has answered it: kept by the unit's own name.

const KEY = "read";
const MAX_READS = 200; // of some fifty units, whose labels may bear several codes; the oldest go first

function all() {
  try {
    return JSON.parse(localStorage.getItem(KEY)) ?? [];
  } catch {
    return []; // nothing is kept here
  }
}

export const readOf = (unit) => all().flatMap(([name, entry]) => (name === unit ? [entry] : []));

export function noteRead(unit, entry) {
  const others = all().filter(([name, read]) => name !== unit || read !== entry);
  try {
    localStorage.setItem(KEY, JSON.stringify([...others, [unit, entry]].slice(-MAX_READS)));
  } catch {
    // a browser that keeps nothing: the server reads the photo, too
  }
}

export function forgetReads() {
  try {
    localStorage.removeItem(KEY);
  } catch {
    // nothing was kept
  }
}
