// One-press marking: each row has its key, what holds now, and how to change it.

import { el, refill, setText } from "./dom.js";
import { ACTS, pointLabel, pointNamed, thatWas } from "./acts.js";
import { bench, confirmationPlace, hear, say } from "./link.js";
import { onKey } from "./keys.js";
import { gathered } from "./pace.js";
import { chosenProbe, pointWords, toProbe } from "./readout.js";

const KINDS = ["note", "proof", "part replaced", "part lifted", "bypassed", "adjusted", "cleaned"];

function row(key, name, ...content) {
  return el("div", { class: `mark mark-${name.replace(" ", "-")}` }, el("div", { class: "mark-name" }, key ? el("kbd", {}, key) : null, el("span", {}, name)), el("div", { class: "mark-body" }, ...content));
}

function entry(id, label, list, send, more = {}) {
  const input = el("input", { id, class: "entry", "aria-label": label, autocomplete: "off", spellcheck: "false", list, placeholder: label, ...more });
  const go = async () => {
    if (!input.value.trim()) return input.blur();
    const failed = (await send(input.value.trim())).error;
    input.setAttribute("aria-invalid", failed ? "true" : "false");
    if (failed) return input.focus();
    input.value = "";
    input.blur();
    return null;
  };
  input.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    go();
  });
  return { input, go };
}

const pointCommand = (typed) => ({ command: "point", ...pointNamed(typed), ...toProbe() });
const actButton = (name, more = {}) => press(ACTS[name].key, ACTS[name].words, ACTS[name].act, more);

function pointRow() {
  const { input } = entry("mark-point", "type a point, or point, leg", "known-points", (typed) => say(pointCommand(typed)));
  const now = el("output", { class: "unseen", id: "now-point" }); // large on the left already
  const lifted = () => say({ command: "point", point: "", ...toProbe() });
  const hold = actButton("hold", { id: "hold-point" });
  onKey("p", "type the point", () => input.focus());
  onKey("l", "probe lifted, on nothing", lifted);
  const line = row("p", "point", now, el("div", { class: "choices" }, actButton("back"), actButton("next"), hold, actButton("here"), press("l", "lifted", lifted)), input, el("datalist", { id: "known-points" }));
  const show = () => {
    const probe = chosenProbe();
    setText(now, probe ? pointWords(probe) : "no probe");
    hold.setAttribute("aria-pressed", String(Boolean(probe?.walk?.held)));
    fillList("known-points", (bench.state.points ?? []).map(pointLabel));
  };
  return { line, show };
}

function press(key, words, act, more = {}) {
  return el("button", { type: "button", class: "press", onclick: act, ...more }, key ? el("kbd", {}, key) : null, el("span", {}, words));
}

function fillList(id, values) {
  const list = document.getElementById(id);
  if (list) refill(list, values, () => values.map((value) => el("option", { value })));
}

const modesNow = () => (bench.state?.modes ?? []).filter((mode) => mode !== "off").slice(0, 9);

function modeRow() {
  const keys = el("div", { class: "choices", role: "group", "aria-label": "mode" });
  const setMode = (mode) => mode && say({ command: "mode", mode });
  for (let n = 1; n <= 9; n += 1) onKey(String(n), `mode ${n} of the drawing`, () => setMode(modesNow()[n - 1]));
  onKey("0", "mode off", () => setMode("off"));
  const { input } = entry("mark-mode", "another mode", null, (mode) => say({ command: "mode", mode }));
  onKey("m", "type the mode", () => input.focus());
  const show = () => {
    const now = bench.state.context.mode;
    const modes = modesNow();
    refill(keys, [modes, now], () => [...modes.map((mode, n) => [String(n + 1), mode]), ["0", "off"]].map(([key, mode]) => press(key, mode, () => setMode(mode), { "aria-pressed": String(mode === now), "data-key": mode })).concat(modes.includes(now) || now === "off" || !now ? [] : [el("output", { class: "now" }, now)]));
  };
  return { line: row("m", "mode", keys, input), show };
}

