// Is the photo good enough to look at, by the limits of vision/quality.py and measured as there, on the phone. No
// unit is known here, so nothing is said of glare on a plug or of how far away a unit is. A test runs both.

import limits from "./limits.js";

const LOOKED_AT_PX = 1008; // long side at which the server judges, too

// What is wrong with a photo, each as { name, measured, message, advice }; nothing where it cannot be opened here.
export async function judgePhoto(blob) {
  let picture;
  try {
    picture = await createImageBitmap(blob, { imageOrientation: "from-image" });
  } catch {
    return []; // a kind this browser cannot open: the server judges it
  }
  const scale = Math.min(1, LOOKED_AT_PX / Math.max(picture.width, picture.height));
  const canvas = makeCanvas(Math.max(1, Math.round(picture.width * scale)), Math.max(1, Math.round(picture.height * scale)));
  const pen = canvas.getContext("2d", { willReadFrequently: true });
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  const [width, height] = [picture.width, picture.height];
  picture.close();
  return judgePixels(pen.getImageData(0, 0, canvas.width, canvas.height), width, height).faults;
}

function makeCanvas(width, height) {
  if (globalThis.OffscreenCanvas) return new OffscreenCanvas(width, height);
  return Object.assign(document.createElement("canvas"), { width, height });
}

// `picture` is the photo or a reduced copy of it (ImageData); width and height are the photo's own.
export function judgePixels(picture, width, height) {
  const { luma, lowest } = split(picture);
  const blur = measureBlur({ values: luma, width: picture.width, height: picture.height }) * (width / picture.width);
  const long = Math.max(width, height);
  const bright = percentile(Float64Array.from(luma), 90) / 255;
  const burnt = lowest.reduce((sum, value) => sum + (value >= limits.ceiling), 0) / lowest.length;
  const faults = [];
  if (bright < limits.dark) faults.push(fault("dark", bright));
  if (burnt > limits.burnt) faults.push(fault("burnt", burnt, { percent: `${Math.round(100 * burnt)}%` }));
  // The unit is taken to fill half of the long side.
  if (blur > (limits.blur * long) / 2) faults.push(fault("blurred", blur, { pixels: Math.round(2 * blur) }));
  if (long < limits.small_px) faults.push(fault("small", long, { pixels: Math.round(long) }));
  return { faults, bright, burnt, blur };
}

function fault(name, measured, places = {}) {
  const [message, advice] = limits.words[name];
  return { name, measured, message: message.replace(/\{(\w+)\}/g, (_, place) => places[place]), advice };
}

// Luma with the weights of ITU-R BT.601, and the lowest channel.
function split({ data, width, height }) {
  const [luma, lowest] = [new Uint8Array(width * height), new Uint8Array(width * height)];
  for (let k = 0, at = 0; k < luma.length; k += 1, at += 4) {
    const [red, green, blue] = [data[at], data[at + 1], data[at + 2]];
    luma[k] = Math.round(0.299 * red + 0.587 * green + 0.114 * blue);
    lowest[k] = Math.min(red, green, blue);
  }
  return { luma, lowest };
}

function measureBlur(luma) {
  let spread = 0;
  const long = Math.max(luma.width, luma.height);
  for (const side of limits.sides) {
    const scale = Math.max(1, long / side);
    const small = scale === 1 ? luma : reduce(luma, Math.round(luma.width / scale), Math.round(luma.height / scale));
    const found = blurAtScale(small);
    const here = scale * found.spread;
    if (side === limits.sides[0] && long > side && found.edges < limits.fewest_edges && !isOneShade(small)) {
      return Math.max(here, limits.faded * long);
    }
    if (here > limits.resolved_px * scale || scale === 1) return here || spread;
    spread = here || spread;
  }
  return spread;
}

function blurAtScale({ values, width, height }) {
  const grey = Float32Array.from(values);
  const [innerSigma, outerSigma] = limits.sigmas;
  const inner = gradient(grey, width, height, innerSigma);
  const outer = gradient(grey, width, height, outerSigma);
  const least = Math.max(2, (8 * noiseOf(grey, width, height)) / (Math.sqrt(8 * Math.PI) * outerSigma ** 2));
  const spreads = Array.from({ length: limits.directions }, () => []);
  for (let y = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1) {
      const k = y * width + x;
      const strength = outer.size[k];
      if (strength <= least || inner.size[k] <= strength || !isRidge(outer.size, width, height, x, y)) continue;
      const ratio2 = (inner.size[k] / strength) ** 2;
      const spread = Math.sqrt(Math.max(0, (outerSigma ** 2 - ratio2 * innerSigma ** 2) / Math.max(ratio2 - 1, 1e-3)));
      const angle = (Math.atan2(outer.down[k], outer.across[k]) + 2 * Math.PI) % Math.PI;
      spreads[Math.round((angle / Math.PI) * limits.directions) % limits.directions].push(spread);
    }
  }
  const sharpest = spreads.filter((found) => found.length >= limits.min_edges).map((found) => percentile(Float64Array.from(found), limits.sharpest));
  return { spread: Math.max(0, ...sharpest), edges: spreads.reduce((sum, found) => sum + found.length, 0) };
}

