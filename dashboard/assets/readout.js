// What each probe is on and what it reads: the digits that are read from two metres.

import { el, refill, setClass, setText } from "./dom.js";
import { bench, hear, now_us } from "./link.js";
import { isBeyondScreen, isNoNumber, isOverload } from "./flags.js";
import { onKey } from "./keys.js";
import { ago, parts, text } from "./numbers.js";
import { gathered } from "./pace.js";
import { shape } from "./shapes.js";

const TOUCH_DC_V = 60;
const TOUCH_AC_V = 30;
const QUANTITY = {
  dc_v: "DC volts", ac_v: "AC volts", dc_a: "DC amperes", ac_a: "AC amperes", ohm: "ohms", ohm_4w: "ohms, 4 wires",
  continuity_ohm: "continuity", diode_v: "diode test", frequency_hz: "frequency", period_s: "period",
  capacitance_f: "capacitance", temperature_c: "temperature", ripple_vpp: "ripple, peak to peak",
  current_a: "supply current", mains_v: "mains", level_dbm: "level", output_on: "output",
};
const STATE_WORDS = { floating: "floating", settling: "settling", settled: "settled", lost: "instrument lost" };

export const quantityWords = (quantity) => QUANTITY[quantity] ?? quantity ?? "";
export const pointWords = (probe) => (probe.point ? [probe.point, probe.leg].filter(Boolean).join(" \u00b7 ") : "on nothing");

let chosen = null;
const live = new Map();
const faces = new Map();

export function chosenProbe() {
  const probes = bench.state?.probes ?? [];
  return probes.find((p) => p.probe === chosen) ?? probes[0] ?? null;
}

export function choose(name) {
  chosen = name;
  show();
  document.dispatchEvent(new CustomEvent("probe-chosen"));
}

const instrumentOf = (probe) => bench.state.instruments.find((i) => i.name === probe.instrument);

// Seconds since the last word of an instrument that should have spoken; null while it keeps time.
export function staleFor(instrument) {
  if (!instrument || instrument.status !== "ok" || !instrument.last_t_us) return null;
  const silent_s = (now_us() - instrument.last_t_us) / 1e6;
  return silent_s > Math.max(3, 4 * (instrument.poll_s ?? 0.5)) ? silent_s : null;
}

function newest(probe) {
  const heard = live.get(`${probe.probe}|${probe.quantity}`);
  return heard && heard.t_us >= (probe.t_us ?? 0) ? heard : { value: probe.value, flags: probe.flags ?? 0, t_us: probe.t_us };
}

function digitsOf(probe, reading) {
  if (probe.state === "lost") return { digits: "- - -", unit: "" };
  if (isBeyondScreen(reading.flags)) return { digits: "OVER", unit: "screen" };
  if (isOverload(reading.flags)) return { digits: "OVER", unit: "range" };
  if (isNoNumber(reading.flags) || reading.value === null || reading.value === undefined) return { digits: "- - -", unit: "" };
  return parts(reading.value, probe.unit);
}

function aboveTouchLimit(probe, reading) {
  if (probe.above_touch_limit) return true;
  const isDc = probe.quantity === "dc_v";
  if (!isDc && probe.quantity !== "ac_v") return false;
  const limit = isDc ? TOUCH_DC_V : TOUCH_AC_V;
  const point = bench.state.points.find((p) => p.name === probe.point && (p.leg ?? "") === (probe.leg ?? ""));
  const printed = isDc && point ? Object.values(point.printed_v ?? {}) : [];
  return [reading.value, probe.settled?.value, ...printed].some((v) => Math.abs(v ?? 0) > limit);
}

class Face {
  constructor(name) {
    this.key = el("kbd", {}, "");
    this.where = el("h3", { class: "where" });
    this.meter = el("p", { class: "meter" });
    this.digits = el("span", { class: "digits" });
    this.unit = el("span", { class: "unit" });
    this.mark = el("span", { class: "state-shape" });
    this.word = el("span", { class: "state-word" });
    this.beyond = el("span", { class: "beyond", hidden: true }, "Larger than the screen: turn V/div up.");
    this.kept = el("span", { class: "kept" });
    this.verdict = el("div", { class: "verdict" });
    this.scale = el("div", { class: "scale", "aria-hidden": "true" });
    this.compared = el("p", { class: "compared" });
    this.touch = el("p", { class: "touch unsaid" }, shape("warning"), el("strong", {}, "Above the touch limit. Clip on with power off."));
    this.pick = el("button", { type: "button", class: "pick", onclick: () => choose(name) }, "mark this one");
    this.root = el(
      "article",
      { class: "readout", "data-probe": name },
      el("header", {}, el("div", { class: "probe-name" }, `Probe ${name}`), this.where, this.meter, this.pick),
      el("div", { class: "glass" }, el("p", { class: "value" }, this.digits, this.unit), el("p", { class: "state" }, this.mark, this.word, this.beyond, this.kept)),
      el("div", { class: "judged" }, this.verdict, this.scale, this.compared),
      this.touch,
    );
  }

