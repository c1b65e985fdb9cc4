// Every series on one time axis, each in a lane of its own, placements as labelled bands.

import { drawColumns } from "./curve.js";
import { el, setText } from "./dom.js";
import { bench, hear, now_us } from "./link.js";
import { clock, text } from "./numbers.js";
import { isBeyondScreen, isOverload } from "./flags.js";
import { keep, stored } from "./keys.js";
import { gathered, tellDrawn } from "./pace.js";
import { colour, inkOf, prepare, rule, shorten, widthOf, write } from "./paint.js";
import { quantityWords } from "./readout.js";
import { Ring } from "./rings.js";

const AXIS = 22;
const EDGE = 8;
// Narrower than this, the words of a lane stand above it and the curve has the whole width.
const NARROW = 560;
const BESIDE = { head: 0, plot: 74 };
const ABOVE = { head: 36, plot: 58 };
const NAME = { name: "ink", weight: 600, size: 12 };
const VALUE = { name: "ink", size: 13 };
const SMALL = { size: 11 };
const TIME_STEPS_S = [5, 10, 15, 30, 60, 120, 300, 600, 1800];

const rings = new Map();
const flags = new Map();
const scales = new Map();
let placements = [];
let minutes = Number(stored("trend-minutes", "2")) || 2;
let beside = 0;
let newest_us = 0;
let canvas = null;
let summary = null;

function ringOf(id) {
  if (!rings.has(id)) rings.set(id, new Ring());
  return rings.get(id);
}

function take(series) {
  for (const [id, rows] of Object.entries(series)) {
    const ring = ringOf(id);
    for (const [t_us, value] of rows) ring.push(t_us, value);
    flags.set(id, rows.at(-1)?.[2] ?? 0);
    newest_us = Math.max(newest_us, rows.at(-1)?.[0] ?? 0);
  }
}

// What was read before this page was opened.
async function fetchBefore() {
  const answer = await fetch("/recent?minutes=30").catch(() => null);
  if (!answer?.ok) return;
  const before = await answer.json();
  placements = before.placements;
  for (const [id, rows] of Object.entries(before.series)) {
    const since = rings.get(id);
    const ring = new Ring();
    for (const [t_us, low, high] of rows) {
      ring.push(t_us, low);
      if (high !== low) ring.push(t_us, high);
    }
    since?.each((t_us, value) => ring.push(t_us, value));
    rings.set(id, ring);
  }
}

async function fetchPlacements() {
  const answer = await fetch("/recent?minutes=30&series=false").catch(() => null);
  if (answer?.ok) placements = (await answer.json()).placements;
}

// Probes on top, then the supply, then whatever else speaks.
const rank = (s) => (s.probe ? 0 : s.quantity === "current_a" || s.quantity === "mains_v" ? 1 : 2);

function lanes(t0) {
  const spoke = (bench.state?.series ?? []).filter((s) => (rings.get(String(s.id))?.last()?.t_us ?? -1) >= t0);
  return spoke.sort((a, b) => rank(a) - rank(b) || a.id - b.id);
}

const valueWords = (value, series) => {
  const now = flags.get(String(series.id)) ?? 0;
  if (isBeyondScreen(now)) return "over the screen";
  if (isOverload(now)) return "over the range";
  if (Number.isNaN(value)) return "no value";
  return series.quantity === "output_on" ? (value ? "on" : "off") : text(value, series.unit);
};

function extremes({ low, high }) {
  let [lowest, highest] = [Infinity, -Infinity];
  for (let n = 0; n < low.length; n += 1) {
    if (low[n] < lowest) lowest = low[n];
    if (high[n] > highest) highest = high[n];
  }
  return [lowest, highest];
}

// A scale stays while what is shown lies in it and fills a good part of it: a curve that breathes is hard to read.
function span(columns, series) {
  const [low, high] = extremes(columns);
  const now = scales.get(series.id);
  if (low > high) return now ?? [0, 1];
  const least = Math.max(Math.abs(high), Math.abs(low)) * 0.002 + ({ V: 0.01, A: 0.001, ohm: 0.1 }[series.unit] ?? 1e-3);
  const half = Math.max((high - low) / 2, least) * 1.12;
  if (now && low >= now[0] && high <= now[1] && now[1] - now[0] < 3.2 * half) return now;
  const middle = (low + high) / 2;
  scales.set(series.id, [middle - half, middle + half]);
  return scales.get(series.id);
}

