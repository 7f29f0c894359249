// Which lot this is. Online the page says it; where there is no signal it is the lot that was open last.

const KEY = "lot";
export const WHO = "who"; // whoever checked a unit of it last
const { dataset } = document.body;

function remembered() {
  try {
    return JSON.parse(localStorage.getItem(KEY)) ?? {};
  } catch {
    return {}; // nothing is kept here, or what is kept is none of ours
  }
}

export const offline = "offline" in dataset;
const known = offline ? remembered() : { key: dataset.lot, name: dataset.lotName };
export const lot = known.key;
export const lotName = known.name;

try {
  if (!offline && lot) localStorage.setItem(KEY, JSON.stringify(known));
} catch {
  // a browser that keeps nothing: there is no page without a signal then
}

export function forgetLot() {
  try {
    for (const key of [KEY, WHO]) localStorage.removeItem(key);
  } catch {
    // nothing was kept
  }
}
