// The standing lists: suspicions, objections, instruments.

import { el, refill } from "./dom.js";
import { bench, hear, say } from "./link.js";
import { ago, clock } from "./numbers.js";
import { gathered } from "./pace.js";
import { staleFor } from "./readout.js";
import { shape } from "./shapes.js";

const change = (h, state, words) => el("button", { type: "button", class: "press small", "data-key": `${h.hypothesis}|${state}`, onclick: () => say({ command: "hypothesis", hypothesis: h.hypothesis, state }) }, words);

function hypothesis(h, now) {
  const tested = h.hypothesis === now;
  return el(
    "li",
    { class: `hypothesis is-${h.state}${tested ? " tested" : ""}` },
    el("p", {}, el("b", {}, h.hypothesis), " ", el("span", { class: "tag" }, tested ? `${h.state}, being tested` : h.state)),
    h.kill ? el("p", { class: "kill" }, `Killed by: ${h.kill}`) : el("p", { class: "kill wanting" }, "Nothing is named that would kill it."),
    el("p", { class: "acts" }, tested ? null : el("button", { type: "button", class: "press small", "data-key": `${h.hypothesis}|test`, onclick: () => say({ command: "hypothesis", hypothesis: h.hypothesis }) }, "test it"), h.state === "open" ? [change(h, "proved", "proved"), change(h, "dropped", "dropped")] : change(h, "open", "open again")),
  );
}

function showHypotheses(state) {
  const now = state.context.hypothesis ?? "";
  refill(document.getElementById("hypotheses"), [state.hypotheses, now], () => [
    el("p", { class: "now-tested" }, now ? ["Being tested: ", el("b", {}, now)] : "No suspicion is being tested."),
    state.hypotheses.length ? el("ul", { class: "plain" }, ...state.hypotheses.map((h) => hypothesis(h, now))) : null,
  ]);
}

function showObjections(state) {
  const newestFirst = [...state.objections].sort((a, b) => b.t_us - a.t_us);
  refill(document.getElementById("objections"), newestFirst, () => (newestFirst.length
    ? el("ul", { class: "plain objections" }, ...newestFirst.map((o) => el("li", {}, shape("warning"), el("div", {}, el("p", {}, o.text), el("p", { class: "when" }, [clock(o.t_us), o.placement ? `placement ${o.placement}` : "", o.kind].filter(Boolean).join(", "))))))
    : el("p", { class: "empty" }, "Nothing contradicts itself so far.")));
}

function instrumentWords(i) {
  if (i.status === "lost") return ["lost", `lost: ${i.why || "no answer"}`];
  if (i.status === "opening") return ["opening", `opening\u2026 ${i.why ?? ""}`];
  const stale_s = staleFor(i);
  return stale_s === null ? ["ok", "ok"] : ["stale", `stale: silent for ${ago(stale_s)}`];
}

const SHAPE_OF = { ok: "settled", stale: "settling", opening: "floating", lost: "lost" };

function showInstruments() {
  const state = bench.state;
  if (!state) return;
  const rows = state.instruments.map((i) => [i.name, i.kind, i.resource, i.identity, ...instrumentWords(i)]);
  refill(document.getElementById("instruments"), rows, () => (rows.length
    ? el("ul", { class: "plain instruments" }, ...rows.map(([name, kind, resource, identity, status, words]) => el("li", { class: `is-${status}`, title: `${identity ?? ""} ${resource}` }, shape(SHAPE_OF[status]), el("b", {}, name), el("span", { class: "kind" }, kind), el("span", { class: "status" }, words))))
    : el("p", { class: "empty" }, "The bench file names no instrument.")));
}

export function startLedger() {
  const soon = gathered(() => {
    showHypotheses(bench.state);
    showObjections(bench.state);
    showInstruments();
  });
  hear("state", soon);
  setInterval(() => { if (bench.state) soon(); }, 1000);
}
