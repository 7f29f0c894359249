// A view of the phone's camera in front of the page, with its light where it has one.

import words from "./words.js";

const WIDE_PX = 3840; // as much as the camera gives up to here

// The view, with `dialog`, `view` (the video) and `row` for further buttons; undefined where it cannot be opened.
export async function openCamera(title, opener, { lit = false } = {}) {
  let stream;
  try {
    const video = { facingMode: "environment", width: { ideal: WIDE_PX } };
    stream = await navigator.mediaDevices.getUserMedia({ video });
  } catch {
    opener.textContent = words.light_refused;
    opener.disabled = true;
    return undefined;
  }
  const [track] = stream.getVideoTracks();
  const dialog = document.createElement("dialog");
  dialog.className = "camera";
  dialog.ariaLabel = title;
  const view = document.createElement("video");
  view.autoplay = true;
  view.muted = true;
  view.playsInline = true;
  view.srcObject = stream;
  const shine = makeButton(words.light_on);
  const close = makeButton(words.close);
  const row = document.createElement("div");
  row.className = "row";
  row.append(shine, close);
  dialog.append(view, row);
  document.body.append(dialog);

  let on = false;
  const turn = async (wanted) => {
    try {
      await track.applyConstraints({ advanced: [{ torch: wanted }] });
      on = wanted;
    } catch {
      on = false;
    }
    shine.textContent = on ? words.light_off : words.light_on;
  };
  shine.hidden = !track.getCapabilities?.().torch; // this camera may have none
  if (!shine.hidden && lit) await turn(true);
  shine.addEventListener("click", () => turn(!on));
  close.addEventListener("click", () => dialog.close());
  dialog.addEventListener("close", () => {
    for (const each of stream.getTracks()) each.stop();
    dialog.remove();
    opener.focus();
  });
  dialog.showModal();
  return { dialog, view, row };
}

export function makeButton(label) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = label;
  return button;
}
