// Speech and tones for somebody whose eyes are on the board.

import { hear } from "./link.js";
import { spoken } from "./numbers.js";
import { keep, onKey, stored } from "./keys.js";
import { missingWords } from "./kicks.js";

const TONES = {
  inside: [[880, 0, 0.09]],
  outside: [[660, 0, 0.1], [440, 0.12, 0.16]],
  missing: [[330, 0, 0.18], [330, 0.26, 0.18], [247, 0.52, 0.4]],
  alarm: [[740, 0, 0.12], [740, 0.18, 0.12], [740, 0.36, 0.12]],
};
const LEGS = { B: "base", C: "collector", E: "emitter", G: "gate", D: "drain", S: "source", A: "anode", K: "cathode" };

let audio = null;
let on = stored("voice", "on") === "on";

// What was or would have been said, newest last: for tests, and for machines without a voice.
window.probetrail = { said: [], tones: [] };

export const isOn = () => on;

function wake() {
  const Context = window.AudioContext ?? window.webkitAudioContext;
  if (Context) audio ??= new Context();
  audio?.resume();
}

export function tone(name) {
  if (!on) return;
  window.probetrail.tones.push(name);
  if (!audio || audio.state !== "running") return;
  for (const [hertz, begin_s, length_s] of TONES[name]) {
    const source = audio.createOscillator();
    const gain = audio.createGain();
    const at = audio.currentTime + begin_s;
    source.frequency.value = hertz;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.2, at + 0.01);
    gain.gain.setValueAtTime(0.2, at + length_s - 0.02);
    gain.gain.linearRampToValueAtTime(0, at + length_s);
    source.connect(gain).connect(audio.destination);
    source.start(at);
    source.stop(at + length_s);
  }
}

export function speak(words, urgent = false) {
  if (!on) return;
  window.probetrail.said.push(words);
  if (!("speechSynthesis" in window)) return;
  if (urgent) speechSynthesis.cancel();
  const utterance = new SpeechSynthesisUtterance(words);
  utterance.lang = "en";
  speechSynthesis.speak(utterance);
}

export function turn(to) {
  on = to;
  keep("voice", on ? "on" : "off");
  if (!on && "speechSynthesis" in window) speechSynthesis.cancel();
  document.dispatchEvent(new CustomEvent("voice-turned"));
}

const pointSaid = (p) => [p.point, LEGS[p.leg] ?? p.leg].filter(Boolean).join(" ");

function settledWords(probe) {
  const verdict = probe.judgement && probe.judgement.verdict !== "not compared" ? `, ${probe.judgement.verdict}` : "";
  return `${pointSaid(probe)}, ${spoken(probe.settled.value, probe.unit)}${verdict}`;
}

const heard = { settled: new Set(), kicks: new Set(), objections: new Set(), lost: new Set(), storing: true };
let first = true;

function once(set, key, act) {
  if (set.has(key)) return;
  set.add(key);
  if (!first) act();
}

function listen(state) {
  for (const probe of state.probes) {
    if (probe.state !== "settled" || !probe.settled || !probe.point) continue;
    once(heard.settled, `${probe.probe}|${probe.placement}`, () => {
      tone(probe.judgement?.verdict?.includes("outside") ? "outside" : "inside");
      speak(settledWords(probe));
    });
  }
  for (const kick of state.switch_ons) {
    once(heard.kicks, `${kick.capture}|${kick.verdict}`, () => {
      if (kick.verdict === "missing") tone("missing");
      speak(kick.verdict === "missing" ? missingWords(kick) : `Switch-on at ${kick.point}: ${kick.verdict}.`, kick.verdict === "missing");
    });
  }
  for (const objection of state.objections) {
    once(heard.objections, `${objection.t_us}|${objection.text}`, () => { tone("alarm"); speak(objection.text); });
  }
  listenToInstruments(state);
  if (!state.storing.ok && heard.storing) { tone("alarm"); speak(`Storing has stopped. ${state.storing.why ?? ""}`, true); }
  heard.storing = state.storing.ok;
  first = false;
}

function listenToInstruments(state) {
  for (const { name, status } of state.instruments) {
    if (status === "lost") once(heard.lost, name, () => { tone("alarm"); speak(`${name} is lost.`); });
    else if (heard.lost.delete(name) && status === "ok") speak(`${name} is back.`);
  }
}

export function startVoice() {
  for (const kind of ["keydown", "pointerdown"]) addEventListener(kind, wake, { once: true });
  hear("state", listen);
  let answered = false;
  hear("link", (link) => {
    if (!link.ok && answered) { tone("alarm"); speak(`The ${link.who} does not answer.`, true); }
    answered = link.ok;
  });
  onKey("v", "voice and tones on or off", () => turn(!on));
}
