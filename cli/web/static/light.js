// A view of the camera with its light on, where the browser can switch one: in a dark hall, or into a recess.
// Offered beside the usual way; it needs https (or this very machine) and a camera that has a light.

import { makeButton, openCamera } from "./camera.js";
import words from "./words.js";

export function offerLight() {
  if (!navigator.mediaDevices?.getSupportedConstraints?.().torch) return;
  for (const section of document.querySelectorAll(".shot")) {
    const button = makeButton(words.light);
    button.className = "light";
    button.addEventListener("click", () => open(section, button));
    section.append(button);
  }
}

async function open(section, opener) {
  const camera = await openCamera(section.querySelector("h2").textContent, opener, { lit: true });
  if (!camera) return;
  const take = makeButton(words.take);
  take.className = "button main";
  camera.row.lastElementChild.before(take); // between the light and the way out
  take.addEventListener("click", async () => {
    const blob = await picture(camera.view);
    camera.dialog.close();
    if (blob) hand(section, blob);
  });
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
