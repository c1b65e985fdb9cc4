// Canvas in the colours of the theme, sharp at every pixel ratio.

let swatch = null;
let known = new Map();

export const forgetColours = () => { known = new Map(); };

export function colour(name) {
  if (!known.has(name)) {
    swatch ??= document.body.appendChild(Object.assign(document.createElement("span"), { hidden: true }));
    swatch.style.color = `var(--${name})`;
    known.set(name, getComputedStyle(swatch).color);
  }
  return known.get(name);
}

export const SERIES = ["series-1", "series-2", "series-3", "series-4", "series-5"];
export const inkOf = (n) => colour(SERIES[n % SERIES.length]);

const FACE = '"system-ui", "Segoe UI", "Liberation Sans", sans-serif';

export function prepare(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  return { pen, width, height };
}

const face = (size, weight) => `${weight} ${size}px ${FACE}`;

export function widthOf(pen, words, { size = 11, weight = 400 } = {}) {
  pen.font = face(size, weight);
  return pen.measureText(words).width;
}

export function write(pen, words, x, y, { align = "left", name = "soft", size = 11, weight = 400, base = "alphabetic" } = {}) {
  pen.font = face(size, weight);
  pen.fillStyle = colour(name);
  pen.textAlign = align;
  pen.textBaseline = base;
  pen.fillText(words, x, y);
}

export function rule(pen, x0, y0, x1, y1, name = "hair", dash = [], thick = 1) {
  pen.save();
  pen.strokeStyle = colour(name);
  pen.lineWidth = thick;
  pen.setLineDash(dash);
  pen.beginPath();
  pen.moveTo(x0, y0);
  pen.lineTo(x1, y1);
  pen.stroke();
  pen.restore();
}

export function shorten(pen, words, room, font = {}) {
  if (widthOf(pen, words, font) <= room) return words;
  let cut = words;
  while (cut && widthOf(pen, `${cut}\u2026`, font) > room) cut = cut.slice(0, -1);
  return cut ? `${cut}\u2026` : "";
}
