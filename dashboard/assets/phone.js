// The phone beside the board: the next point, the reading, and four buttons for a thumb or a knuckle.

import { ACTS, pointLabel, thatWas } from "./acts.js";
import { startCautions } from "./cautions.js";
import { el, refill, setClass, setText } from "./dom.js";
import { startFeet } from "./feet.js";
import { bench, confirmationPlace, hear } from "./link.js";
import { parts } from "./numbers.js";
import { gathered } from "./pace.js";
import { chosenProbe, choose, pointWords } from "./readout.js";
import { shape } from "./shapes.js";
import { startVoice } from "./voice.js";
import { walkPlace } from "./walk.js";

const FOUR = ["back", "next", "strike", "hold"];

const big = (name) => el("button", { type: "button", class: `big big-${name}`, id: `big-${name}`, onclick: () => ACTS[name].act() }, ACTS[name].words);

function readingWords(probe) {
  const kept = probe.settled;
  if (!kept) return [probe.state, "", ""];
  if (kept.overload || kept.value === null) return ["beyond the range", "", ""];
  const { digits, unit } = parts(kept.value, probe.unit);
  const verdict = probe.judgement?.verdict ?? "";
  return [`${digits}\u00a0${unit}`, verdict, probe.altered?.length ? probe.judgement.compared_with.split(":")[0] : ""];
}

function wasList() {
  const list = el("select", { id: "phone-was", "aria-label": "the last one was another point" });
  list.addEventListener("change", async () => { if (list.value) await thatWas(list.value); list.value = ""; });
  return list;
}

export function startPhone() {
  const where = el("p", { class: "phone-where" });
  const value = el("p", { class: "phone-value" });
  const verdict = el("p", { class: "phone-verdict" });
  const probes = el("select", { id: "phone-probe", "aria-label": "probe", onchange: () => choose(probes.value) });
  const was = wasList();
  const buttons = Object.fromEntries(FOUR.map((name) => [name, big(name)]));
  const undo = el("button", { type: "button", class: "press", id: "phone-undo", onclick: () => ACTS.undo.act() }, "undo");
  const here = el("button", { type: "button", class: "press", id: "phone-here", onclick: () => ACTS.here.act() }, "on it now");
  const show = () => {
    const probe = chosenProbe();
    if (!probe) return;
    const [words, judged, why] = readingWords(probe);
    setText(where, `${pointWords(probe)}${probe.above_touch_limit ? ": above the touch limit" : ""}`);
    setClass(where, probe.above_touch_limit ? "phone-where high" : "phone-where");
    setText(value, words);
    setClass(verdict, `phone-verdict is-${judged.replace(" ", "-")}`);
    refill(verdict, [judged, why], () => (judged ? [shape(judged), el("span", {}, why ? `${judged}: ${why}` : judged)] : []));
    const held = Boolean(probe.walk?.held);
    setText(buttons.hold, held ? "go on" : "hold");
    buttons.hold.setAttribute("aria-pressed", String(held));
    probes.hidden = bench.state.probes.length < 2;
    refill(probes, bench.state.probes.map((p) => p.probe), () => bench.state.probes.map((p) => el("option", { value: p.probe }, `probe ${p.probe}`)));
    refill(was, bench.state.points.map(pointLabel), () => [el("option", { value: "" }, "the last one was\u2026"), ...bench.state.points.map((p) => el("option", {}, pointLabel(p)))]);
  };
  const { texts, photo } = walkPlace("phone-point");
  document.getElementById("phone").replaceChildren(
    el("section", { class: "phone-next", "aria-label": "Next point" }, ...texts),
    el("section", { class: "phone-reading", "aria-label": "Reading" }, where, value, verdict),
    el("section", { class: "bigs", "aria-label": "Say" }, ...FOUR.map((name) => buttons[name])),
    el("section", { class: "choices phone-more", "aria-label": "More" }, undo, here, probes),
    was,
    confirmationPlace(),
    photo,
    el("section", { id: "cautions", "aria-label": "Cautions" }),
  );
  startCautions();
  startVoice();
  startFeet();
  hear("state", gathered(show));
  document.addEventListener("probe-chosen", show);
}
