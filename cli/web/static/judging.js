// Has photos judged beside the page; on the page itself where the browser cannot do that.

import { judgePhoto } from "./quality.js";
import { scriptUrl } from "./trusted.js";

let worker;
let asked = 0;
const waiting = new Map();

export function judge(blob) {
  if (!globalThis.OffscreenCanvas) return judgePhoto(blob);
  if (!worker) {
    worker = new Worker(scriptUrl(new URL("./quality_worker.js", import.meta.url)), { type: "module" });
    worker.addEventListener("message", ({ data }) => {
      waiting.get(data.id)?.give(data.faults);
      waiting.delete(data.id);
    });
    worker.addEventListener("error", () => {
      for (const { give, again } of waiting.values()) again().then(give);
      waiting.clear();
    });
  }
  return new Promise((give) => {
    const id = (asked += 1);
    waiting.set(id, { give, again: () => judgePhoto(blob) });
    worker.postMessage({ id, blob });
  });
}
