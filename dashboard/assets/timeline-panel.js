// The opened placement: its words, its readings as a plot and a list, what was changed of it.

import { el, refill, setText } from "./dom.js";
import { axisWords, clock, steps } from "./numbers.js";
import { colour, prepare, rule, write } from "./paint.js";
import { fetchJson } from "./timeline-data.js";
import { splitAfter } from "./correct-time.js";
import { drawTrace, spanOf } from "./timeline-trace.js";

const NOTHING = "Press a placement on the axis, or n and b, to see its readings.";
const EDGES = { left: 66, right: 8 };
let stay = null;
let asked = 0;
const canvas = el("canvas", { class: "panel-plot", role: "img" });
const heading = el("h2", { id: "panel-heading", "aria-live": "polite" });
const facts = el("dl", { class: "facts" });
const changes = el("div", {});
const summary = el("summary", {});
const body = el("tbody", {});
const list = el("details", { class: "readings" }, summary, el("div", { class: "table-room", tabindex: 0, role: "region", "aria-label": "Readings of the placement" }, el("table", {}, el("thead", {}, el("tr", {}, ...["at", "value", "flags"].map((words) => el("th", { scope: "col" }, words)))), body)));

function drawStay() {
  if (!stay || !canvas.isConnected) return;
  const { pen, width, height } = prepare(canvas);
  const box = { left: EDGES.left, right: width - EDGES.right, top: 10, bottom: height - 38 };
  const points = { t: stay.points.map((p) => p[0]), low: stay.points.map((p) => p[1] ?? NaN), high: stay.points.map((p) => p[2] ?? NaN) };
  const n = points.t.length;
  const span = spanOf(points, [0, n], stay.unit);
  if (!span) return write(pen, n ? "No reading of this stay has a value." : "No reading was taken yet.", box.left, height / 2, { size: 13 });
  const [t0, t1] = [0, Math.max(points.t[n - 1], 0.001)];
  const at = (t) => box.left + ((t - t0) / (t1 - t0)) * (box.right - box.left);
  const [low, high] = span.ends;
  const y = (v) => box.bottom - ((v - low) / (high - low)) * (box.bottom - box.top);
  drawLimits(pen, box, y, low, high);
  const values = steps(low, high, 4);
  axisWords(values, stay.unit).forEach((words, k) => {
    rule(pen, box.left, y(values[k]), box.right, y(values[k]));
    write(pen, words, box.left - 6, y(values[k]), { align: "right", base: "middle", size: 12 });
  });
  for (const t of steps(t0, t1, Math.max(2, Math.floor(width / 110)))) write(pen, `${Number(t.toFixed(3))}`, at(t), box.bottom + 15, { align: "center", size: 12 });
  write(pen, "seconds since the placement began", box.left, box.bottom + 32, { size: 12 });
  rule(pen, box.left, box.bottom, box.right, box.bottom, "firm");
  return drawTrace(pen, points, 0, [0, n], box, at, span.ends, colour("series-1"), n < 160);
}

function drawLimits(pen, box, y, low, high) {
  if (stay.low === null || stay.high === null || stay.low > high || stay.high < low) return;
  const [top, bottom] = [Math.max(box.top, y(stay.high)), Math.min(box.bottom, y(stay.low))];
  pen.fillStyle = colour("band-even");
  pen.fillRect(box.left, top, box.right - box.left, bottom - top);
  write(pen, "permitted", box.right - 6, bottom - 6, { size: 12, align: "right" });
}

const change = ({ act, t_us, what, why, who, undone_by }) => el("li", {}, `${clock(t_us)} correction ${act}, ${who}. ${what}${why ? ` (${why})` : ""}${undone_by === null ? "" : `, taken back by correction ${undone_by}`}`);

function listWords() {
  const shown = stay.listed.length;
  if (stay.count === null) return `The last ${shown} readings as a table`;
  const all = stay.count === 1 ? "1 reading" : `${stay.count} readings`;
  return `${all} as a table${shown === stay.count ? "" : `, the last ${shown} of them`}`;
}

function show(place) {
  if (heading.parentElement !== place) {
    place.replaceChildren(heading, el("div", { class: "panel-two" }, el("div", { class: "panel-words" }, facts, changes), canvas), list);
    new ResizeObserver(drawStay).observe(canvas);
  }
  setText(heading, stay.heading);
  canvas.setAttribute("aria-label", `Readings of placement ${stay.placement}; the same as a table below`);
  refill(facts, stay.facts, () => stay.facts.map(([name, words]) => el("div", {}, el("dt", {}, name), el("dd", {}, words))));
  refill(changes, stay.history, () => (stay.history.length ? [el("h3", {}, "Changed afterwards"), el("ul", { class: "plain changes" }, ...stay.history.map(change))] : []));
  setText(summary, listWords());
  refill(body, stay.listed, () => stay.listed.map(([at, value, flags]) => el("tr", {}, el("td", {}, at), el("td", { class: "number" }, value), el("td", {}, flags))));
  drawStay();
}

// What correct.js starts from; `running` is the file of the session that may be corrected.
const forForm = (running) => JSON.stringify({ session: running, placement: stay.placement, struck: stay.struck, tags: stay.tags, t0_us: stay.t0_us, t1_us: stay.t1_us });

export function closePanel() {
  stay = null;
  const place = document.getElementById("timeline-panel");
  heading.remove();
  refill(place, "none", () => el("p", { class: "empty" }, NOTHING));
  delete place.dataset.shown;
  document.getElementById("timeline-correct").dataset.stay = "";
}

export async function showStay(session, running, placement) {
  asked += 1;
  const mine = asked;
  try {
    const found = await fetchJson("/stay", { session, placement });
    if (mine !== asked) return;
    stay = found;
    show(document.getElementById("timeline-panel"));
    document.getElementById("timeline-correct").dataset.stay = forForm(running);
  } catch (error) {
    if (mine !== asked) return;
    closePanel();
    document.getElementById("timeline-panel").replaceChildren(el("p", {}, error.message));
  }
}

// A press on the plot names the moment at which a stay is to be split.
canvas.addEventListener("click", ({ offsetX }) => {
  const length_s = stay?.points.at(-1)?.[0];
  const at_s = ((offsetX - EDGES.left) / (canvas.clientWidth - EDGES.left - EDGES.right)) * (length_s ?? 0);
  if (at_s > 0 && at_s < length_s) splitAfter(at_s);
});
document.addEventListener("theme-turned", drawStay);
