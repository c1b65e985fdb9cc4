// Switch-on verdicts: one drawing a watched point, and the banner that cannot be overlooked.

import { el, refill } from "./dom.js";
import { howJudged } from "./kick-opened.js";
import { bench, hear, say } from "./link.js";
import { axisWords, clock, steps } from "./numbers.js";
import { colour, prepare, rule, write } from "./paint.js";
import { gathered } from "./pace.js";
import { shape } from "./shapes.js";

const traces = new Map();

const percent = (ratio) => `${(100 * ratio).toFixed(Math.abs(ratio) < 0.1 ? 1 : 0)} %`;

export function missingWords(kick) {
  const size = kick.ratio === null || kick.ratio === undefined ? "nothing above the noise" : `${percent(kick.ratio)} of the reference`;
  return `No kick at ${kick.point}: ${size}. The stage may be unpowered: probe its supply.`;
}

function verdictLine(kick) {
  const size = kick.ratio === null || kick.ratio === undefined ? "" : `, ${percent(kick.ratio)} of the reference`;
  const also = kick.also?.length ? `; also ${[kick.also].flat().join(", ")}` : "";
  return `${kick.verdict}${size}${also}`;
}

async function fetchTrace(number) {
  if (number === null || number === undefined) return null;
  if (!traces.has(number)) {
    traces.set(number, fetch(`/capture?number=${number}`).then((answer) => (answer.ok ? answer.json() : null)).catch(() => null));
  }
  const trace = await traces.get(number);
  if (!trace) traces.delete(number);
  return trace;
}

// Lowest and highest of each stretch, as the route gives them: [t_s, low_v, high_v].
function stroke(pen, rows, at, name, dash, thick) {
  pen.save();
  pen.strokeStyle = colour(name);
  pen.lineWidth = thick;
  pen.setLineDash(dash);
  pen.lineJoin = "round";
  pen.beginPath();
  rows.forEach(([t_s, low_v, high_v], n) => {
    const [x, y0] = at(t_s, low_v);
    const [, y1] = at(t_s, high_v);
    if (n) pen.lineTo(x, y1);
    else pen.moveTo(x, y1);
    if (low_v !== high_v) pen.lineTo(x, y0);
  });
  pen.stroke();
  pen.restore();
}

function drawKick(canvas, kick, trace, reference) {
  const { pen, width, height } = prepare(canvas);
  const both = [trace, reference].filter(Boolean);
  if (!both.length) return write(pen, "the capture cannot be read", width / 2, height / 2, { align: "center" });
  const rows = both.flatMap((one) => one.rows);
  const span = (column, pick) => rows.reduce((best, r) => pick(best, r[column]), rows[0][column]);
  let [low, high] = [span(1, Math.min), span(2, Math.max)];
  if (high - low < 1e-6) [low, high] = [low - 0.5, high + 0.5];
  const [t0, t1] = [span(0, Math.min), span(0, Math.max)];
  const box = { left: 46, right: width - 6, top: 8, bottom: height - 20 };
  const at = (t, v) => [box.left + ((t - t0) / (t1 - t0 || 1)) * (box.right - box.left), box.bottom - ((v - low) / (high - low)) * (box.bottom - box.top)];
  const volts = steps(low, high, 4);
  axisWords(volts, "V").forEach((words, n) => {
    const y = at(t0, volts[n])[1];
    rule(pen, box.left, y, box.right, y, volts[n] === 0 ? "firm" : "hair");
    write(pen, words, box.left - 5, y, { align: "right", base: "middle", size: 10 });
  });
  for (const t of steps(t0, t1, 5)) write(pen, `${Number(t.toFixed(3))} s`, at(t, low)[0], height - 5, { align: "center", size: 10 });
  if (t0 < 0 && t1 > 0) rule(pen, at(0, low)[0], box.top, at(0, low)[0], box.bottom, "firm", [2, 3]);
  if (reference) stroke(pen, reference.rows, at, "series-4", [6, 4], 1.6);
  if (trace) stroke(pen, trace.rows, at, "series-1", [], 1.8);
  return null;
}

