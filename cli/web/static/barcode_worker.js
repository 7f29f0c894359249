// Reads barcodes in a picture, beside the page: the one script that may run WebAssembly, and it can do nothing else.

import { prepareZXingModule, readBarcodes } from "./vendor/zxing/reader/index.js";

prepareZXingModule({
  overrides: { locateFile: (file) => new URL(`./vendor/zxing/reader/${file}`, import.meta.url).href },
});

// The kinds that vision/barcodes.py reads; what it knows of labels that are damaged or slanted is not here.
const WANTED = { formats: ["Code128", "Code39Std", "DataMatrix", "QRCode"], tryHarder: true };

self.addEventListener("message", async ({ data: { id, picture } }) => {
  try {
    const found = await readBarcodes(picture, WANTED);
    self.postMessage({ id, codes: found.filter((one) => one.isValid).map(({ text, format }) => ({ text, format })) });
  } catch (error) {
    self.postMessage({ id, problem: String(error) });
  }
});
