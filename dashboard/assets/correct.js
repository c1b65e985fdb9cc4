// "That was another point": the opened placement of the running session gets its tags put right here.

import { el, refill, whenThere } from "./dom.js";
import { bench, confirmationPlace, hear, say } from "./link.js";
import { onKey } from "./keys.js";
import { relabelPart, splitPart } from "./correct-time.js";

const TAGS = { point: "point", leg: "leg", mode: "mode", condition: "fed by", hypothesis: "hypothesis" };
const CLOSED = "This session is not the one that is running. Resume it on the sessions page to correct its placements.";

const place = () => document.getElementById("timeline-correct");
const unique = (words) => [...new Set(words.filter(Boolean))];

function stay() {
  const told = place()?.dataset.stay;
  return told ? JSON.parse(told) : null;
}

// Placement numbers begin anew in each session: nothing is said to another one than the one shown.
const mayCorrect = (shown) => Boolean(shown?.session) && bench.state?.session?.path === shown.session;

function known() {
  const { points = [], modes = [], conditions = [], hypotheses = [] } = bench.state ?? {};
  return {
    point: unique(points.map((p) => p.name)),
    leg: unique(points.map((p) => p.leg)),
    mode: unique([...modes, "off"]),
    condition: unique(conditions),
    hypothesis: unique(hypotheses.map((h) => h.hypothesis)),
  };
}

function field(name, value) {
  const id = `was-${name}`;
  return el("label", { class: "field", for: id }, el("span", {}, TAGS[name] ?? "reason"), el("input", { id, name, class: "entry", "data-key": id, value, list: TAGS[name] ? `list-${name}` : null, autocomplete: "off", spellcheck: "false" }));
}

function changed(form, tags) {
  const given = Object.keys(TAGS).map((name) => [name, form.elements[name].value.trim()]);
  return Object.fromEntries(given.filter(([name, value]) => value !== (tags[name] ?? "")));
}

const why = (form) => (form.elements.why.value.trim() ? { why: form.elements.why.value.trim() } : {});

function pointAt(form, name) {
  for (const input of form.querySelectorAll("input")) input.setAttribute("aria-invalid", String(input.name === name));
  form.elements[name]?.focus?.();
}

async function tell(form, command, about = { placement: stay()?.placement }) {
  if (!mayCorrect(stay())) return show();
  const answer = await say({ ...command, ...about, ...why(form) });
  pointAt(form, answer.error ? answer.field : "");
  if (answer.error) return null;
  form.elements.why.value = "";
  return document.dispatchEvent(new CustomEvent("corrected"));
}

function move(form) {
  const tags = changed(form, stay().tags);
  if (Object.keys(tags).length) return tell(form, { command: "move", ...tags });
  return form.elements.point.focus();
}

function strikeButton(form, struck) {
  const [key, words] = struck ? ["u", "take it back in"] : ["x", "strike it: it does not count"];
  return el("button", { type: "button", class: "press", id: "was-struck", "data-key": "was-struck", onclick: () => tell(form, { command: "strike", ...(struck ? { undo: true } : {}) }) }, el("kbd", {}, key), el("span", {}, words));
}

function split(form, at_us) {
  return tell(form, { command: "split", at_us, ...changed(form, stay().tags) });
}

function form({ placement, tags, t0_us, t1_us }) {
  const sheet = el(
    "form",
    { class: "unit-form", "aria-labelledby": "correct-heading" },
    el("h3", { id: "correct-heading" }, `Placement ${placement}: what it really was`),
    el("div", { class: "correct-fields" }, ...Object.keys(TAGS).map((name) => field(name, tags[name] ?? "")), field("why", "")),
    ...Object.entries(known()).map(([name, words]) => el("datalist", { id: `list-${name}` }, ...words.map((value) => el("option", { value })))),
    el("div", { class: "choices" }, el("button", { type: "submit", class: "press strong", id: "was-keep" }, "keep this correction"), el("span", { id: "was-strike" })),
    splitPart(t0_us, t1_us, (at_us) => split(sheet, at_us)),
    relabelPart({ t0_us, t1_us }, (held) => tell(sheet, { command: "relabel", ...held }, {})),
    el("p", { class: "empty" }, "The readings stay as they are. The change is kept with its time and your reason, and can be taken back below."),
    confirmationPlace(),
  );
  sheet.addEventListener("submit", (event) => { event.preventDefault(); move(sheet); });
  return sheet;
}

function show() {
  const shown = stay();
  const open = mayCorrect(shown);
  refill(place(), [open, shown?.placement, shown?.tags, shown?.t0_us], () => {
    if (!shown) return [];
    return open ? form(shown) : el("p", { class: "empty" }, CLOSED);
  });
  const sheet = place().querySelector("form");
  if (sheet) refill(document.getElementById("was-strike"), shown.struck, () => strikeButton(sheet, shown.struck));
}

const strike = (struck) => () => { if (stay()?.struck !== struck) document.getElementById("was-struck")?.click(); };

export async function takeBack(act) {
  const answer = await say({ command: "undo", ...(act === null ? {} : { act }) });
  if (!answer.error) document.dispatchEvent(new CustomEvent("corrected"));
}

export function startCorrecting() {
  whenThere("#timeline-correct", (node) => {
    new MutationObserver(show).observe(node, { attributes: true, attributeFilter: ["data-stay"] });
    hear("state", show);
  });
  onKey("e", "say what the opened placement really was", () => document.getElementById("was-point")?.focus());
  onKey("k", "take back the last correction", () => { if (document.querySelector("#timeline-history button[data-key^=back]")) takeBack(null); });
  onKey("x", "strike the opened placement", strike(true));
  onKey("u", "take it back in", strike(false));
}