async function draw(canvas, kick) {
  const [trace, reference] = await Promise.all([fetchTrace(kick.capture), fetchTrace(kick.reference)]);
  if (canvas.isConnected) drawKick(canvas, kick, trace, reference);
}

function card(kick) {
  const canvas = el("canvas", { class: "kick-plot", role: "img", "aria-label": `Switch-on at ${kick.point}: ${verdictLine(kick)}` });
  requestAnimationFrame(() => draw(canvas, kick));
  const alarm = kick.verdict === "missing";
  return el(
    "article",
    { class: `kick kick-${kick.verdict.replaceAll(" ", "-")}` },
    el("header", {}, el("h3", {}, kick.point), el("span", { class: "kick-mode" }, [kick.mode, clock(kick.t_us)].filter(Boolean).join(", "))),
    el("p", { class: "kick-verdict" }, shape(alarm ? "missing" : kick.verdict === "same" ? "good" : "warning"), verdictLine(kick)),
    canvas,
    el("p", { class: "legend" }, el("span", { class: "line-now" }, "this switch-on"), kick.reference ? el("span", { class: "line-reference" }, "reference") : "no reference yet"),
    el("p", { class: "why" }, kick.why ?? ""),
    howJudged(kick),
    keepButton(kick),
  );
}

const NOTHING_TO_KEEP = new Set(["not observed", "missing"]);
const kept = new Set();

async function keepReference(capture) {
  const answer = await say({ command: "reference", capture });
  if (answer.error) return;
  kept.add(capture);
  redraw();
}

// What is like the reference can renew it; what has none yet may become it, if the person knows the unit healthy.
function keepButton(kick) {
  const hasReference = kick.reference !== null && kick.reference !== undefined;
  const fit = hasReference ? kick.verdict === "same" : !NOTHING_TO_KEEP.has(kick.verdict);
  if (kick.capture === null || kick.capture === undefined || !fit) return null;
  if (kept.has(kick.capture)) return el("p", { class: "kept-reference" }, shape("good"), "kept as the healthy reference");
  return el("button", { type: "button", class: "press", "data-key": `keep-${kick.capture}`, onclick: () => keepReference(kick.capture) }, "keep as the healthy reference");
}

const seen = new Set();

function banner(kick) {
  const open = () => say({ command: "hypothesis", hypothesis: `stage at ${kick.point} is unpowered`, kill: "its supply reads inside" });
  const fold = () => { seen.add(`${kick.capture}|${kick.verdict}`); showBanner(); };
  return el(
    "div",
    { class: "alarm alarm-missing", role: "alert" },
    shape("missing"),
    el("p", {}, el("strong", {}, missingWords(kick)), el("span", {}, `Switch-on of ${clock(kick.t_us)}${kick.mode ? `, ${kick.mode}` : ""}. ${kick.why ?? ""}`)),
    el("div", { class: "alarm-acts" }, el("button", { type: "button", class: "press strong", "data-key": `open-${kick.capture}`, onclick: open }, "open hypothesis"), el("button", { type: "button", class: "press", "data-key": `seen-${kick.capture}`, onclick: fold }, "seen")),
  );
}

function showBanner() {
  const place = document.getElementById("alarm-missing");
  const missing = (bench.state?.switch_ons ?? []).filter((kick) => kick.verdict === "missing" && !seen.has(`${kick.capture}|${kick.verdict}`));
  refill(place, missing, () => missing.map(banner));
}

function show(state) {
  showBanner();
  const place = document.getElementById("kicks");
  refill(place, [state.switch_ons, document.documentElement.dataset.theme], () => (state.switch_ons.length ? state.switch_ons.map(card) : el("p", { class: "empty" }, "No switch-on was caught yet. Put the scope on an output and switch the unit on.")));
}

function redraw() {
  const place = document.getElementById("kicks");
  delete place.dataset.shown;
  if (bench.state) show(bench.state);
}

export function startKicks() {
  document.getElementById("alarms").append(el("div", { id: "alarm-missing" }));
  hear("state", gathered(() => show(bench.state)));
  document.addEventListener("theme-turned", redraw);
  addEventListener("resize", redraw);
}
