// A large photo is made smaller before it is sent; drawing it anew also drops place, time and camera.

export const LONG_SIDE = 3000; // pixels: a label that fills a third of the picture is still read
const SMALL_ENOUGH = 1_500_000; // bytes
const QUALITY = 0.88;

export async function shrink(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    return file; // a kind this browser cannot open, such as HEIC: the page can, so it goes as it is
  }
  const scale = LONG_SIDE / Math.max(picture.width, picture.height);
  if (scale >= 1 && file.size <= SMALL_ENOUGH) {
    picture.close();
    return file;
  }
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * Math.min(1, scale));
  canvas.height = Math.round(picture.height * Math.min(1, scale));
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#fff";
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const smaller = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
  return smaller && (scale < 1 || smaller.size < file.size) ? smaller : file;
}
