// The point that the next landing belongs to, to be read from two metres, and how far the walk has come.

import { el, setClass, setText } from "./dom.js";
import { bench, hear } from "./link.js";
import { text } from "./numbers.js";
import { gathered } from "./pace.js";
import { chosenProbe } from "./readout.js";
import { quietWords } from "./sounds.js";
import { showWalkPhoto, walkPhoto } from "./walk-photo.js";

const label = (stop) => [stop.point, stop.leg].filter(Boolean).join(" \u00b7 ");

// What stands there in large, and the word before it.
export function comingUp(walk) {
  if (!walk) return ["no order of points", ""];
  if (!walk.here) return (walk.passed.length ? ["all others are read; next goes to", walk.passed[0]] : ["the last point is read", "all done"]);
  if (walk.held) return ["held: each landing is one more on", label(walk.here)];
  if (!walk.is_read) return ["land on", label(walk.here)];
  return walk.then ? ["kept. Lift, then", label(walk.then)] : ["kept. That was", "the last point"];
}

const TOUCH_V = 60;
const comingStop = (walk) => (walk.is_read && !walk.held ? walk.then : walk.here);
const drawnAs = (stop) => stop && bench.state.points.find((p) => p.name === stop.point && (p.leg ?? "") === stop.leg);
const isHigh = (walk) => Object.values((walk && drawnAs(comingStop(walk)))?.printed_v ?? {}).some((v) => Math.abs(v) > TOUCH_V);

export function moreWords(walk) {
  if (!walk) return "Space, or a foot switch, begins along the drawing.";
  if (isHigh(walk)) return "Above the touch limit. Clip on with power off.";
  const stop = comingStop(walk);
  const drawn = drawnAs(stop);
  const mode = stop?.mode || bench.state.context.mode;
  const printed = drawn?.printed_v?.[mode];
  const switched = stop?.mode && stop.mode !== bench.state.context.mode ? `switch to ${stop.mode}` : "";
  const passed = walk.passed.length ? `passed over: ${walk.passed.join(", ")}` : "";
  return [switched, printed === undefined ? "" : `printed ${text(printed, "V")} for ${mode}`, `${walk.read} of ${walk.of} read`, passed].filter(Boolean).join("; ");
}

const sizeOf = (words) => (words.length > 22 ? "walk-point longest" : words.length > 13 ? "walk-point long" : "walk-point");

export function walkPlace(id) {
  const before = el("p", { class: "walk-before" });
  const point = el("p", { class: "walk-point", id });
  const more = el("p", { class: "walk-more" });
  const note = el("p", { class: "sound-note", role: "status" });
  const photo = walkPhoto();
  const show = () => {
    if (!bench.state) return;
    const walk = chosenProbe()?.walk;
    const [words, large] = comingUp(walk);
    setText(before, words);
    setText(point, large);
    setClass(point, sizeOf(large));
    setText(more, moreWords(walk));
    setClass(more, isHigh(walk) ? "walk-more high" : "walk-more");
    setText(note, quietWords());
    showWalkPhoto(photo, walk);
  };
  hear("state", gathered(show));
  for (const kind of ["voice-turned", "probe-chosen"]) document.addEventListener(kind, gathered(show));
  return { texts: [before, point, more, note], photo };
}

export function startWalk() {
  const { texts, photo } = walkPlace("next-point");
  document.getElementById("walk").replaceChildren(el("div", { class: "walk-strip" }, el("div", {}, ...texts), photo));
}
