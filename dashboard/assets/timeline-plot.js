// The time axis as something to handle: what is looked at, how it is moved and zoomed, and what it is drawn from.

import { el, setText } from "./dom.js";
import { extended, fetchWindow } from "./timeline-data.js";
import { draw, layOut, scaleOf } from "./timeline-draw.js";
import { endOf, lanesOf, marksOf } from "./timeline-lanes.js";
import { dayWords, momentWords } from "./timeline-axis.js";
import { around, held, isWhole, lengthWords } from "./timeline-view.js";

const MARGIN = 0.03;
const MOST_COLUMNS = 2000;
const canvas = el("canvas", { class: "timeline-canvas", role: "img", tabindex: 0, "aria-labelledby": "timeline-words" });
const words = el("p", { id: "timeline-words", class: "timeline-words" });
const where = el("div", { class: "timeline-where", "aria-hidden": "true" }, el("div", {}));
let listener = () => {};
let waiting = false;
let asking = null; // the view that is being fetched
let failed = null; // the view that could not be
let trouble = () => {};

export const page = { story: null, session: "", view: null, whole: null, window: null, all: null, looked: null, passes: () => true, redraw: () => soon() };
export { canvas };
export const scale = () => scaleOf(page.layout.box, page.view);
export const whenViewed = (told) => { listener = told; };
export const onTrouble = (told) => { trouble = told; };

function soon() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; paint(); });
}

const covers = (win, view) => Boolean(win) && win.t0_us <= view.t0 + 1 && win.t1_us >= view.t1 - 1;
const isFine = (win, view) => covers(win, view) && win.t1_us - win.t0_us <= (view.t1 - view.t0) * MOST_GROWN + 2 && win.columns >= Math.min(MOST_COLUMNS, columns() / (1 + 2 * MARGIN));
const LATE_US = 5e6; // a reading is in the file at the latest so long after it was taken
const MOST_GROWN = 1.25;

// What only its newest end is missing of: a running session that is followed.
function isBehind(win, view) {
  const span = view.t1 - view.t0;
  const most = Math.max(0, ...[...(win?.series.values() ?? [])].map(({ t }) => t.length));
  return Boolean(win) && win.t0_us <= view.t0 + 1 && win.t1_us < view.t1 && view.t1 - win.t1_us < span / 4 && view.t1 - win.t0_us <= span * MOST_GROWN && most <= win.columns * MOST_GROWN;
}

const columns = () => Math.min(MOST_COLUMNS, Math.max(200, Math.round((canvas.clientWidth - 1) * (1 + 2 * MARGIN))));

// The finest of what is at hand that covers the view; the whole stands in until the window has come.
const best = () => [page.window, page.all].filter((win) => covers(win, page.view)).sort((a, b) => (a.t1_us - a.t0_us) - (b.t1_us - b.t0_us))[0] ?? page.all;

function paint() {
  if (!canvas.isConnected || !page.view) return;
  const width = canvas.clientWidth;
  if (page.layoutFor !== `${width}|${page.lanesMark}`) {
    page.layout = layOut(page.lanes, page.marks, width);
    page.layoutFor = `${width}|${page.lanesMark}`;
    canvas.style.height = `${page.layout.height}px`;
  }
  const began = performance.now();
  const fine = isFine(page.window, page.view) ? page.window : isFine(page.all, page.view) ? page.all : null;
  const source = fine ?? best();
  const drawn = draw(canvas, { ...page, window: source, fine: Boolean(fine) });
  sayWhere(drawn);
  const done = performance.now();
  canvas.dataset.drawn = JSON.stringify({ session: page.session, ...page.view, ...page.layout.box, fine: Boolean(fine), at_ms: done, took_ms: done - began, bytes: source.bytes, ...drawn });
  if (!fine) refine();
}

const counted = (n, one) => `${n.toLocaleString("en-GB")} ${one}${n === 1 ? "" : "s"}`;

