// The scope's screen as it came: both channels over one time axis.

import { columnsOf, drawColumns } from "./curve.js";
import { el, setText } from "./dom.js";
import { bench, hear, now_us } from "./link.js";
import { ago, axisWords, steps, text } from "./numbers.js";
import { inkOf, prepare, rule, write } from "./paint.js";
import { gathered, tellDrawn } from "./pace.js";

const ALONE = 230;
const LANE = 150;
const AXIS = 22;
const BEYOND = "larger than the screen: turn V/div up";

const traces = new Map();
let canvas = null;
let words = null;

const probeOf = (header) => bench.state?.probes.find((p) => p.instrument === header.instrument && p.channel === header.channel);

function nameOf(header) {
  const probe = probeOf(header);
  const point = probe?.point ? `, ${[probe.point, probe.leg].filter(Boolean).join(" \u00b7 ")}` : "";
  return `channel ${header.channel || "1"}${point}${header.clipped ? `, ${BEYOND}` : ""}`;
}

function spanOf({ lowest, highest }) {
  if (!(highest - lowest > 1e-4)) { const middle = Number.isFinite(lowest) ? (lowest + highest) / 2 : 0; return [middle - 0.05, middle + 0.05]; }
  const room = (highest - lowest) * 0.08;
  return [lowest - room, highest + room];
}

function extremes(volts) {
  let [lowest, highest] = [Infinity, -Infinity];
  for (const v of volts) { if (v < lowest) lowest = v; if (v > highest) highest = v; }
  return { lowest, highest };
}

// More samples than pixels become columns; fewer are joined by lines.
function drawTrace(pen, { volts }, ink, box, y) {
  const width = Math.floor(box.right - box.left);
  if (volts.length > width) return drawColumns(pen, columnsOf(volts, width), box.left, y, { colour: ink, thick: 1.4 });
  pen.save();
  pen.strokeStyle = ink;
  pen.lineWidth = 1.4;
  pen.beginPath();
  volts.forEach((v, n) => pen.lineTo(box.left + ((n + 0.5) / volts.length) * width, y(v)));
  pen.stroke();
  return pen.restore();
}

function drawVolts(pen, box, yOf, [low, high]) {
  const volts = steps(low, high, 4);
  axisWords(volts, "V").forEach((words, n) => {
    const y = yOf(volts[n]);
    rule(pen, box.left, y, box.right, y, volts[n] === 0 ? "firm" : "hair");
    write(pen, words, box.left - 6, y, { align: "right", base: "middle", size: 11 });
  });
}

function drawTimes(pen, box, length_s, height) {
  const times = steps(0, length_s, Math.max(3, (box.right - box.left) / 130));
  axisWords(times, "s").forEach((words, n) => {
    const x = box.left + (times[n] / length_s) * (box.right - box.left);
    rule(pen, x, box.top, x, height - AXIS, "hair");
    write(pen, words, Math.min(x, box.right - 14), height - 6, { align: n ? "center" : "left", size: 11 });
  });
}

// Each channel has a lane and a scale of its own: two noisy ones would else hide one another.
function drawLane(pen, one, n, box, length_s) {
  const [low, high] = spanOf(one);
  const y = (v) => box.bottom - ((v - low) / (high - low)) * (box.bottom - box.top);
  const own = { ...box, right: box.left + (box.right - box.left) * Math.min(1, lengthOf(one) / length_s) };
  if (n) rule(pen, 0, box.top - 13, box.right, box.top - 13, "firm");
  drawVolts(pen, box, y, [low, high]);
  drawTrace(pen, one, inkOf(n), own, y);
  write(pen, one.header.channel || "1", 0, box.top + 9, { name: "ink", weight: 700, size: 14 });
}

const lengthOf = ({ header }) => header.dt_s * header.n;
const endOf = ({ header }) => Math.round(header.t0_us + header.dt_s * header.n * 1e6);
const inOrder = () => [...traces.values()].sort((a, b) => a.header.channel.localeCompare(b.header.channel));

function draw() {
  if (!canvas?.isConnected) return;
  const all = inOrder();
  const lane = all.length > 1 ? LANE : ALONE - AXIS;
  canvas.style.height = `${Math.max(1, all.length) * lane + AXIS}px`;
  const { pen, width, height } = prepare(canvas);
  if (!all.length) return write(pen, "No trace yet.", 8, 24, { size: 14 });
  const length_s = Math.max(...all.map(lengthOf)) || 1;
  const across = { left: 62, right: width - 8 };
  drawTimes(pen, { ...across, top: 8 }, length_s, height);
  all.forEach((one, n) => drawLane(pen, one, n, { ...across, top: n * lane + 10, bottom: (n + 1) * lane - 8 }, length_s));
  tellDrawn("scope", Math.max(...all.map(endOf)));
  return null;
}

// What the mains has in it: twice its frequency is ripple, its own points to one diode of a bridge.
function humWords({ hum }) {
  if (!hum) return "";
  const at = (times) => `${(times * hum.mains_hz).toFixed(0)} Hz ${text(times === 1 ? hum.f_v : hum.two_f_v, "V", 2)}`;
  return `; rms at ${at(1)}, ${at(2)}`;
}

function describe() {
  const all = inOrder();
  if (!all.length) return;
  const old_s = (now_us() - Math.max(...all.map(({ header }) => header.t0_us + header.dt_s * header.n * 1e6))) / 1e6;
  const each = all.map(({ header, lowest, highest }, n) => el("span", { class: `line-${n + 1}` }, `${nameOf(header)}: ${text(lowest, "V", 3)} to ${text(highest, "V", 3)}${humWords(header)}`));
  words.replaceChildren(...each, el("span", { class: old_s > 5 ? "old" : "" }, old_s > 5 ? `last trace ${ago(old_s)} ago` : ""));
  canvas.setAttribute("aria-label", words.textContent);
}

export function startScope() {
  canvas = el("canvas", { class: "scope-plot", role: "img", "aria-label": "no trace yet" });
  words = el("p", { class: "legend" });
  document.getElementById("scope").replaceChildren(canvas, words);
  setText(words, "Waiting for a scope.");
  const soon = gathered(() => { draw(); describe(); });
  hear("trace", (header, volts) => { traces.set(`${header.instrument}|${header.channel}`, { header, volts, ...extremes(volts) }); soon(); });
  addEventListener("resize", soon);
  document.addEventListener("theme-turned", soon);
  setInterval(() => { if (!document.hidden) describe(); }, 2000);
  soon();
}
