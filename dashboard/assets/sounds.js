// Tones and speech: whether anything may sound, what is said in which language, and what would have been said.

import { keep, stored } from "./keys.js";
import { LANGUAGES, ownWords } from "./saying.js";

const TONES = {
  settled: [[880, 0, 0.09]],
  outside: [[660, 0, 0.1], [440, 0.12, 0.16]],
  missing: [[330, 0, 0.18], [330, 0.26, 0.18], [247, 0.52, 0.4]],
  urgent: [[740, 0, 0.12], [740, 0.18, 0.12], [740, 0.36, 0.12]],
};

let audio = null;
let on = stored("voice", location.pathname === "/phone" ? "off" : "on") === "on"; // two voices at once help nobody

// What was or would have been said, newest last: for tests, and for machines without a voice.
window.probetrail = { said: [], tones: [] };

const changed = () => document.dispatchEvent(new CustomEvent("voice-turned"));

export const isOn = () => on;
export const setting = {
  get language() { const kept = stored("say-language", (navigator.language ?? "en").slice(0, 2)); return kept in LANGUAGES ? kept : "en"; },
  get rate() { return Math.min(2, Math.max(0.5, Number(stored("say-rate", "1.1")) || 1.1)); },
  get voice() { return stored("say-voice", ""); },
  get words() { return stored("say-words", ""); },
  get own() { return ownWords(this.words); },
};

export function set(name, value) {
  keep(`say-${name}`, String(value));
  changed();
}

// Only voices of this machine: what is measured here is sent nowhere to be read out.
export function voices(language = setting.language) {
  if (!("speechSynthesis" in window)) return [];
  return speechSynthesis.getVoices().filter((voice) => voice.localService && voice.lang.toLowerCase().startsWith(language));
}

function wake() {
  const Context = window.AudioContext ?? window.webkitAudioContext;
  if (Context && !audio) {
    audio = new Context();
    audio.onstatechange = changed;
  }
  audio?.resume();
}

export const isUnlocked = () => audio?.state === "running";

// One line for the page: why it is quieter than somebody may think. "" where all sounds.
export function quietWords() {
  if (!on) return "Quiet: nothing is said or sounded.";
  if (!isUnlocked()) return "Sound is locked until a first key or tap here.";
  if (!voices().length) return `No offline voice for ${LANGUAGES[setting.language].name} here: tones do the work.`;
  return "";
}

export function tone(name) {
  if (!on) return;
  window.probetrail.tones.push(name);
  if (!isUnlocked()) return;
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

// What the daemon says is English, whatever language the readings are said in.
export function speak(words, urgent = false, language = setting.language) {
  if (!on) return;
  window.probetrail.said.push(words);
  const mine = voices(language).length ? voices(language) : voices();
  if (!mine.length) return;
  if (urgent) speechSynthesis.cancel();
  const utterance = new SpeechSynthesisUtterance(words);
  utterance.voice = mine.find((voice) => voice.name === setting.voice) ?? mine[0];
  utterance.lang = utterance.voice.lang;
  utterance.rate = setting.rate;
  speechSynthesis.speak(utterance);
}

export function turn(to) {
  on = to;
  keep("voice", on ? "on" : "off");
  if (!on && "speechSynthesis" in window) speechSynthesis.cancel();
  changed();
}

export function startSounds() {
  for (const kind of ["keydown", "pointerdown"]) addEventListener(kind, wake);
  if ("speechSynthesis" in window) speechSynthesis.addEventListener?.("voiceschanged", changed);
}
