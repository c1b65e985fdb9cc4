// All keys in one place, and the settings of this page: single keys, voice, foot switch, headset.

import { el } from "./dom.js";
import { feetPart, headsetPart } from "./feet.js";
import { allKeys, isOn, turn } from "./keys.js";
import { voicePart } from "./voice-settings.js";

const NAMES = { " ": "space" };
let sheet = null;

function rows() {
  const modes = allKeys().filter(({ key }) => /^[1-9]$/.test(key));
  const others = allKeys().filter(({ key }) => !/^[1-9]$/.test(key));
  const shown = [...others.map(({ key, meaning }) => [NAMES[key] ?? key, meaning]), ...(modes.length ? [["1 to 9", "modes in the drawing's order"]] : []), ["Tab", "from control to control"], ["Enter", "keeps what was typed"], ["Esc", "leaves an entry, closes this"]];
  return shown.map(([key, meaning]) => el("div", {}, el("dt", {}, el("kbd", {}, key)), el("dd", {}, meaning)));
}

export function toggleHelp() {
  if (sheet?.open) return sheet.close();
  const box = el("input", { type: "checkbox", id: "keys-on", onchange: () => turn(box.checked) });
  box.checked = isOn();
  sheet?.remove();
  sheet = el(
    "dialog",
    { class: "help", "aria-labelledby": "help-heading" },
    el("h2", { id: "help-heading" }, "Keys"),
    el("dl", { class: "keys" }, ...rows()),
    el("p", {}, el("label", {}, box, " single keys work while nothing is being typed")),
    el("h2", {}, "Voice"),
    ...voicePart(),
    el("h2", {}, "Foot switch"),
    ...feetPart(),
    el("h2", {}, "Headset"),
    ...headsetPart(),
    el("p", { class: "caution-text" }, document.getElementById("always-caution").textContent),
    el("button", { type: "button", class: "press strong", onclick: () => sheet.close() }, "close"),
  );
  document.body.append(sheet);
  sheet.showModal();
  return null;
}
