// Speech and tones for somebody whose eyes are on the board: what has happened, and which point comes next.

import { hear } from "./link.js";
import { onKey } from "./keys.js";
import { missingWords } from "./kicks.js";
import { alteredSaid, phrase, pointSaid, valueSaid } from "./saying.js";
import { isOn, setting, speak, startSounds, tone, turn } from "./sounds.js";

const TOUCH_V = 60;
const heard = { settled: new Set(), kicks: new Set(), objections: new Set(), lost: new Set(), cautions: new Set(), storing: true };
let first = true;
let told = ""; // the point that was announced last
let lastWords = "";
let state = null;

const word = (name) => phrase(name, setting.language, setting.own);
const point = (p) => pointSaid(p.point, p.leg, setting.language, setting.own);
const keyOf = (stop) => (stop ? `${stop.point}|${stop.leg ?? ""}|${stop.mode ?? ""}` : "");
const cap = (text) => text[0].toUpperCase() + text.slice(1);

function valueWords({ settled, unit, quantity, resolution, accuracy }) {
  if (settled.overload || settled.value === null) return word(["ohm", "ohm_4w", "continuity_ohm", "diode_v"].includes(quantity) ? "open" : "over");
  // What the meter cannot tell from nothing is nothing.
  const nothing = Math.abs(settled.value) <= Math.max(settled.uncertainty ?? 0, resolution ?? 0, accuracy ?? 0);
  return valueSaid(nothing ? 0 : settled.value, unit, setting.language);
}

function settledWords(probe) {
  const { judgement } = probe;
  const known = judgement && judgement.verdict !== "not compared" ? judgement.verdict : "";
  const expected = known.includes("outside") && judgement.expected !== null ? `${word("expected")} ${valueSaid(judgement.expected, probe.unit, setting.language)}` : "";
  const why = probe.altered?.length ? `${word("no verdict")}, ${alteredSaid(probe.altered, setting.language, setting.own)}` : "";
  const mode = state.context.mode && state.context.mode !== "off" ? phrase(state.context.mode, setting.language, setting.own).toLowerCase() : "";
  return [point(probe), mode, valueWords(probe), known && word(known), expected, why].filter(Boolean).join(", ");
}

const printedHigh = (stop) => state.points.some((p) => p.name === stop.point && (p.leg ?? "") === (stop.leg ?? "") && Object.values(p.printed_v ?? {}).some((v) => Math.abs(v) > TOUCH_V));

function stopWords(stop) {
  const mode = stop.mode && stop.mode !== state.context.mode ? `${word("switch")} ${phrase(stop.mode, setting.language, setting.own).toLowerCase()}. ` : "";
  return `${cap(`${mode}${word("next")} ${point(stop)}.`)}${printedHigh(stop) ? ` ${word("touch")}` : ""}`;
}

// While the probe still rests on what was read, what comes after it; else what the next landing belongs to.
function comingWords(walk) {
  if (!walk) return "";
  if (walk.held) return `${cap(word("held"))}.`;
  const stop = walk.is_read ? walk.then : walk.here;
  if (stop) return stopWords(stop);
  return `${cap(word("last"))}.${walk.passed.length ? ` ${cap(word("passed"))}: ${walk.passed.join(", ")}.` : ""}`;
}

function once(set, key, act) {
  if (set.has(key)) return false;
  set.add(key);
  if (!first) act();
  return !first;
}

function newReadings() {
  const said = [];
  for (const probe of state.probes) {
    if (probe.state !== "settled" || !probe.settled || !probe.point) continue;
    once(heard.settled, `${probe.probe}|${probe.placement}`, () => {
      tone(probe.judgement?.verdict?.includes("outside") ? "outside" : "settled");
      const { walk } = probe;
      lastWords = settledWords(probe);
      const coming = walk?.is_read ? ` ${comingWords(walk)}` : "";
      if (coming) told = keyOf(walk.held ? walk.here : walk.then);
      said.push(lastWords + (coming ? `.${coming}` : ""));
    });
  }
  return said;
}

function newStops() {
  for (const { walk } of state.probes) {
    if (!walk) continue;
    const key = keyOf(walk.here);
    if (key === told || walk.is_read) continue;
    told = key;
    if (!first) speak(comingWords(walk));
  }
}

function newKicks() {
  for (const kick of state.switch_ons) {
    once(heard.kicks, `${kick.capture}|${kick.verdict}`, () => {
      if (kick.verdict === "missing") tone("missing");
      speak(kick.verdict === "missing" ? missingWords(kick) : `Switch-on at ${kick.point}: ${kick.verdict}.`, kick.verdict === "missing", "en");
    });
  }
}

function newObjections() {
  return state.objections.filter((o) => once(heard.objections, `${o.t_us}|${o.text}`, () => tone("urgent"))).map((o) => o.text);
}

function listen(now) {
  state = now;
  const objections = newObjections();
  // An objection may not cut off the value that it is about: what is older than both is.
  const readings = newReadings();
  readings.forEach((words, n) => speak(words, objections.length > 0 && n === 0));
  objections.forEach((words, n) => speak(words, !readings.length && n === 0, "en"));
  newStops();
  newKicks();
  listenToInstruments();
  newCautions();
  if (!state.storing.ok && heard.storing) { tone("urgent"); speak(`Storing has stopped. ${state.storing.why ?? ""}`, true, "en"); }
  heard.storing = state.storing.ok;
  first = false;
}

// What has to be answered before the job is closed is heard, wherever it was asked.
function newCautions() {
  const closing = state.cautions.find((c) => c.id === "closing" && c.due);
  if (!closing) return heard.cautions.clear();
  return once(heard.cautions, closing.text, () => { tone("urgent"); speak(closing.text, true, "en"); });
}

function listenToInstruments() {
  for (const { name, status } of state.instruments) {
    if (status === "lost") once(heard.lost, name, () => { tone("urgent"); speak(`${name} is lost.`, false, "en"); });
    else if (heard.lost.delete(name) && status === "ok") speak(`${name} is back.`, false, "en");
  }
}

export function sayAgain(probe) {
  speak([lastWords || word("lead"), comingWords(probe?.walk)].filter(Boolean).map((words) => words.replace(/\.$/, "")).join(". "));
}

export function startVoice() {
  startSounds();
  hear("state", listen);
  let answered = false;
  hear("link", (link) => {
    if (!link.ok && answered) { tone("urgent"); speak(`The ${link.who} does not answer.`, true, "en"); }
    answered = link.ok;
  });
  onKey("v", "voice and tones on or off", () => turn(!isOn()));
}