function drawBands(pen, series, lane, box, at) {
  const bands = placements.filter((p) => p.probe === series.probe && p.quantity === series.quantity && !p.silent);
  bands.forEach((band, n) => {
    const x0 = Math.max(box.left, at(band.t0_us));
    const x1 = Math.min(box.right, at(band.t1_us ?? now_us()));
    if (x1 <= box.left || x0 >= box.right) return;
    pen.fillStyle = colour(n % 2 ? "band-odd" : "band-even");
    pen.fillRect(x0, lane.top + 1, x1 - x0, lane.height - 2);
    rule(pen, x0, lane.top + 1, x0, lane.top + lane.height - 1, "firm");
    if (band.struck) hatch(pen, x0, lane.top + 1, x1 - x0, lane.height - 2);
    const words = `${band.struck ? "struck: " : ""}${[band.point, band.leg].filter(Boolean).join(" \u00b7 ")}`;
    write(pen, shorten(pen, words, x1 - x0 - 8, { weight: 600 }), x0 + 4, lane.top + 13, { name: "ink", weight: 600 });
  });
}

function hatch(pen, x, y, width, height) {
  pen.save();
  pen.beginPath();
  pen.rect(x, y, width, height);
  pen.clip();
  for (let at = x - height; at < x + width; at += 7) rule(pen, at, y + height, at + height, y, "firm", [], 0.8);
  pen.restore();
}

function drawLine(pen, columns, lane, box, [low, high], ink) {
  const y = (v) => lane.top + lane.height - 6 - ((v - low) / (high - low)) * (lane.height - 26);
  drawColumns(pen, columns, box.left, y, { colour: ink });
}

function drawAxis(pen, box, t0, t1, bottom, at, all, width) {
  const wanted = (t1 - t0) / 1e6 / Math.max(2, (box.right - box.left) / 110);
  const step_us = (TIME_STEPS_S.find((s) => s >= wanted) ?? 3600) * 1e6;
  for (let t = Math.ceil(t0 / step_us) * step_us; t <= t1; t += step_us) {
    for (const { top, height } of all) rule(pen, at(t), top, at(t), top + height, "hair");
    const half = widthOf(pen, clock(t)) / 2;
    const last = Math.min(box.right + EDGE, width) - half;
    write(pen, clock(t), Math.min(Math.max(at(t), half), last), bottom + 15, { align: "center" });
  }
  rule(pen, box.left, bottom, box.right, bottom, "firm");
}

const nameWords = (series) => (series.probe ? `probe ${series.probe}` : series.instrument);
const spanWords = ([low, high], series) => (series.quantity === "output_on" ? "" : `${text(low, series.unit, 3)} to ${text(high, series.unit, 3)}`);

function measured(series, { step_us, first, count }) {
  const ring = rings.get(String(series.id));
  const shown = ring.columns(step_us, first, count);
  const ends = span(shown, series);
  return { series, columns: shown, ends, words: [nameWords(series), quantityWords(series.quantity), valueWords(ring.last().value, series), spanWords(ends, series)] };
}

// Room for the longest words beside the lanes; it only grows, so that the curves do not jump with every digit.
function besideWidth(pen, all, width) {
  const widths = all.flatMap(({ words }) => words.map((w, n) => widthOf(pen, w, [NAME, SMALL, VALUE, SMALL][n])));
  return Math.min(width * 0.4, Math.max(beside, Math.ceil(Math.max(96, ...widths)) + EDGE + 4));
}

function writeBeside(pen, [name, quantity, value, ends], lane, x) {
  write(pen, shorten(pen, name, beside - EDGE, NAME), x, lane.top + 14, NAME);
  write(pen, quantity, x, lane.top + 28, SMALL);
  write(pen, value, x, lane.top + 48, VALUE);
  write(pen, ends, x, lane.top + 64, SMALL);
}

function writeAbove(pen, [name, quantity, value, ends], lane, box) {
  const [first, second] = [lane.top - 20, lane.top - 5];
  write(pen, value, box.right, first, { ...VALUE, align: "right", weight: 600 });
  write(pen, shorten(pen, name, box.right - box.left - widthOf(pen, value, { size: 13, weight: 600 }) - 12, NAME), box.left, first, NAME);
  write(pen, quantity, box.left, second, SMALL);
  write(pen, ends, box.right, second, { ...SMALL, align: "right" });
}

