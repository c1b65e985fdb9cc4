// Single-key shortcuts. They rest while somebody types, and can be switched off.

const shortcuts = new Map();

export const isOn = () => stored("keys", "on") === "on";
export const turn = (on) => keep("keys", on ? "on" : "off");

export function stored(name, otherwise) {
  try { return localStorage.getItem(name) ?? otherwise; } catch { return otherwise; }
}

export function keep(name, value) {
  try { localStorage.setItem(name, value); } catch { /* it then holds for this page only */ }
}

export function onKey(key, meaning, act) {
  shortcuts.set(key, { key, meaning, act });
}

export const allKeys = () => [...shortcuts.values()];

// A foot switch: what the key that it types stands for, or nothing.
export const foot = { actOf: () => null };

// No text has these in it: a foot switch that types one works while somebody writes.
const IN_NO_TEXT = /^(F\d+|Page(Up|Down)|Pause|ScrollLock|Media\w+|Audio\w+|Browser\w+|Launch\w+)$/;

const types = (node) => node.matches?.("input:not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable]");
const presses = (node) => node.matches?.("button, a, summary, [role=button], [role=combobox]");

// The contacts of a foot switch may close twice for one step.
const BOUNCE_MS = 120;
let lastStep = { key: "", at: -Infinity };

function bounces(event) {
  if (event.repeat || types(event.target) || (event.key !== " " && !foot.actOf(event.key))) return false;
  const again = event.key === lastStep.key && event.timeStamp - lastStep.at < BOUNCE_MS;
  lastStep = { key: event.key, at: event.timeStamp };
  return again;
}

function pressed(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  if (event.key === "Escape") return document.activeElement?.blur();
  if (bounces(event)) return event.preventDefault();
  const step = event.repeat ? null : foot.actOf(event.key);
  if (step && (IN_NO_TEXT.test(event.key) || !types(event.target)) && !document.querySelector("dialog[open]")) {
    event.preventDefault();
    return step();
  }
  if (types(event.target) || !isOn() || document.querySelector("dialog[open]")) return;
  if (event.key === " " && presses(event.target)) return;
  const shortcut = shortcuts.get(event.key) ?? shortcuts.get(event.key.toLowerCase());
  if (!shortcut || event.repeat) return;
  event.preventDefault();
  return shortcut.act();
}

document.addEventListener("keydown", pressed);
// A button that was clicked keeps no focus: the next step on a foot switch that types a space would press it again.
document.addEventListener("click", (event) => { if (event.detail > 0 && !event.target.closest?.("dialog")) event.target.closest?.("button")?.blur(); });