function conditionRow() {
  const now = el("output", { class: "now" });
  const { input } = entry("mark-condition", "how the unit is fed", "known-conditions", (condition) => say({ command: "condition", condition }));
  onKey("c", "type how the unit is fed", () => input.focus());
  const show = () => {
    setText(now, bench.state.context.condition || "not said yet");
    now.classList.toggle("wanting", !bench.state.context.condition);
    fillList("known-conditions", bench.state.conditions ?? []);
  };
  return { line: row("c", "fed by", now, input, el("datalist", { id: "known-conditions" })), show };
}

function hypothesisRow() {
  const now = el("output", { class: "now" });
  const kill = el("input", { id: "mark-kill", class: "entry", "aria-label": "the reading that would kill it", placeholder: "the reading that would kill it", autocomplete: "off" });
  const { input, go } = entry("mark-hypothesis", "suspicion being tested", "known-hypotheses", async (hypothesis) => {
    const answer = await say({ command: "hypothesis", hypothesis, ...(kill.value.trim() ? { kill: kill.value.trim() } : {}) });
    if (!answer.error) kill.value = "";
    return answer;
  });
  kill.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    input.value = input.value.trim() || bench.state.context.hypothesis || "";
    kill.blur();
    go();
  });
  const none = press("", "none", () => say({ command: "hypothesis", hypothesis: "" }), { class: "press small" });
  onKey("h", "type the suspicion", () => input.focus());
  const show = () => {
    setText(now, bench.state.context.hypothesis || "none");
    fillList("known-hypotheses", bench.state.hypotheses.map((h) => h.hypothesis));
  };
  return { line: row("h", "hypothesis", now, none, input, kill, el("datalist", { id: "known-hypotheses" })), show };
}

function powerRow() {
  const mark = (state) => () => say({ command: "power", state });
  const on = press("o", "switched on", mark("on"));
  const off = press("f", "switched off", mark("off"));
  onKey("o", "the unit was switched on now", mark("on"));
  onKey("f", "the unit was switched off now", mark("off"));
  const show = () => {
    on.setAttribute("aria-pressed", String(bench.state.context.power === "on"));
    off.setAttribute("aria-pressed", String(bench.state.context.power === "off"));
  };
  return { line: row("", "power", el("div", { class: "choices" }, on, off)), show };
}

function noteRow() {
  const kind = el("select", { id: "mark-kind", "aria-label": "kind of note" }, ...KINDS.map((name) => el("option", { value: name }, name)));
  const { input } = entry("mark-note", "a note", null, (words) => say({ command: "note", text: words, kind: kind.value }));
  onKey("t", "type a note", () => input.focus());
  return { line: row("t", "note", el("div", { class: "with-kind" }, kind, input)), show: () => {} };
}

function strikeRow() {
  const { input } = entry("mark-was", "the last one was (point, leg)", "known-points", thatWas);
  onKey("w", "say which point the last placement really was", () => input.focus());
  return { line: row("w", "last one", el("div", { class: "choices" }, actButton("strike"), actButton("undo"), actButton("again")), input), show: () => {} };
}

function probeRow() {
  const words = el("span", { class: "now" });
  const line = el("p", { class: "marking", hidden: true }, "marking for ", words, " ", el("kbd", {}, "g"), " changes");
  return { line, show: () => { const several = bench.state.probes.length > 1; line.hidden = !several; setText(words, several ? `probe ${chosenProbe().probe}` : ""); } };
}

export function startMarks() {
  const place = document.getElementById("marks");
  const watch = el("p", { id: "watch", class: "watch" });
  const rows = [probeRow(), pointRow(), modeRow(), conditionRow(), hypothesisRow(), powerRow(), noteRow(), strikeRow()];
  place.replaceChildren(watch, ...rows.map((r) => r.line), confirmationPlace()); // first: it is to be seen before the switch is thrown
  const show = () => { if (bench.state) rows.forEach((r) => r.show()); };
  hear("state", gathered(() => { show(); setText(watch, watchWords(bench.state)); }));
  document.addEventListener("probe-chosen", show);
}

const watchWords = ({ watch }) => (watch?.watching ? `I am watching for the switch-on. ${watch.why ?? ""}` : `I am not watching for the switch-on: ${watch?.why || "no reason was given"}`).trim();