// The columns of pixels stand on a grid of times: a curve then moves by whole pixels and keeps its shape.
function windowOf(box, now) {
  const count = Math.max(1, Math.floor(box.right - box.left));
  const step_us = (minutes * 60e6) / count;
  return { step_us, count, first: Math.floor(now / step_us) - count + 1 };
}

function measureAll(width, narrow, now) {
  const box = { left: narrow ? 2 : EDGE, right: width - (narrow ? 2 : beside) };
  const shown = windowOf(box, now);
  return { box, shown, all: lanes(now - minutes * 60e6).map((series) => measured(series, shown)) };
}

function draw() {
  if (!canvas?.isConnected) return;
  const now = now_us();
  const narrow = canvas.clientWidth < NARROW;
  const { head, plot } = narrow ? ABOVE : BESIDE;
  const bottom = Math.max(2, lanes(now - minutes * 60e6).length) * (head + plot);
  canvas.style.height = `${bottom + AXIS}px`;
  const { pen, width } = prepare(canvas);
  let { box, shown, all } = measureAll(width, narrow, now);
  const wanted = besideWidth(pen, all, width);
  if (!narrow && wanted !== beside) {
    beside = wanted;
    ({ box, shown, all } = measureAll(width, narrow, now));
  }
  const [t0, t1] = [shown.first * shown.step_us, (shown.first + shown.count) * shown.step_us];
  const at = (t) => box.left + ((t - t0) / (t1 - t0)) * shown.count;
  const laneOf = (n) => ({ top: n * (head + plot) + head, height: plot });
  all.forEach(({ series }, n) => { if (series.probe) drawBands(pen, series, laneOf(n), box, at); });
  drawAxis(pen, box, t0, t1, bottom, at, all.map((_, n) => laneOf(n)), width);
  if (!all.length) write(pen, "Nothing was read in this time.", box.left + 8, plot, { size: 14 });
  all.forEach((one, n) => drawLane(pen, one, n, laneOf(n), head, box));
  tellDrawn("trend", newest_us);
}

function drawLane(pen, { columns, ends, words }, n, lane, head, box) {
  if (n) rule(pen, box.left, lane.top - head, box.right, lane.top - head, head ? "firm" : "hair");
  drawLine(pen, columns, lane, box, ends, inkOf(n));
  if (head) writeAbove(pen, words, lane, box);
  else writeBeside(pen, words, lane, box.right + EDGE);
}

function describe() {
  const t0 = now_us() - minutes * 60e6;
  const words = lanes(t0).map((s) => `${nameWords(s)} ${quantityWords(s.quantity)} ${valueWords(rings.get(String(s.id)).last().value, s)}`);
  setText(summary, words.join("; ") || "Nothing was read in this time.");
}

export function startTrend() {
  const place = document.getElementById("trend");
  const pick = el("select", { id: "trend-minutes", "aria-label": "time shown", onchange: () => { minutes = Number(pick.value); keep("trend-minutes", pick.value); soon(); } }, ...[[0.5, "30 s"], [2, "2 min"], [5, "5 min"], [15, "15 min"], [30, "30 min"]].map(([n, words]) => el("option", { value: n, selected: n === minutes }, words)));
  canvas = el("canvas", { class: "trend-plot", role: "img", "aria-labelledby": "trend-words" });
  summary = el("span", { id: "trend-words", class: "unseen" });
  place.replaceChildren(el("div", { class: "tools" }, el("label", {}, "the last ", pick)), canvas, summary);
  const soon = gathered(draw);
  let session = null;
  let stays = "";
  hear("readings", (series) => { take(series); soon(); });
  hear("state", (state) => {
    const path = state.session?.path ?? null;
    const standing = JSON.stringify(state.probes.map((p) => [p.placement, p.point, p.state === "settled"]));
    if (path !== session) { session = path; rings.clear(); scales.clear(); placements = []; fetchBefore().then(soon); }
    else if (standing !== stays) fetchPlacements().then(soon);
    stays = standing;
    soon();
  });
  setInterval(() => { if (!document.hidden && bench.link.ok) soon(); }, 500);
  describe();
  setInterval(() => { if (!document.hidden) describe(); }, 5000);
  addEventListener("resize", soon);
  document.addEventListener("theme-turned", soon);
}
