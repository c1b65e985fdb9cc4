// The whole time axis on one canvas: lanes of readings with their placements, lanes of events, the clock.

import { colour, prepare, rule, SERIES, shorten, widthOf, write } from "./paint.js";
import { text } from "./numbers.js";
import { quantityWords } from "./readout.js";
import { BAND, barsOf, drawBars } from "./timeline-bands.js";
import { clusters, MARK_LANES } from "./timeline-lanes.js";
import { drawThumbnails } from "./timeline-kicks.js";
import { drawTrace, inView, spanOf } from "./timeline-trace.js";
import { timeMarks } from "./timeline-axis.js";

const NARROW = 620;
const GUTTER = 148;
const HEAD = 20;
const TRACE = 66;
const BARE = 22; // the name of a lane without placements
const GAP = 12;
const MARK = 26;
const KICK = 44;
const AXIS = 36;
const APART = 26;
const EMPTY = 52;
const FEW_POINTS = 240; // so few that each reading gets a dot

const SHORT = 3; // "1" or "A" alone would not say what it is
export const nameOf = (lane) => (lane.probe ? `${lane.probe.length <= SHORT ? "probe " : ""}${lane.probe}` : [lane.instrument, lane.channel].filter(Boolean).join(" "));

// Where each lane stands: the same at every zoom, so that nothing jumps.
export function layOut(lanes, marks, width) {
  const narrow = width < NARROW;
  const box = { left: narrow ? 1 : GUTTER, right: width - 1 };
  let top = lanes.length ? 4 : EMPTY;
  const rows = lanes.map((lane) => {
    const head = narrow ? HEAD : 0;
    const band = lane.placements.length ? BAND + 4 : 0;
    const above = band || (narrow ? 0 : BARE);
    const row = { lane, top, band: top + head, box: { ...box, top: top + head + above + 4, bottom: top + head + above + (lane.series === null ? 8 : TRACE) } };
    top = row.box.bottom + GAP;
    return row;
  });
  const kinds = MARK_LANES.filter((name) => marks.get(name).length).map((name) => {
    const row = { name, top: top + (narrow ? HEAD : 0), height: name === "switch-on" ? KICK : MARK };
    top = row.top + row.height;
    return row;
  });
  return { narrow, box, rows, kinds, bottom: top + 4, height: top + 4 + AXIS };
}

export const scaleOf = ({ left, right }, { t0, t1 }) => ({
  at: (t) => left + ((t - t0) / (t1 - t0)) * (right - left),
  time: (x) => t0 + ((x - left) / (right - left)) * (t1 - t0),
});

function writeHead(pen, { lane, top, band, box }, span, narrow) {
  const say = (value) => (lane.quantity === "output_on" ? (value ? "on" : "off") : text(value, lane.unit));
  const words = span ? [say(span.most), say(span.least)] : ["", ""];
  if (narrow) {
    const ends = span ? [...new Set([words[1], words[0]])].join(" to ") : "no reading here";
    write(pen, ends, box.right, top + 14, { align: "right" });
    const room = box.right - box.left - widthOf(pen, ends) - 12;
    write(pen, shorten(pen, [nameOf(lane), quantityWords(lane.quantity)].filter(Boolean).join(", "), room, { size: 12, weight: 600 }), box.left, top + 14, { name: "ink", size: 12, weight: 600 });
    return;
  }
  write(pen, shorten(pen, nameOf(lane), GUTTER - 12, { size: 13, weight: 600 }), 0, band + 15, { name: "ink", size: 13, weight: 600 });
  const under = lane.placements.length ? band + 31 : band + 62;
  write(pen, shorten(pen, quantityWords(lane.quantity), GUTTER - 12, { size: 12 }), 0, under, { size: 12 });
  if (lane.series === null) return;
  if (!span) return write(pen, "no reading here", box.left - 10, box.bottom, { align: "right", size: 12 });
  write(pen, words[0], box.left - 10, box.top + 8, { align: "right", name: "ink", size: 12 });
  if (words[1] !== words[0]) write(pen, words[1], box.left - 10, box.bottom, { align: "right", name: "ink", size: 12 });
}