function isOneShade({ values }) {
  const levels = Float64Array.from(values);
  return percentile(levels, 95) - percentile(levels, 5) < limits.one_shade;
}

function isRidge(size, width, height, x, y) {
  const here = size[y * width + x];
  for (let b = Math.max(0, y - 1); b <= Math.min(height - 1, y + 1); b += 1) {
    for (let a = Math.max(0, x - 1); a <= Math.min(width - 1, x + 1); a += 1) if (size[b * width + a] > here) return false;
  }
  return true;
}

// Half the difference of both neighbours, across and down, of the picture blurred by sigma.
function gradient(grey, width, height, sigma) {
  const smooth = blur(grey, width, height, sigma);
  const [across, down, size] = [new Float32Array(grey.length), new Float32Array(grey.length), new Float32Array(grey.length)];
  for (let y = 0; y < height; y += 1) {
    const [above, below] = [mirror(y - 1, height) * width, mirror(y + 1, height) * width];
    for (let x = 0; x < width; x += 1) {
      const k = y * width + x;
      across[k] = (smooth[y * width + mirror(x + 1, width)] - smooth[y * width + mirror(x - 1, width)]) / 2;
      down[k] = (smooth[below + x] - smooth[above + x]) / 2;
      size[k] = Math.sqrt(across[k] ** 2 + down[k] ** 2);
    }
  }
  return { across, down, size };
}

export function blur(grey, width, height, sigma) {
  const reach = Math.round(sigma * 4); // as OpenCV chooses it for floating point
  const weights = Array.from({ length: 2 * reach + 1 }, (_, k) => Math.exp(-((k - reach) ** 2) / (2 * sigma ** 2)));
  const sum = weights.reduce((a, b) => a + b, 0);
  const kernel = Float64Array.from(weights, (weight) => weight / sum);
  const pass = (values, count, length, step, next) => {
    const out = new Float32Array(values.length);
    const padded = new Float32Array(length + 2 * reach); // one line with what its mirror shows beyond both ends
    const from = Int32Array.from(padded, (_, at) => mirror(at - reach, length) * step);
    for (let line = 0; line < count; line += 1) {
      const start = line * next;
      for (let at = 0; at < padded.length; at += 1) padded[at] = values[start + from[at]];
      for (let at = 0; at < length; at += 1) {
        let value = 0;
        for (let k = 0; k < kernel.length; k += 1) value += kernel[k] * padded[at + k];
        out[start + at * step] = value;
      }
    }
    return out;
  };
  return pass(pass(grey, height, width, 1, width), width, height, width, 1);
}

// Outside the picture it goes on as in a mirror, the outermost pixel once.
function mirror(at, length) {
  if (at >= 0 && at < length) return at;
  if (length === 1) return 0;
  const period = 2 * (length - 1);
  const place = ((at % period) + period) % period;
  return place < length ? place : period - place;
}

// Standard deviation of the noise (Immerkaer, CVIU 64 (1996) 300-302).
function noiseOf(grey, width, height) {
  let sum = 0;
  for (let y = 0; y < height; y += 1) {
    const [above, here, below] = [mirror(y - 1, height) * width, y * width, mirror(y + 1, height) * width];
    for (let x = 0; x < width; x += 1) {
      const left = mirror(x - 1, width);
      const right = mirror(x + 1, width);
      const outer = grey[above + left] - 2 * grey[above + x] + grey[above + right] + grey[below + left] - 2 * grey[below + x] + grey[below + right];
      sum += Math.abs(outer - 2 * (grey[here + left] - 2 * grey[here + x] + grey[here + right]));
    }
  }
  return ((Math.sqrt(Math.PI / 2) / 6) * sum) / grey.length;
}

// Each new pixel is the mean of what it covers.
function reduce({ values, width, height }, newWidth, newHeight) {
  const across = shares(width, newWidth);
  const down = shares(height, newHeight);
  const rows = new Float64Array(height * newWidth);
  for (let y = 0; y < height; y += 1) {
    across.forEach((parts, x) => {
      for (const [from, share] of parts) rows[y * newWidth + x] += share * values[y * width + from];
    });
  }
  const out = new Uint8Array(newHeight * newWidth);
  down.forEach((parts, y) => {
    for (let x = 0; x < newWidth; x += 1) {
      let value = 0;
      for (const [from, share] of parts) value += share * rows[from * newWidth + x];
      out[y * newWidth + x] = Math.round(value);
    }
  });
  return { values: out, width: newWidth, height: newHeight };
}

export function shares(length, newLength) {
  const scale = length / newLength;
  return Array.from({ length: newLength }, (_, k) => {
    const [start, end] = [k * scale, Math.min(length, (k + 1) * scale)];
    const parts = [];
    for (let at = Math.floor(start); at < end; at += 1) parts.push([at, (Math.min(end, at + 1) - Math.max(start, at)) / (end - start)]);
    return parts;
  });
}

// As numpy has it: between two values in proportion.
function percentile(values, share) {
  const sorted = values.sort();
  const rank = (share / 100) * (sorted.length - 1);
  const low = Math.floor(rank);
  return sorted[low] + (rank - low) * ((sorted[low + 1] ?? sorted[low]) - sorted[low]);
}
