// Barcodes read on the phone: from the camera as it is held over a label, or from a photo that was taken.

import { openCamera } from "./camera.js";
import { scriptUrl } from "./trusted.js";
import words from "./words.js";

const LIVE_PX = 1600; // long side of a picture of the camera: there are many, and the next one may be better
const PHOTO_PX = 3200; // of a photo, as it is and, where nothing was read, enlarged twofold: bars of two pixels are read then
const PAUSE_MS = 120;
const CONTROLS = { "\x1d": "␝", "\x1e": "␞", "\x04": "␄" }; // as the page's fields take them

let worker;
let asked = 0;
const waiting = new Map();

// Codes in a picture (ImageData), each as { text, format }.
function read(picture) {
  if (!worker) {
    worker = new Worker(scriptUrl(new URL("./barcode_worker.js", import.meta.url)), { type: "module" });
    const fail = (problem) => {
      for (const { refuse } of waiting.values()) refuse(new Error(problem));
      waiting.clear();
      worker?.terminate();
      worker = undefined; // begun anew when asked again: there may be a signal then
    };
    worker.addEventListener("error", () => fail(words.scan_not_here));
    worker.addEventListener("message", ({ data }) => {
      if (data.problem) return fail(words.scan_not_here);
      waiting.get(data.id)?.give(data.codes.map((code) => ({ ...code, text: shown(code.text) })));
      waiting.delete(data.id);
    });
  }
  return new Promise((give, refuse) => {
    const id = (asked += 1);
    waiting.set(id, { give, refuse });
    worker.postMessage({ id, picture }, [picture.data.buffer]);
  });
}

export const shown = (text) => text.trim().replace(/[\x1d\x1e\x04]/g, (sign) => CONTROLS[sign]).replace(/[\x00-\x1f\x7f]/g, "");

function pixels(source, width, height, { most = LIVE_PX, enlarged = 1 } = {}) {
  const scale = Math.min(enlarged, most / Math.max(width, height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(width * scale));
  canvas.height = Math.max(1, Math.round(height * scale));
  const pen = canvas.getContext("2d", { willReadFrequently: true });
  pen.drawImage(source, 0, 0, canvas.width, canvas.height);
  return pen.getImageData(0, 0, canvas.width, canvas.height);
}

// Codes on a photo; none where this browser cannot open it, or the reader is not on this phone yet.
export async function readPhoto(blob) {
  try {
    const picture = await createImageBitmap(blob, { imageOrientation: "from-image" });
    const { width, height } = picture;
    let codes = await read(pixels(picture, width, height, { most: PHOTO_PX }));
    if (!codes.length && Math.max(width, height) < PHOTO_PX) {
      codes = await read(pixels(picture, width, height, { most: PHOTO_PX, enlarged: 2 }));
    }
    picture.close();
    return codes;
  } catch {
    return [];
  }
}

// A button that opens the camera and calls `act` with the codes of the first picture that has any.
export function offerScan(button, act) {
  if (!navigator.mediaDevices?.getUserMedia) return; // over plain http a browser opens no camera
  button.hidden = false;
  button.addEventListener("click", async () => {
    const camera = await openCamera(words.scan_title, button);
    if (!camera) return;
    const hint = document.createElement("p");
    hint.textContent = words.scan_hint;
    hint.role = "status";
    camera.dialog.prepend(hint);
    while (camera.dialog.isConnected) {
      const { videoWidth, videoHeight } = camera.view;
      try {
        const codes = videoWidth ? await read(pixels(camera.view, videoWidth, videoHeight)) : [];
        if (codes.length && camera.dialog.isConnected) {
          camera.dialog.close();
          act(codes);
          return;
        }
      } catch (error) {
        hint.textContent = error.message;
        return; // the camera stays open until whoever reads this closes it
      }
      await new Promise((done) => setTimeout(done, PAUSE_MS));
    }
  });
}