function drawLane(pen, row, n, page, at) {
  const { lane, band, box } = row;
  const points = page.window.series.get(lane.series);
  const range = points ? inView(points, page.window.t0_us, page.view) : [0, 0];
  const span = points ? spanOf(points, range, lane.unit) : null;
  writeHead(pen, row, span, page.layout.narrow);
  rule(pen, box.left, box.bottom + GAP / 2, box.right, box.bottom + GAP / 2, "hair");
  row.bars = barsOf(lane, page.view, page.last_us, box, at, page.passes);
  const labelled = drawBars(pen, row.bars, band, page.looked);
  const said = { series: lane.series, top: box.top, bottom: box.bottom, bars: row.bars.length, labelled, places: placesOf(row) };
  if (!points) return { points: 0, ...said };
  const few = range[1] - range[0] <= FEW_POINTS && points.exact;
  const drawn = drawTrace(pen, points, page.window.t0_us, range, box, at, span?.ends ?? [0, 1], colour(SERIES[n % SERIES.length]), few);
  return { points: drawn, ...said, most: span?.most ?? null, least: span?.least ?? null };
}

// Where few bars stand, by number: [placement, x, y].
const placesOf = ({ bars, band }) => (bars.length > 40 ? [] : bars.map(({ placement, x0, x1 }) => [placement.id, Math.round((x0 + x1) / 2), band + 18]));

function drawMarks(pen, row, page, at) {
  const { box, narrow } = page.layout;
  const middle = row.top + row.height / 2;
  write(pen, row.name, narrow ? box.left : 0, narrow ? row.top - 5 : middle, { name: narrow ? "soft" : "ink", size: 12, base: narrow ? "alphabetic" : "middle" });
  rule(pen, box.left, row.top + row.height, box.right, row.top + row.height, "hair");
  row.clusters = clusters(page.marks.get(row.name), page.view, at, APART);
  const bad = (mark) => row.name === "objections" || mark.kick?.verdict === "missing";
  for (const { x0, x1, marks } of row.clusters) {
    const name = marks.some(bad) ? "bad" : "ink";
    const words = marks.length === 1 ? marks[0].sign : marks.length > 999 ? "999+" : String(marks.length);
    if (x1 - x0 > 2) rule(pen, x0, middle + 9, x1, middle + 9, name === "bad" ? "bad" : "firm", [], 2);
    const half = widthOf(pen, words, { size: 12, weight: 600 }) / 2;
    const x = Math.min(box.right - half, Math.max(box.left + half, (x0 + x1) / 2));
    write(pen, words, x, middle, { align: "center", base: "middle", name, size: marks.length === 1 ? 14 : 12, weight: marks.length === 1 ? 400 : 600 });
  }
  if (row.name === "switch-on") drawThumbnails(pen, row, page);
  return row.clusters.length;
}

function drawAxis(pen, { layout, view }, at) {
  const { box, bottom, rows, kinds } = layout;
  const marks = timeMarks(view, Math.max(2, Math.floor((box.right - box.left) / 92)));
  const tops = [...rows.map((row) => [row.box.top, row.box.bottom]), ...kinds.map((row) => [row.top, row.top + row.height])];
  const free = new Map();
  for (const { t, words, day } of marks) {
    const x = at(t);
    for (const [top, end] of tops) rule(pen, x, top, x, end, "hair");
    const put = (said, y, more) => {
      const half = widthOf(pen, said, { size: 12, ...more }) / 2;
      const middle = Math.min(Math.max(x, box.left + half), box.right - half);
      if (middle - half < (free.get(y) ?? -Infinity)) return;
      free.set(y, middle + half + 8);
      write(pen, said, middle, y, { align: "center", size: 12, ...more });
    };
    put(words, bottom + 14, { name: "ink" });
    if (day) put(day, bottom + 30, {});
  }
  rule(pen, box.left, bottom, box.right, bottom, "firm");
}

// Draws the page's state and says what was drawn.
export function draw(canvas, page) {
  const { pen } = prepare(canvas);
  const { at } = scaleOf(page.layout.box, page.view);
  drawAxis(pen, page, at);
  const lanes = page.layout.rows.map((row, n) => drawLane(pen, row, n, page, at));
  const marks = page.layout.kinds.map((row) => drawMarks(pen, row, page, at));
  if (!lanes.length) write(pen, "Nothing was measured in this session yet.", page.layout.box.left, 30, { size: 14 });
  return { lanes, marks };
}
