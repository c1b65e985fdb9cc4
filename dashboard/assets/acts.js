// What hands that hold probes can say, by whatever reaches them: a key, a foot switch, a headset, a phone.

import { bench, say } from "./link.js";
import { chosenProbe, toProbe } from "./readout.js";
import { speak } from "./sounds.js";
import { sayAgain } from "./voice.js";

// What is not seen to be done is heard: eyes are on the board.
async function aloud(command) {
  const answer = await say({ ...command, ...toProbe() });
  speak(answer.done ?? answer.error, false, "en");
  return answer;
}

const walk = (act) => say({ command: "walk", do: act, ...toProbe() }).then((answer) => { if (answer.error) speak(answer.error, false, "en"); return answer; });

export const ACTS = {
  next: { key: "n", words: "next", meaning: "next point; one that was not read is passed over", act: () => walk("next") },
  back: { key: "b", words: "back", meaning: "to the point before", act: () => walk("back") },
  hold: { key: "s", words: "hold", meaning: "stay on this point, or go on", act: () => aloud({ command: "walk", do: chosenProbe()?.walk?.held ? "go on" : "hold" }) },
  here: { key: "i", words: "on it", meaning: "it is on the next point now: where no lift can be seen (0 V to 0 V, ohms, a scope)", act: () => aloud({ command: "walk", do: "here" }) },
  strike: { key: "x", words: "strike", meaning: "strike the last placement: it does not count", act: () => aloud({ command: "strike" }) },
  undo: { key: "u", words: "undo", meaning: "take back what was said last", act: () => say({ command: "undo" }).then((answer) => { speak(answer.done ?? answer.error, false, "en"); return answer; }) },
  again: { key: "r", words: "again", meaning: "say the last reading and the next point again", act: () => sayAgain(chosenProbe()) },
  quiet: { key: "v", words: "quiet", meaning: "voice and tones on or off", act: () => document.getElementById("voice-switch")?.click() },
};

// "Q302, C" and the drawing's own spelling both name a point; capitals do not matter.
export const pointLabel = (p) => [p.name, p.leg].filter(Boolean).join(", ");

export function pointNamed(typed) {
  const points = bench.state?.points ?? [];
  const same = (a, b) => a.toLowerCase() === b.toLowerCase();
  const known = points.find((p) => same(pointLabel(p), typed)) ?? points.find((p) => same(p.name, typed));
  if (known) return { point: known.name, leg: known.leg ?? "" };
  const [point, leg = ""] = typed.split(",").map((part) => part.trim());
  return { point, leg };
}

export const thatWas = (typed) => aloud({ command: "move", ...pointNamed(typed) });

// From a ranking of what to probe next: points ("name" or "name, leg") that come right after the one in hand.
export const probeNext = (points, mode = "") => say({ command: "walk", do: "then", points, ...(mode ? { mode } : {}), ...toProbe() });
