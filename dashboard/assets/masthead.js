// The strip on top: unit, mains, power, session, and the switches of the page itself.

import { el, refill } from "./dom.js";
import { bench, hear, now_us } from "./link.js";
import { ago, clock, text } from "./numbers.js";
import { keep, onKey } from "./keys.js";
import { gathered } from "./pace.js";
import { forgetColours } from "./paint.js";
import { shape } from "./shapes.js";
import * as voice from "./sounds.js";

const isDark = () => {
  const chosen = document.documentElement.dataset.theme;
  return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
};

function turnTheme() {
  const next = isDark() ? "light" : "dark";
  document.documentElement.dataset.theme = next;
  keep("theme", next);
  themeTurned();
}

function themeTurned() {
  forgetColours();
  document.dispatchEvent(new CustomEvent("theme-turned"));
}

function unitWords({ unit, serial, protection, rated_mains_v }) {
  const rated = rated_mains_v ? `${rated_mains_v} V` : "rated mains not said";
  return [unit || "unit not named", serial ? `no. ${serial}` : "", protection || "class not said", rated].filter(Boolean);
}

const currentSeries = new Map();

function supplyWords() {
  const state = bench.state;
  const series = state?.series.find((s) => s.quantity === "current_a");
  const amperes = series ? currentSeries.get(String(series.id)) : null;
  const volts = state?.context.mains_v;
  return [volts ? `mains ${text(volts, "V", 4)}` : "mains not measured", amperes === null || amperes === undefined ? "" : `draws ${text(amperes, "A", 3)}`, state?.context.power ? `unit ${state.context.power}` : "unit on or off: not known"];
}

function showGone(place) {
  const { ok, since_us, who } = bench.link;
  const gone = !ok && since_us !== null;
  refill(place, [gone, who, gone ? Math.floor((now_us() - since_us) / 1e6) : 0], () => (gone
    ? el("div", { class: "alarm alarm-gone", role: "alert" }, shape("lost"), el("p", {}, el("strong", {}, `The ${who} is not answering since ${clock(since_us)} (${ago((now_us() - since_us) / 1e6)}).`), el("span", {}, "What is shown is old. This page goes on by itself when it is back.")))
    : []));
  document.documentElement.classList.toggle("gone", gone);
}

function showStoring(place) {
  const storing = bench.state?.storing ?? { ok: true };
  refill(place, storing, () => (storing.ok ? [] : el("div", { class: "alarm alarm-storing", role: "alert" }, shape("warning"), el("p", {}, el("strong", {}, `Storing has stopped: ${storing.why || "no reason was given"}.`), el("span", {}, "Readings are shown and not kept. Storing goes on by itself when it can.")))));
}

export function startAlarms() {
  const place = document.getElementById("alarms");
  const [gone, storing] = [el("div", { id: "alarm-gone" }), el("div", { id: "alarm-storing" })];
  place.append(gone, storing);
  hear("link", () => showGone(gone));
  hear("state", () => showStoring(storing));
  setInterval(() => showGone(gone), 1000);
}

export function startMasthead(help) {
  const place = document.getElementById("masthead-live");
  const unit = el("p", { class: "unit-line", id: "unit-line" });
  const supply = el("p", { class: "supply-line", id: "supply-line" });
  const quiet = el("button", { type: "button", class: "press", id: "voice-switch", onclick: () => voice.turn(!voice.isOn()) });
  const theme = el("button", { type: "button", class: "press", id: "theme-switch", onclick: turnTheme });
  const ask = el("button", { type: "button", class: "press", id: "help-switch", onclick: help }, el("kbd", {}, "?"), el("span", {}, "keys"));
  place.append(el("div", { class: "standing" }, unit, supply), el("div", { class: "switches" }, quiet, theme, ask));
  const label = (button, key, words) => button.replaceChildren(el("kbd", {}, key), el("span", {}, words));
  const showVoice = () => { label(quiet, "v", voice.isOn() ? "voice on" : "says nothing"); quiet.setAttribute("aria-pressed", String(voice.isOn())); };
  const showTheme = () => label(theme, "d", isDark() ? "dark" : "light");
  showVoice();
  showTheme();
  document.addEventListener("voice-turned", showVoice);
  document.addEventListener("theme-turned", showTheme);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", themeTurned);
  onKey("d", "dark or light", turnTheme);
  onKey("?", "the keys, and switching them off", help);
  hear("state", gathered(() => refill(unit, unitWords(bench.state.unit), () => unitWords(bench.state.unit).map((words, n) => el(n ? "span" : "b", {}, words)))));
  const showSupply = gathered(() => refill(supply, supplyWords(), () => supplyWords().filter(Boolean).map((words) => el("span", {}, words))));
  hear("state", showSupply);
  hear("readings", (series) => { for (const [id, rows] of Object.entries(series)) currentSeries.set(id, rows.at(-1)?.[1] ?? null); showSupply(); });
}
