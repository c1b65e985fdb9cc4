// What may be broken, and where to probe next: a list beside the reading, and the drawing with both on it.

import { probeNext } from "./acts.js";
import { el, refill } from "./dom.js";
import { bench, hear, say } from "./link.js";
import { clock } from "./numbers.js";
import { atOnce, gathered, tellDrawn } from "./pace.js";
import { showCircuit, startCircuit } from "./circuit.js";
import { shape } from "./shapes.js";

const percent = (p) => (p === null ? "not on the drawing" : p < 0.005 ? "under 1 %" : `${Math.round(100 * p)} %`);
const volts = { dc_v: "", across_v: "across " };
const KINDS = { current_a: "supply current", ripple_vpp: "ripple", kick: "switch-on", heat: "heat", ohm_off: "ohms, power off", bypassed: "bypass as a proof", part_good: "tested by itself" };
const NOTHING = "nothing that DC volts show"; // as the daemon calls it
const AT_A_POINT = new Set(["ripple_vpp", "kick"]);

function bar(p) {
  if (p === null) return null; // no chance is known: an empty bar would say that it is none
  return el("span", { class: "chance", "aria-hidden": "true" }, el("span", { class: "chance-fill", style: `width:${Math.round(100 * p)}%` }));
}

function readings(word, list) {
  return list?.length ? el("p", { class: `speaks speaks-${word}` }, el("b", {}, `${word}: `), list.join("; ")) : null;
}

function suspect(each) {
  const name = each.hypothesis ?? [each.part, each.fault].filter(Boolean).join(", ");
  const test = () => say({ command: "hypothesis", hypothesis: name, ...(each.kill ? { kill: each.kill } : {}) });
  const known = (bench.state?.hypotheses ?? []).some((h) => h.hypothesis === name);
  return el(
    "li",
    { class: `suspect${each.hypothesis ? " own" : ""}` },
    el("details", { "data-name": name },
      el("summary", { "data-key": `suspect-${name}` }, el("b", {}, name), each.hypothesis ? el("span", { class: "tag" }, `yours, ${each.state}`) : null, bar(each.probability), el("span", { class: "percent" }, percent(each.probability))),
      readings("for", each.for), readings("against", each.against), readings("silent", each.silent),
      el("p", { class: each.kill ? "kill" : "kill wanting" }, each.kill ? `Killed by: ${each.kill}` : "No reading of volts would kill it."),
      known ? null : el("p", { class: "acts" }, el("button", { type: "button", class: "press small", "data-key": `test-${name}`, onclick: test }, "test it"))),
  );
}

// The caution is what must not be overlooked: a line of its own, in red.
const TOUCH = "Above the touch limit: clip on with power off.";
const caution = (words) => (words ? el("p", { class: "next-caution" }, shape("warning"), el("span", {}, words)) : null);
const why = (reason) => [el("p", { class: "why" }, reason.replace(TOUCH, "").trim()), caution(reason.includes(TOUCH) ? TOUCH : "")];

// The same caution twice in a row is said once, and pointed to: what is read is believed.
function otherWay(each, number, all) {
  const again = number && all[number - 1].caution === each.caution;
  const go = () => probeNext([each.point], each.mode);
  return el(
    "li",
    { class: "next-probe other-way" },
    el("p", {}, el("b", {}, each.point), el("span", { class: "tag" }, KINDS[each.quantity] ?? each.quantity)),
    el("p", { class: "why" }, `${each.reason[0].toUpperCase()}${each.reason.slice(1)}`),
    caution(again ? "Caution as above." : each.caution),
    AT_A_POINT.has(each.quantity) ? el("p", { class: "acts" }, el("button", { type: "button", class: "press small", "data-key": `other-${each.quantity}-${each.point}`, onclick: go }, `${each.point} next`)) : null,
    each.quantity === "bypassed" ? el("p", { class: "acts" }, bypass(each.point, true)) : null,
    each.quantity === "part_good" ? el("p", { class: "acts" }, lift(each.point, true)) : null,
  );
}

