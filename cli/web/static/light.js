// A view of the camera with its light on, where the browser can switch one: in a dark hall, or into a recess.
// Offered beside the usual way; it needs https (or this very machine) and a camera that has a light.

import words from "./words.js";

const WIDE_PX = 3840; // as much as the camera gives up to here

export function offerLight() {
  if (!navigator.mediaDevices?.getSupportedConstraints?.().torch) return;
  for (const section of document.querySelectorAll(".shot")) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "light";
    button.textContent = words.light;
    button.addEventListener("click", () => open(section, button));
    section.append(button);
  }
}

async function open(section, opener) {
  let stream;
  try {
    const video = { facingMode: "environment", width: { ideal: WIDE_PX } };
    stream = await navigator.mediaDevices.getUserMedia({ video });
  } catch {
    opener.textContent = words.light_refused;
    opener.disabled = true;
    return;
  }
  const [track] = stream.getVideoTracks();
  const dialog = document.createElement("dialog");
  dialog.className = "camera";
  dialog.ariaLabel = section.querySelector("h2").textContent;
  const view = document.createElement("video");
  view.autoplay = true;
  view.muted = true;
  view.playsInline = true;
  view.srcObject = stream;
  const shine = makeButton(words.light_off);
  const take = makeButton(words.take);
  take.className = "button main";
  const close = makeButton(words.close);
  const row = document.createElement("div");
  row.className = "row";
  row.append(shine, take, close);
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
  if (!shine.hidden) await turn(true);
  shine.addEventListener("click", () => turn(!on));
  close.addEventListener("click", () => dialog.close());
  dialog.addEventListener("close", () => {
    for (const each of stream.getTracks()) each.stop();
    dialog.remove();
    opener.focus();
  });
  take.addEventListener("click", async () => {
    const blob = await picture(view);
    dialog.close();
    if (blob) hand(section, blob);
  });
  dialog.showModal();
}

function picture(view) {
  const canvas = document.createElement("canvas");
  canvas.width = view.videoWidth;
  canvas.height = view.videoHeight;
  canvas.getContext("2d").drawImage(view, 0, 0);
  return new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.92));
}

// Into the field that the camera's own picture would go into: from there on the way is the same.
function hand(section, blob) {
  const carried = new DataTransfer();
  carried.items.add(new File([blob], "photo.jpg", { type: "image/jpeg" }));
  const field = section.querySelector("input.camera");
  field.files = carried.files;
  field.dispatchEvent(new Event("change"));
}

function makeButton(label) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = label;
  return button;
}
