// Cautions that are due, in plain sight and never in the way of a key.

import { el, refill, svg } from "./dom.js";
import { bench, hear, say } from "./link.js";
import { gathered } from "./pace.js";
import { shape } from "./shapes.js";

const ELSEWHERE = new Set(["always", "touch limit"]); // the foot of the page and the reading's own frame

const confirm = (caution, answer) => say({ command: "confirm", caution: caution.id, ...(answer ? { answer } : {}) });

async function answerClass(protection, volts) {
  const rated = Number(volts);
  const unit = { command: "unit", ...(protection ? { protection } : {}), ...(rated > 0 ? { rated_mains_v: rated } : {}) };
  if (Object.keys(unit).length === 1) return;
  const answer = await say(unit);
  const known = bench.state?.unit ?? {};
  const whole = (protection || known.protection) && (rated > 0 || known.rated_mains_v);
  if (!answer.error && whole) await confirm({ id: "class" }, protection || known.protection);
}

function classForm() {
  const known = bench.state?.unit ?? {};
  const volts = el("input", { id: "rated-volts", class: "entry short", inputmode: "decimal", "aria-label": "rated mains volts", placeholder: "volts", value: known.rated_mains_v ?? "" });
  const button = (protection, words) => el("button", { type: "button", class: "press", "data-key": protection, "aria-pressed": String(known.protection === protection), onclick: () => answerClass(protection, volts.value) }, words);
  volts.addEventListener("keydown", (event) => { if (event.key === "Enter") answerClass("", volts.value); });
  return el("div", { class: "answer" }, el("label", {}, "rated mains ", volts, " V"), button("earthed", "earthed, 3 wires"), button("double-insulated", "double-insulated, 2 wires"));
}

// The scope's clip goes to 0 V of a unit that is isolated or earthed there.
function clipPicture() {
  const line = (d, extra = {}) => svg("path", { d, fill: "none", stroke: "currentColor", "stroke-width": 2, ...extra });
  const word = (x, y, words) => svg("text", { x, y, "font-size": 11, fill: "currentColor", "text-anchor": "middle" }, words);
  return svg(
    "svg",
    { viewBox: "0 0 300 108", class: "picture", role: "img", "aria-label": "The scope's clip is joined to earth inside the scope; it goes to 0 V of the unit and nowhere else." },
    line("M8 18h74v50H8z"), word(45, 14, "scope"), line("M16 46q9-20 18 0t18 0 18 0"),
    line("M30 68v14M20 82h20M24 87h12M28 92h4"), word(62, 91, "earth"),
    line("M82 30h128"), line("M210 30l10-3v6z", { fill: "currentColor" }), word(146, 25, "tip: the point"),
    line("M82 58h128"), line("M210 51h10v14h-10"), word(146, 74, "clip: only 0 V"),
    line("M222 14h70v72h-70z", { "stroke-dasharray": "5 3" }), word(257, 100, "unit, isolated"), line("M222 58h36M258 58v12M248 70h20M252 75h12"), word(270, 52, "0 V"),
  );
}

// What is noted as in place: one press notes that it is taken away or refitted; what stays wants a reason.
const undone = ({ what, part, text }) => (what === "lifted" ? { command: "note", kind: "part lifted", text: `${part || text}: refitted` } : { command: "note", kind: "bypassed", text: `${part || text}: bypass removed` });

function undoneButtons() {
  const there = bench.state?.in_place ?? [];
  return el("div", { class: "choices" }, ...there.map((each) => el("button", { type: "button", class: "press", "data-key": `undone-${each.event}-${each.part}`, onclick: () => say(undone(each)) }, each.what === "lifted" ? `${each.part || "it"} is refitted` : `bypass of ${each.part || "it"} is removed`)));
}

function staysForm(caution) {
  const why = el("input", { id: "stays-why", class: "entry", autocomplete: "off", spellcheck: "false", "data-key": "stays-why", "aria-label": "why it stays", placeholder: "why it stays" });
  const go = async () => why.setAttribute("aria-invalid", String(Boolean((await confirm(caution, why.value.trim())).error)));
  why.addEventListener("keydown", (event) => { if (event.key === "Enter") go(); });
  return el("div", { class: "answer" }, undoneButtons(), why, el("button", { type: "button", class: "press", "data-key": "stays", onclick: go }, "it stays, for this reason"));
}

const ANSWERS = { class: classForm, "in place": undoneButtons, closing: staysForm };

function one(caution) {
  const asks = caution.kind === "answer" || caution.kind === "confirm";
  return el(
    "li",
    { class: `caution is-${caution.kind}` },
    shape("warning"),
    el(
      "div",
      {},
      el("p", { class: "caution-where" }, caution.where),
      el("p", { class: "caution-text" }, caution.text),
      caution.id === "scope clip" ? clipPicture() : null,
      ANSWERS[caution.id]?.(caution) ?? null,
      asks && !ANSWERS[caution.id] ? el("button", { type: "button", class: "press strong", "data-key": `confirm-${caution.id}`, onclick: () => confirm(caution) }, "read and done") : null,
    ),
  );
}

const WEIGHT = { stop: 0, red: 1, answer: 2, confirm: 3, warn: 4, show: 5 };

function show(state) {
  const due = state.cautions
    .filter((c) => c.due && !(c.confirmed && c.kind === "confirm") && !ELSEWHERE.has(c.id))
    .sort((a, b) => (WEIGHT[a.kind] ?? 6) - (WEIGHT[b.kind] ?? 6));
  refill(document.getElementById("cautions"), [due, state.unit.protection, state.unit.rated_mains_v, state.in_place], () => (due.length
    ? el("ul", { class: "plain cautions" }, ...due.map(one))
    : el("p", { class: "empty" }, "None is due beyond the one at the foot of the page.")));
}

export function startCautions() {
  hear("state", gathered(() => show(bench.state)));
}
