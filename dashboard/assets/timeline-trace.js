// One series as a line of lowest and highest values; an extreme of one reading stands as high as it was.

import { colour } from "./paint.js";
import { firstAfter } from "./timeline-lanes.js";

const GAP_PX = 6;
const GAP_STEPS = 5;
const LEAST = { V: 0.01, A: 0.001, ohm: 0.1 };

// Places of the points in view, one more on either side so that the line reaches the edges.
export function inView({ t }, from_us, { t0, t1 }) {
  const time = (row) => row;
  const first = Math.max(0, firstAfter(t, t0 - from_us, time) - 1);
  const stop = Math.min(t.length, firstAfter(t, t1 - from_us, time) + 1);
  return [first, stop];
}

export function spanOf({ low, high }, [first, stop], unit) {
  let [least, most] = [Infinity, -Infinity];
  for (let n = first; n < stop; n += 1) {
    if (low[n] < least) least = low[n];
    if (high[n] > most) most = high[n];
  }
  if (least > most) return null;
  return { least, most, ends: padded(least, most, unit) };
}

function padded(least, most, unit) {
  const room = Math.max(Math.abs(most), Math.abs(least)) * 0.002 + (LEAST[unit] ?? 1e-3);
  const middle = (least + most) / 2;
  const half = Math.max((most - least) / 2, room) * 1.06;
  return [middle - half, middle + half];
}

function usualStep(t, first, stop) {
  const steps = [];
  const every = Math.max(1, Math.floor((stop - first) / 64));
  for (let n = first + 1; n < stop; n += every) steps.push(t[n] - t[n - 1]);
  return steps.sort((a, b) => a - b)[steps.length >> 1] ?? 0;
}

export function drawTrace(pen, points, from_us, [first, stop], box, at, [low, high], ink, dots) {
  const { t } = points;
  const y = (v) => box.bottom - ((v - low) / (high - low)) * (box.bottom - box.top);
  const gap = usualStep(t, first, stop) * GAP_STEPS;
  const over = [];
  pen.save();
  pen.beginPath();
  pen.rect(box.left, box.top - 3, box.right - box.left, box.bottom - box.top + 6);
  pen.clip();
  pen.strokeStyle = ink;
  pen.fillStyle = ink;
  pen.lineWidth = 1.5;
  pen.lineJoin = "round";
  pen.beginPath();
  let [open, x0, t0] = [false, -Infinity, -Infinity];
  for (let n = first; n < stop; n += 1) {
    const x = at(t[n] + from_us);
    if (Number.isNaN(points.low[n])) { over.push(x); open = false; continue; }
    if (open && x - x0 > GAP_PX && t[n] - t0 > gap) open = false;
    const [top, bottom] = [y(points.high[n]), y(points.low[n])];
    if (open) pen.lineTo(x, top);
    else { pen.moveTo(x, top); if (bottom - top < 1) pen.lineTo(x + 1, top); }
    if (bottom > top) pen.lineTo(x, bottom);
    [open, x0, t0] = [true, x, t[n]];
  }
  pen.stroke();
  if (dots) for (let n = first; n < stop; n += 1) if (!Number.isNaN(points.low[n])) pen.fillRect(at(t[n] + from_us) - 2, y(points.high[n]) - 2, 4, 4);
  pen.fillStyle = colour("bad");
  for (const x of over) pen.fillRect(x - 1, box.top - 2, 2, 5);
  pen.restore();
  return stop - first;
}

// The point nearest to a time, or null where none is near.
export function nearest(points, from_us, t_us, reach_us) {
  const { t } = points;
  const after = firstAfter(t, t_us - from_us, (row) => row);
  const best = [after - 1, after].filter((n) => n >= 0 && n < t.length).sort((a, b) => Math.abs(t[a] + from_us - t_us) - Math.abs(t[b] + from_us - t_us))[0];
  return best !== undefined && Math.abs(t[best] + from_us - t_us) <= reach_us ? best : null;
}
