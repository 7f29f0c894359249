// Judges photos beside the page, which can be scrolled meanwhile.

import { judgePhoto } from "./quality.js";

self.addEventListener("message", async ({ data: { id, blob } }) => {
  self.postMessage({ id, faults: await judgePhoto(blob) });
});