function sayWhere({ lanes, marks }) {
  const { t0, t1 } = page.view;
  const step = t1 - t0 < 2e6 ? 1000 : t1 - t0 < 7200e6 ? 1e6 : 60e6;
  const day = dayWords(t0) === dayWords(t1) ? "" : `${dayWords(t1)} `;
  const bars = lanes.reduce((sum, lane) => sum + lane.bars, 0);
  const happened = page.layout.kinds.reduce((sum, row) => sum + row.clusters.reduce((n, c) => n + c.marks.length, 0), 0);
  const few = bars > 0 && lanes.every((lane) => !lane.labelled) ? ": zoom in to read them" : "";
  setText(words, `${dayWords(t0)} ${momentWords(t0, step)} to ${day}${momentWords(t1, step)}, ${lengthWords(t1 - t0)}. ${counted(bars, "placement")}${few}, ${counted(happened, "mark")}.`);
  const room = page.whole.t1 - page.whole.t0;
  where.firstChild.style.left = `${(100 * (t0 - page.whole.t0)) / room}%`;
  where.firstChild.style.width = `${(100 * (t1 - t0)) / room}%`;
  where.hidden = isWhole(page.view, page.whole);
  return marks;
}

async function windowOf(session, view, wide) {
  const behind = [page.window, page.all].find((win) => isBehind(win, view));
  if (!behind) {
    const asked = columns();
    return { ...await fetchWindow(session, wide, asked), columns: asked };
  }
  const end = { t0: behind.t1_us - LATE_US, t1: wide.t1 };
  const share = (end.t1 - end.t0) / (behind.t1_us - behind.t0_us);
  return extended(behind, await fetchWindow(session, end, Math.max(8, Math.round(behind.columns * share))));
}

// One window is asked for at a time; what was moved to meanwhile is asked for after it.
async function refine() {
  const view = page.view;
  if (asking || failed === view) return;
  asking = view;
  const { session } = page;
  const margin = (view.t1 - view.t0) * MARGIN;
  const wide = { t0: Math.max(page.whole.t0, view.t0 - margin), t1: Math.min(page.whole.t1, view.t1 + margin) };
  try {
    const found = await windowOf(session, view, wide);
    if (session === page.session) page.window = found;
    trouble("");
  } catch (error) {
    failed = view;
    trouble(error.message);
  }
  asking = null;
  soon();
}

export function lookAt(view) {
  page.view = held(view, page.whole);
  soon();
  listener();
}

export function showPlacement(placement) {
  const [t0, t1] = [placement.t0_us, endOf(placement, page.last_us)];
  const span = page.view.t1 - page.view.t0;
  if (t1 > page.view.t0 && t0 < page.view.t1) return soon();
  const middle = (t0 + t1) / 2;
  return lookAt(t1 - t0 > span ? around(t0, t1) : { t0: middle - span / 2, t1: middle + span / 2 });
}

export const zoomToPlacement = (placement) => lookAt(around(placement.t0_us, endOf(placement, page.last_us)));
export const zoomToMoment = (t_us, half_us = 30e6) => lookAt({ t0: t_us - half_us, t1: t_us + half_us });

function take(story) {
  page.story = story;
  page.last_us = story.now_us ?? story.t1_us;
  page.whole = { t0: story.t0_us, t1: Math.max(story.t1_us, story.t0_us + 1000) };
  page.lanes = lanesOf(story);
  page.marks = marksOf(story);
  page.lanesMark = JSON.stringify([story.session, page.lanes.map((lane) => [lane.series, lane.probe, lane.placements.length > 0]), [...page.marks].map(([, marks]) => marks.length > 0)]);
}

// A session newly chosen, with the window of all of it.
export function open(story, all) {
  take(story);
  Object.assign(page, { session: story.session, looked: null, window: null, all: { ...all, columns: columns() }, view: { ...page.whole } });
  [failed, page.layoutFor] = [null, null];
  soon();
}

// The same session a little later: whoever looks at its end goes on with it, nobody else is moved.
export function grow(story) {
  const [was, follows] = [page.whole, page.view.t1 >= page.whole.t1];
  take(story);
  const by = page.whole.t1 - was.t1;
  if (follows) page.view = isWhole(page.view, was) ? { ...page.whole } : { t0: page.view.t0 + by, t1: page.view.t1 + by };
  soon();
}

export const columnsWanted = columns;
export const retry = () => { failed = null; soon(); };

export function startPlot(place, tools) {
  place.replaceChildren(tools, where, el("div", { class: "timeline-stage" }, canvas), words);
  where.addEventListener("click", ({ clientX }) => {
    const { left, width } = where.getBoundingClientRect();
    const middle = page.whole.t0 + ((clientX - left) / width) * (page.whole.t1 - page.whole.t0);
    const half = (page.view.t1 - page.view.t0) / 2;
    lookAt({ t0: middle - half, t1: middle + half });
  });
  new ResizeObserver(soon).observe(canvas);
  document.addEventListener("theme-turned", soon);
}