const bypass = (part, putIn) => el("button", { type: "button", class: "press small", "data-key": `bypass-${part}`, onclick: () => say({ command: "note", kind: "bypassed", text: putIn ? `${part} bypassed` : `Bypass of ${part} removed` }) }, putIn ? `${part} is bypassed now` : `${part}: bypass taken away`);

const lift = (part, out) => el("button", { type: "button", class: "press small", "data-key": `lift-${part}`, onclick: () => say({ command: "note", kind: "part lifted", text: `${part} ${out ? "lifted" : "back"}` }) }, out ? `${part} is lifted now` : `${part} is back`);

const tested = (part, good) => el("button", { type: "button", class: "press small", "data-key": `tested-${good}-${part}`, onclick: () => say({ command: "note", kind: "note", text: `${part} tested ${good ? "good" : "bad"}` }) }, `${part} tests ${good ? "good" : "bad"}`);

// What is lifted, and whether what is read meanwhile counts.
function lifted(each) {
  return el(
    "li",
    { class: "proof" },
    el("p", { class: each.lifted ? "bypassed-flag" : "" }, each.lifted ? shape("warning") : null, el("span", {}, each.said)),
    each.lifted ? el("p", { class: "acts" }, tested(each.part, true), tested(each.part, false), lift(each.part, false)) : null,
  );
}

function proof(each) {
  return el(
    "li",
    { class: `proof is-${each.state}` },
    each.in_place ? el("p", { class: "bypassed-flag" }, shape("warning"), el("span", {}, el("b", {}, `Bypassed: ${each.part}.`), " Take it away before the unit goes back.")) : null,
    el("p", {}, each.said),
    each.in_place ? el("p", { class: "acts" }, bypass(each.part, false)) : null,
    each.state === "proved" && !decided(each.part) ? el("p", { class: "acts" }, el("button", { type: "button", class: "press small", "data-key": `proved-${each.part}`, onclick: () => say({ command: "hypothesis", hypothesis: ownWords(each.part), state: "proved" }) }, "note it as proved")) : null,
  );
}

// A person's own suspicion of that part where there is one, else the tool's first.
const theirs = (part) => (bench.state?.hypotheses ?? []).filter((h) => h.hypothesis.toLowerCase().split(/[^\w.+-]+/).includes(part.toLowerCase()));
const decided = (part) => theirs(part).some((h) => h.state === "proved");
const ownWords = (part) => theirs(part)[0]?.hypothesis ?? [part, (bench.state.suspects.suspects.find((s) => s.part === part) ?? {}).fault].filter(Boolean).join(", ");

function nextProbe(each, number) {
  const [point, ...rest] = each.point.split(" - ");
  const go = () => probeNext([each.point], each.mode);
  return el(
    "li",
    { class: "next-probe" },
    el("p", {}, el("b", {}, `${volts[each.quantity] ?? ""}${rest.length ? `${point} to ${rest.join(" - ")}` : point}`), el("span", { class: "tag" }, each.mode), each.mode === bench.state?.context?.mode ? null : el("span", { class: "tag" }, "other mode")),
    ...why(each.reason),
    el("p", { class: "acts" }, el("button", { type: "button", class: number ? "press small" : "press small strong", "data-key": `next-${each.point}-${each.mode}`, onclick: go }, `${each.point} next`)),
  );
}

const orList = (names) => (names.length > 1 ? `${names.slice(0, -1).join(", ")} or ${names.at(-1)}` : names[0]);

// None of the parts or places is neither, and stands by itself.
function likelyWords(credible, named) {
  const names = credible.filter((each) => each !== NOTHING);
  const none = names.length < credible.length ? [NOTHING] : [];
  if (credible.length > 6) return `Still open: ${[`${names.length} ${named}`, ...none].join(", or ")}${none.length ? "," : ""} share nine chances in ten.`;
  const told = names.length ? [`${named === "places" ? "at " : ""}${orList(names)}`] : [];
  const both = credible[0] === NOTHING ? [...none, ...told] : [...told, ...none];
  return `${credible.length === 1 ? "Most likely" : "Nine chances in ten:"} ${both.join(", or ")}.`;
}

