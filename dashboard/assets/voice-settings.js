// How it is said: language, voice, rate, own words. Kept in this browser.

import { el } from "./dom.js";
import { LANGUAGES, phrase, pointSaid, valueSaid } from "./saying.js";
import { isUnlocked, quietWords, set, setting, speak, tone, voices } from "./sounds.js";

const field = (id, words, input) => el("label", { class: "field", for: id }, el("span", {}, words), input);
const options = (pairs, chosen) => pairs.map(([value, words]) => el("option", { value, selected: value === chosen }, words));

const sample = () => `${pointSaid("Q302", "C", setting.language, setting.own)}, ${valueSaid(14.8, "V", setting.language)}, ${phrase("inside", setting.language, setting.own)}`;

export function voicePart() {
  const language = el("select", { id: "say-language", onchange: () => { set("language", language.value); fill(); } }, ...options(Object.entries(LANGUAGES).map(([code, { name }]) => [code, name]), setting.language));
  const voice = el("select", { id: "say-voice", onchange: () => set("voice", voice.value) });
  const rate = el("input", { type: "range", id: "say-rate", min: "0.5", max: "2", step: "0.1", value: setting.rate, oninput: () => { set("rate", rate.value); shown.textContent = `${setting.rate} times`; } });
  const shown = el("output", { for: "say-rate" }, `${setting.rate} times`);
  const words = el("textarea", { id: "say-words", class: "entry", rows: "4", spellcheck: "false", placeholder: "inside = good\nVPH = V phono", oninput: () => set("words", words.value) });
  words.value = setting.words;
  const note = el("p", { class: "sound-note" }, isUnlocked() ? quietWords() : "");
  const fill = () => voice.replaceChildren(...options([["", voices().length ? "the first one" : "no offline voice: tones only"], ...voices().map(({ name }) => [name, name])], setting.voice));
  const hearIt = () => { tone("settled"); speak(sample(), true); note.textContent = quietWords() || `Said: ${sample()}`; };
  fill();
  return [field("say-language", "language", language), field("say-voice", "voice of this machine", voice), field("say-rate", "rate", el("span", { class: "choices" }, rate, shown)), field("say-words", "own words, one a line", words), el("div", { class: "choices" }, el("button", { type: "button", class: "press", id: "say-sample", onclick: hearIt }, "let me hear it")), note];
}