  show(probe, isChosen, several) {
    const reading = newest(probe);
    const stale_s = bench.link.ok ? staleFor(instrumentOf(probe)) : (now_us() - (reading.t_us ?? now_us())) / 1e6;
    const shown = digitsOf(probe, reading);
    const high = aboveTouchLimit(probe, reading);
    const state = stale_s === null ? probe.state : "lost";
    setClass(this.root, ["readout", isChosen ? "chosen" : "second", `is-${state}`, high ? "above-touch" : ""].filter(Boolean).join(" "));
    setText(this.where, pointWords(probe));
    setText(this.meter, [probe.instrument, quantityWords(probe.quantity)].filter(Boolean).join(", "));
    setText(this.digits, shown.digits);
    setClass(this.digits, shown.digits.length > 6 ? "digits long" : "digits");
    setText(this.unit, shown.unit);
    setClass(this.unit, shown.digits === "OVER" ? "unit word" : "unit");
    if (this.mark.dataset.word !== state) {
      this.mark.dataset.word = state;
      this.mark.replaceChildren(shape(state));
    }
    setText(this.word, stale_s === null ? STATE_WORDS[probe.state] ?? "" : `stale: ${ago(stale_s)} old`);
    this.beyond.hidden = probe.state === "lost" || !isBeyondScreen(reading.flags);
    this.kept.hidden = !this.beyond.hidden; // one line for both, so that nothing below it moves
    setText(this.kept, this.keptWords(probe));
    this.showJudgement(probe, reading);
    setClass(this.touch, high ? "touch" : "touch unsaid");
    this.pick.hidden = isChosen || !several;
  }

  keptWords(probe) {
    const kept = probe.settled;
    if (!kept) return probe.state === "floating" ? "not kept" : "";
    if (kept.overload || kept.value === null) return `kept as beyond the range, from ${kept.count} readings`;
    const spread = kept.uncertainty ? ` \u00b1 ${text(kept.uncertainty, probe.unit, 2)}` : "";
    return `kept ${text(kept.value, probe.unit)}${spread} from ${kept.count} readings`;
  }

  showJudgement(probe, reading) {
    const judged = probe.judgement;
    refill(this.verdict, [judged, probe.unit, probe.point], () => verdictParts(judged, probe));
    setText(this.compared, judged?.compared_with ?? notComparedWords(probe));
    if (this.compared.title !== this.compared.textContent) this.compared.title = this.compared.textContent;
    const value = isBeyondScreen(reading.flags) ? null : reading.value;
    refill(this.scale, [judged?.low, judged?.high, value], () => scaleParts(judged, value, probe.unit));
  }
}

// Room is kept for a verdict, and an empty room says what it waits for.
function notComparedWords(probe) {
  if (probe.state === "lost") return "";
  return probe.point ? "Compared with the drawing once it has settled." : "Not on a named point: nothing to compare with.";
}

function verdictParts(judged, probe) {
  if (!probe.point || !judged) return [];
  if (judged.verdict === "not compared") {
    return [el("p", { class: "verdict-word is-not-compared" }, shape("not compared"), "not compared")];
  }
  const name = judged.verdict.replace(" ", "-");
  return [
    el("p", { class: `verdict-word is-${name}` }, shape(judged.verdict), judged.verdict),
    el("p", { class: "expected" }, "expected ", el("b", {}, text(judged.expected, probe.unit)), el("span", { class: "limits" }, `${text(judged.low, probe.unit)} to ${text(judged.high, probe.unit)}`)),
  ];
}

// A rule with the permitted band in its middle third and a pointer at the reading.
function scaleParts(judged, value, unit) {
  if (!judged || judged.low === null || judged.low === undefined || judged.high <= judged.low) return [];
  const width = judged.high - judged.low;
  const place = value === null || value === undefined ? null : 100 * ((value - judged.low) / width + 1) / 3;
  const held = place === null ? null : Math.min(98, Math.max(2, place));
  const beyond = place === null || place === held ? "" : place < held ? "below" : "above";
  return [
    el("div", { class: "scale-band" }),
    el("div", { class: "scale-expected" }),
    held === null ? null : el("div", { class: `scale-pointer ${beyond}`, style: `left:${held}%` }),
    el("span", { class: "scale-low" }, text(judged.low, unit)),
    el("span", { class: "scale-high" }, text(judged.high, unit)),
  ];
}

function show() {
  const state = bench.state;
  if (!state) return;
  const mine = chosenProbe();
  const place = document.getElementById("readouts");
  const order = state.probes.map((p) => p.probe);
  refill(place, [order, mine?.probe], () => {
    if (!order.length) return el("p", { class: "empty" }, "No probe yet. An instrument with a ", el("code", {}, "probe"), " name in the bench file appears here.");
    order.forEach((name) => faces.has(name) || faces.set(name, new Face(name)));
    return [mine.probe, ...order.filter((name) => name !== mine.probe)].map((name) => faces.get(name).root);
  });
  state.probes.forEach((p) => faces.get(p.probe)?.show(p, p.probe === mine.probe, order.length > 1));
}

function takeReadings(series) {
  for (const [id, rows] of Object.entries(series)) {
    const about = bench.state?.series.find((s) => String(s.id) === id);
    const last = rows.at(-1);
    if (!last || !about?.probe) continue;
    live.set(`${about.probe}|${about.quantity}`, { t_us: last[0], value: last[1], flags: last[2] ?? 0 });
  }
}

function chooseNext() {
  const names = (bench.state?.probes ?? []).map((p) => p.probe);
  if (names.length > 1) choose(names[(names.indexOf(chosenProbe().probe) + 1) % names.length]);
}

export function startReadouts() {
  const soon = gathered(show);
  hear("state", soon);
  hear("link", soon);
  hear("readings", (series) => { takeReadings(series); soon(); });
  setInterval(soon, 1000);
  onKey("g", "the other probe", chooseNext);
  document.getElementById("readouts").replaceChildren(el("p", { class: "empty" }, "Waiting for the daemon\u2026"));
}

export const toProbe = () => {
  const probe = chosenProbe();
  return probe && bench.state.probes.length > 1 ? { probe: probe.probe } : {};
};
