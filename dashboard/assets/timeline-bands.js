// Placements as bars: the verdict by colour, height, pattern and sign; words only where they have room.

import { colour, shorten, write } from "./paint.js";
import { endOf } from "./timeline-lanes.js";

export const BAND = 36;
const ROOM_FOR_WORDS = 30;
const ROOM_FOR_SIGN = 12;

// What must not be overlooked is drawn last, and stands higher.
const LOOKS = {
  struck: { rank: 0, name: "verdict-none", sign: "", open: true },
  inside: { rank: 1, name: "verdict-good", sign: "\u2713" },
  "probably inside": { rank: 2, name: "verdict-good", sign: "\u2248\u2713", lines: 1 },
  "not compared": { rank: 3, name: "verdict-none", sign: "" },
  "probably outside": { rank: 4, name: "verdict-bad", sign: "\u2248\u2715", lines: 1, high: true },
  outside: { rank: 5, name: "verdict-bad", sign: "\u2715", high: true },
};
// Why there is no verdict stands beside it.
export const verdictWords = ({ verdict, why }) => (why ? `${verdict}: ${why}` : verdict);
export const lookOf = (placement) => LOOKS[placement.verdict] ?? LOOKS["not compared"];

// [{placement, x0, x1}] of a lane in view, in order of time.
export function barsOf(lane, view, last_us, box, at, passes) {
  const bars = [];
  for (const placement of lane.placements) {
    if (placement.t0_us > view.t1) break;
    const end = endOf(placement, last_us);
    if (end < view.t0 || !passes(placement)) continue;
    const x0 = Math.max(box.left, at(placement.t0_us));
    bars.push({ placement, x0, x1: Math.min(box.right, Math.max(x0 + 1.5, at(end))) });
  }
  return bars;
}

function hatched(pen, x, y, width, height) {
  pen.save();
  pen.beginPath();
  pen.rect(x, y, width, height);
  pen.clip();
  pen.strokeStyle = "rgba(255, 255, 255, 0.34)";
  pen.lineWidth = 2;
  pen.beginPath();
  for (let at = x - height; at < x + width; at += 8) {
    pen.moveTo(at, y + height);
    pen.lineTo(at + height, y);
  }
  pen.stroke();
  pen.restore();
}

function drawBar(pen, { placement, x0, x1 }, top) {
  const look = lookOf(placement);
  const width = x1 - x0;
  if (placement.silent) {
    pen.fillStyle = colour("hair");
    pen.fillRect(x0, top + BAND - 8, Math.max(1, width), 8);
    return;
  }
  const y = look.high ? top : top + 4;
  const height = top + BAND - y;
  if (look.open) {
    pen.strokeStyle = colour("firm");
    pen.setLineDash([4, 3]);
    pen.strokeRect(x0 + 0.5, y + 0.5, Math.max(1, width - 1), height - 1);
    pen.setLineDash([]);
    return;
  }
  pen.fillStyle = colour(look.name);
  pen.fillRect(x0, y, width > 4 ? width - 1 : width, height);
  if (look.lines && width > ROOM_FOR_SIGN) hatched(pen, x0, y, width - 1, height);
}

function writeWords(pen, { placement, x0, x1 }, top) {
  const look = lookOf(placement);
  const room = x1 - x0 - 7;
  const name = look.open ? "ink" : "verdict-ink";
  if (placement.silent || room < ROOM_FOR_SIGN) return 0;
  const place = room < ROOM_FOR_WORDS ? "" : shorten(pen, placement.place, room, { size: 12, weight: 600 });
  const words = placement.struck ? "struck" : placement.reads;
  const under = shorten(pen, [words, look.sign].filter(Boolean).join(" "), room, { size: 11 });
  if (place) write(pen, place, x0 + 4, top + 17, { name, size: 12, weight: 600 });
  if (place && !under.endsWith("\u2026")) write(pen, under, x0 + 4, top + 31, { name, size: 11 });
  else if (look.sign) write(pen, shorten(pen, look.sign, room + 3, { size: 11 }), x0 + 4, top + 31, { name, size: 11 });
  return place ? 1 : 0;
}

// Returns how many bars carry words.
export function drawBars(pen, bars, top, looked) {
  for (const bar of [...bars].sort((a, b) => lookOf(a.placement).rank - lookOf(b.placement).rank)) drawBar(pen, bar, top);
  let labelled = 0;
  for (const bar of bars) labelled += writeWords(pen, bar, top);
  const open = bars.find(({ placement }) => placement.id === looked);
  if (open) {
    pen.strokeStyle = colour("focus");
    pen.lineWidth = 3;
    pen.strokeRect(open.x0 - 1, top - 1, Math.max(5, open.x1 - open.x0 + 1), BAND + 2);
    pen.lineWidth = 1;
  }
  return labelled;
}

// The bars under a place of the lane, the nearest first.
export function barsAt(bars, x, reach = 4) {
  const distance = ({ x0, x1 }) => (x < x0 ? x0 - x : x > x1 ? x - x1 : 0);
  return bars.filter((bar) => distance(bar) <= reach).sort((a, b) => distance(a) - distance(b) || lookOf(b.placement).rank - lookOf(a.placement).rank);
}
