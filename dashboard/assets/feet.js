// Keys of other hands: a foot switch that types a key, the keys of a headset. What each does is kept.

import { ACTS } from "./acts.js";
import { el } from "./dom.js";
import { bench, hear } from "./link.js";
import { foot, keep, onKey, stored } from "./keys.js";
import { chosenProbe } from "./readout.js";
import { comingUp } from "./walk.js";

const HEADSET = { play: ["one press (play, pause)", "hold"], nexttrack: ["two presses (next track)", "next"], previoustrack: ["three presses (track before)", "back"], stop: ["stop", "strike"] };

const feet = () => { try { return JSON.parse(stored("feet", "{}")); } catch { return {}; } };

function keepFeet(all) {
  keep("feet", JSON.stringify(all));
  document.dispatchEvent(new CustomEvent("feet-changed"));
}

const actList = (chosen, act) => el("select", { onchange: (event) => act(event.target.value) }, ...Object.entries(ACTS).map(([name, { words }]) => el("option", { value: name, selected: name === chosen }, words)));
const named = (list, words) => { list.setAttribute("aria-label", words); return list; };
const keyName = (key) => ({ " ": "space" })[key] ?? key;

function footRow(key, does) {
  const set = (act) => keepFeet({ ...feet(), [key]: act });
  const forget = () => { const rest = feet(); delete rest[key]; keepFeet(rest); };
  return el("li", { class: "choices" }, el("kbd", {}, keyName(key)), named(actList(does, set), `what ${keyName(key)} does`), el("button", { type: "button", class: "press small", onclick: forget }, "forget it"));
}

function learn(button) {
  button.textContent = "press the foot switch now\u2026";
  addEventListener("keydown", (event) => {
    event.preventDefault();
    event.stopImmediatePropagation();
    button.textContent = "add a foot switch";
    if (event.key !== "Escape" && event.key !== "Tab") keepFeet({ ...feet(), [event.key]: feet()[event.key] ?? "next" });
  }, { capture: true, once: true });
}

export function feetPart() {
  const list = el("ul", { class: "plain feet" });
  const add = el("button", { type: "button", class: "press", id: "add-foot", onclick: () => learn(add) }, "add a foot switch");
  const show = () => {
    const rows = Object.entries(feet());
    list.replaceChildren(...(rows.length ? rows.map(([key, does]) => footRow(key, does)) : [el("li", { class: "empty" }, "A foot switch that types a space means next already. Any other key is learnt here, also F13 and such, which work while something is typed.")]));
  };
  document.addEventListener("feet-changed", show);
  show();
  return [list, add];
}

// A browser hands a headset's keys only to a page that plays something: this plays silence.
let silence = null;

export const headsetOn = () => Boolean(silence) && !silence.paused;

function actOf(press) {
  const does = stored(`headset-${press}`, HEADSET[press][1]);
  return () => { ACTS[does]?.act(); silence?.play().catch(() => {}); };
}

async function turnHeadset(on) {
  keep("headset", on ? "on" : "off");
  if (!on) return silence?.pause();
  silence ??= Object.assign(new Audio("/silence.wav"), { loop: true });
  await silence.play().catch(() => {});
  const session = navigator.mediaSession;
  if (!session) return null;
  for (const press of Object.keys(HEADSET)) session.setActionHandler(press, (...given) => actOf(press)(...given));
  session.setActionHandler("pause", (...given) => actOf("play")(...given));
  session.playbackState = "playing";
  return showTitle();
}

function showTitle() {
  if (!navigator.mediaSession || !headsetOn() || !window.MediaMetadata) return;
  const [before, point] = comingUp(chosenProbe()?.walk);
  if (navigator.mediaSession.metadata?.title === point) return;
  navigator.mediaSession.metadata = new MediaMetadata({ title: point || before, artist: bench.state?.unit?.unit || "probetrail", album: before });
}

export function headsetPart() {
  const box = el("input", { type: "checkbox", id: "headset-on", onchange: () => turnHeadset(box.checked) });
  box.checked = headsetOn();
  const rows = Object.entries(HEADSET).map(([press, [words, usual]]) => el("li", { class: "choices" }, el("span", { class: "press-name" }, words), named(actList(stored(`headset-${press}`, usual), (does) => keep(`headset-${press}`, does)), `what ${words} does`)));
  return [el("p", {}, el("label", {}, box, " the keys of a headset, or the media keys of this machine, speak to this page (it plays silence for that)")), el("ul", { class: "plain feet" }, ...rows)];
}

export function startFeet() {
  for (const { key, meaning, act } of Object.values(ACTS)) if (key !== "v") onKey(key, meaning, act);
  onKey(" ", "next point (a foot switch that types a space)", ACTS.next.act);
  foot.actOf = (key) => ACTS[feet()[key]]?.act;
  // The browser lets nothing play before a first key or tap.
  if (stored("headset", "off") === "on") for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, () => { if (!headsetOn()) turnHeadset(true); }, { once: true });
  hear("state", showTitle);
}
