// Mouse and finger on the time axis: drag moves, Ctrl and wheel or two fingers zoom, resting tells, a press opens.

import { el } from "./dom.js";
import { text } from "./numbers.js";
import { barsAt, verdictWords } from "./timeline-bands.js";
import { dayWords, momentWords } from "./timeline-axis.js";
import { canvas, lookAt, page, scale, zoomToMoment } from "./timeline-plot.js";
import { nearest } from "./timeline-trace.js";
import { around, zoomed } from "./timeline-view.js";

const CLICK_PX = 5;
const NEAR_PX = 14;
const CLOSER = 0.2;
const tip = el("div", { class: "timeline-tip", hidden: true, "aria-hidden": "true" });
const hair = el("div", { class: "timeline-hair", hidden: true });
const pointers = new Map();
let begun = null;

const placeOf = (event) => {
  const box = canvas.getBoundingClientRect();
  return { x: event.clientX - box.left, y: event.clientY - box.top };
};
const rowAt = (y) => page.layout.rows.find((row) => y >= row.top && y < row.box.bottom + 6);
const kindAt = (y) => page.layout.kinds.find((row) => y >= row.top && y < row.top + row.height);

// What is under a place: bars, a cluster of marks, or a lane of readings.
function under({ x, y }) {
  const row = rowAt(y);
  if (row && y < row.box.top - 2) return { bars: barsAt(row.bars ?? [], x) };
  if (row) return { row };
  const cluster = kindAt(y)?.clusters?.find((c) => x >= c.x0 - NEAR_PX / 2 && x <= c.x1 + NEAR_PX / 2);
  return cluster ? { cluster } : {};
}

const step = () => { const span = page.view.t1 - page.view.t0; return span < 2e6 ? 1000 : 1e6; };
const placementWords = (p) => [p.place, p.reads, verdictWords(p), `probe ${p.probe}`, p.mode, p.condition, p.hypothesis ? `testing: ${p.hypothesis}` : ""].filter(Boolean);

function readingWords(row, x) {
  const { time } = scale();
  const win = [page.window, page.all].find((w) => w?.series.get(row.lane.series) && w.t0_us <= time(x) && w.t1_us >= time(x));
  const points = win?.series.get(row.lane.series);
  const n = points ? nearest(points, win.t0_us, time(x), ((page.view.t1 - page.view.t0) * NEAR_PX) / canvas.clientWidth) : null;
  if (n === null) return [momentWords(time(x), step())];
  const [low, high] = [points.low[n], points.high[n]];
  const value = Number.isNaN(low) ? "no value: over the range, or no number" : low === high ? text(low, row.lane.unit, 6) : `${text(low, row.lane.unit, 5)} to ${text(high, row.lane.unit, 5)}`;
  return [value, `${dayWords(points.t[n] + win.t0_us)} ${momentWords(points.t[n] + win.t0_us, step())}`];
}

function tipWords(found, x) {
  if (found.bars?.length) return [...placementWords(found.bars[0].placement), found.bars.length > 1 ? `and ${found.bars.length - 1} more here: press to zoom in` : ""];
  if (found.row) return readingWords(found.row, x);
  if (found.cluster) {
    const { marks } = found.cluster;
    const told = marks.slice(0, 4).map((mark) => `${momentWords(mark.t_us)} ${mark.words}`);
    return [...told, marks.length > 4 ? `and ${marks.length - 4} more: press to zoom in` : ""];
  }
  return [];
}

function showTip(at) {
  const said = tipWords(under(at), at.x).filter(Boolean);
  const inside = at.x >= page.layout.box.left;
  hair.hidden = !inside;
  hair.style.left = `${at.x}px`;
  hair.style.height = `${page.layout.bottom}px`;
  tip.hidden = !said.length || !inside;
  if (tip.hidden) return;
  tip.replaceChildren(...said.map((words, n) => el("div", { class: n ? "" : "first" }, words)));
  const room = canvas.clientWidth;
  tip.style.left = `${Math.max(0, Math.min(at.x + 14, room - tip.offsetWidth - 4))}px`;
  tip.style.top = `${at.y + 18}px`;
}

function pressed(at, open) {
  const found = under(at);
  const { time } = scale();
  if (found.bars?.length > 1) return lookAt(zoomed(page.view, CLOSER, time(at.x)));
  if (found.bars?.length) return open({ placement: found.bars[0].placement.id });
  if (found.cluster?.marks.length > 1) return lookAt(around(found.cluster.marks[0].t_us, found.cluster.marks.at(-1).t_us));
  const mark = found.cluster?.marks[0];
  if (mark?.event?.placement) return open({ placement: mark.event.placement });
  if (mark && page.view.t1 - page.view.t0 > 120e6) return zoomToMoment(mark.t_us);
  return null;
}

const middleOf = () => { const all = [...pointers.values()]; return all.reduce((sum, p) => sum + p.x, 0) / all.length; };
const spread = () => { const [a, b] = [...pointers.values()]; return Math.max(12, Math.abs(a.x - b.x)); };

function begin() {
  const { time } = scale();
  begun = { view: page.view, x: middleOf(), time: time(middleOf()), spread: pointers.size > 1 ? spread() : 0 };
}

function drag() {
  const { view } = begun;
  const factor = begun.spread ? begun.spread / spread() : 1;
  const { left, right } = page.layout.box;
  const t0 = begun.time - ((middleOf() - left) / (right - left)) * (view.t1 - view.t0) * factor;
  lookAt({ t0, t1: t0 + (view.t1 - view.t0) * factor });
}

function wheeled(event) {
  const { time } = scale();
  if (event.ctrlKey || event.metaKey) {
    event.preventDefault();
    lookAt(zoomed(page.view, Math.exp(Math.max(-80, Math.min(80, event.deltaY)) * 0.006), time(placeOf(event).x)));
  } else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
    event.preventDefault();
    const by = (event.deltaX / canvas.clientWidth) * (page.view.t1 - page.view.t0);
    lookAt({ t0: page.view.t0 + by, t1: page.view.t1 + by });
  }
}

const hide = () => { tip.hidden = true; hair.hidden = true; };

export function startPointer(open) {
  canvas.parentElement.append(hair, tip);
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button || !page.view) return;
    canvas.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, placeOf(event));
    begin();
    begun.press = placeOf(event);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!page.view || !page.layout) return;
    if (!pointers.has(event.pointerId)) return showTip(placeOf(event));
    pointers.set(event.pointerId, placeOf(event));
    const { x } = placeOf(event);
    if (begun.press && pointers.size === 1 && Math.abs(x - begun.press.x) < CLICK_PX) return;
    begun.press = null;
    hide();
    drag();
  });
  const ended = (event) => {
    if (!pointers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && begun.press) pressed(placeOf(event), open);
    if (pointers.size) begin();
  };
  canvas.addEventListener("pointerup", ended);
  canvas.addEventListener("pointercancel", ended);
  canvas.addEventListener("pointerleave", hide);
  canvas.addEventListener("dblclick", (event) => { if (!under(placeOf(event)).bars?.length) lookAt(zoomed(page.view, CLOSER, scale().time(placeOf(event).x))); });
  canvas.addEventListener("wheel", (event) => { if (page.view) wheeled(event); }, { passive: false });
}