// Where only printed volts are known, a name stands for a place of the drawing and not for a part.
function headline(said) {
  const named = said.named ?? "parts";
  return el("p", { class: "suspects-headline" }, likelyWords(said.credible_set, named));
}

function hidden(said) {
  if (!said.no_dc_trace.length) return null;
  return el("details", { "data-name": "hidden" }, el("summary", { "data-key": "hidden" }, "What DC volts will hardly show"), el("ul", { class: "plain" }, ...said.no_dc_trace.map((each) => el("li", {}, el("b", {}, `${each.part} ${each.fault}`), `: ${each.would_show}`))));
}

const ENOUGH_BITS = 0.1;

// Where volts teach next to nothing, what else would tell comes first; while it is being worked out, nothing is said.
function nextSteps(said) {
  const useful = said.next.filter((each) => each.gain_bits >= ENOUGH_BITS);
  if (useful.length) return [el("h3", {}, "Next probe"), el("ol", { class: "plain" }, ...useful.map(nextProbe))];
  if (said.otherwise?.length) return [el("h3", {}, "Volts tell no more: next"), el("ol", { class: "plain" }, ...said.otherwise.map(otherWay))];
  const stands = new Map((said.proofs ?? []).map((each) => [each.part, each.state])); // the last word on each part
  const proved = [...stands.keys()].filter((part) => stands.get(part) === "proved");
  if (proved.length) return [el("h3", {}, "Next"), el("p", {}, `${proved.join(", ")} is proved: fit the new part, then read again what was faulty.`)];
  return [el("h3", {}, "Next probe"), el("p", { class: "empty" }, said.steps_ahead === 1 ? "No reading of volts would tell more." : "Nothing that the drawing knows would tell more.")];
}

function panel(said) {
  return [
    headline(said),
    said.nothing_new_since_us ? el("p", { class: "nothing-new" }, shape("warning"), `Nothing new was tested since ${clock(said.nothing_new_since_us)}.`) : null,
    said.lifted?.length ? el("ul", { class: "plain proofs" }, ...said.lifted.map(lifted)) : null,
    said.proofs?.length ? el("ul", { class: "plain proofs" }, ...said.proofs.map(proof)) : null,
    el("ol", { class: "plain suspects" }, ...said.suspects.map(suspect)),
    ...nextSteps(said),
    hidden(said),
    el("p", { class: "why" }, "Likely, never certain: prove a part by bypass or out of circuit before replacing it."),
  ];
}

function keepOpen(place, build) {
  const open = new Set([...place.querySelectorAll("details[open]")].map((each) => each.dataset.name));
  const made = build();
  for (const node of made.filter(Boolean)) {
    for (const each of node.matches?.("details") ? [node] : node.querySelectorAll?.("details") ?? []) each.open = open.has(each.dataset.name);
  }
  return made;
}

function show() {
  const said = bench.state?.suspects ?? null;
  const place = document.getElementById("suspects");
  const names = (bench.state?.hypotheses ?? []).map((h) => h.hypothesis);
  refill(place, [said && { ...said, readings: 0, newest_us: 0 }, names, bench.state?.context?.mode], () => (said
    ? keepOpen(place, () => panel(said))
    : el("p", { class: "empty" }, bench.state?.unit?.drawing ? "Nothing is worked out yet." : "A drawing with its parts, or with fed-by arrows, lets suspects be named.")));
  place.dataset.readings = said?.readings ?? "";
  if (isNew(said)) tellDrawn(said.steps_ahead === 2 ? "suspects two steps ahead" : "suspects", said.newest_us);
  drawn = keyOf(said);
}

const keyOf = (said) => (said ? `${said.session} ${said.newest_us} ${said.steps_ahead}` : "");
const isNew = (said) => Boolean(said) && keyOf(said) !== drawn;
let drawn = "";

export function startSuspects() {
  startCircuit();
  const whenever = gathered(show);
  const graph = gathered(() => showCircuit(bench.state?.suspects ?? null));
  hear("state", (state) => { if (isNew(state.suspects)) atOnce(show); else whenever(); graph(); });
}
