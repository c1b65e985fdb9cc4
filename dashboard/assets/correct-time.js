// Corrections that have a moment: a stay that was two, and what held for a while in another way than was said.

import { el } from "./dom.js";

const KINDS = { mode: "mode", condition: "fed by", hypothesis: "hypothesis" };
const two = (n) => String(n).padStart(2, "0");

// A time as the browser's own entry wants it, in this machine's time of day.
function localTime(t_us) {
  const d = new Date(t_us / 1000);
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}T${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}`;
}
const toUs = (words) => (words ? new Date(words).getTime() * 1000 : null);

const labelled = (id, words, entry) => el("label", { class: "field", for: id }, el("span", {}, words), entry);

// `split` is told the moment; what stands in the fields above is what the later part was.
export function splitPart(t0_us, t1_us, split) {
  const entry = el("input", { id: "split-after", name: "at_us", class: "entry", "data-key": "split-after", inputmode: "decimal", autocomplete: "off", placeholder: "12.5, or press on its plot" });
  const go = () => {
    const seconds = Number(entry.value.trim().replace(",", "."));
    const inside = entry.value.trim() && seconds > 0 && (t1_us === null || seconds < (t1_us - t0_us) / 1e6);
    entry.setAttribute("aria-invalid", String(!inside));
    if (!inside) return entry.focus();
    return split(t0_us + Math.round(seconds * 1e6));
  };
  entry.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); go(); } });
  return el("div", { class: "split" }, labelled("split-after", "two in one: the later began after, s", entry), el("button", { type: "button", class: "press", "data-key": "split-it", onclick: go }, "split it there"));
}

export function splitAfter(seconds) {
  const entry = document.getElementById("split-after");
  if (entry) entry.value = seconds.toFixed(3);
}

// What held from one moment to another; begins with the stay that is opened.
export function relabelPart({ t0_us, t1_us }, tell) {
  const kind = el("select", { id: "held-kind", "data-key": "held-kind", onchange: () => value.setAttribute("list", `list-${kind.value}`) }, ...Object.entries(KINDS).map(([name, words]) => el("option", { value: name }, words)));
  const value = el("input", { id: "held-value", name: "value", class: "entry", "data-key": "held-value", list: "list-mode", autocomplete: "off" });
  const time = (id, t_us) => el("input", { id, name: id === "held-from" ? "from_us" : "until_us", type: "datetime-local", step: 1, class: "entry", "data-key": id, value: t_us === null ? "" : localTime(t_us) });
  const [from, until] = [time("held-from", t0_us), time("held-until", t1_us)];
  const go = () => {
    const from_us = toUs(from.value);
    from.setAttribute("aria-invalid", String(from_us === null));
    if (from_us === null) return from.focus();
    const until_us = toUs(until.value);
    return tell({ kind: kind.value, value: value.value.trim(), from_us, ...(until_us === null ? {} : { until_us }) });
  };
  return el(
    "details",
    { class: "held", "data-key": "held" },
    el("summary", {}, "Another mode, feed or hypothesis held for a while"),
    el("div", { class: "correct-fields" }, labelled("held-kind", "what", kind), labelled("held-value", "it was", value), labelled("held-from", "from", from), labelled("held-until", "until", until)),
    el("p", { class: "empty" }, "Without an end it holds from then on. Placements that lie across an end are split there."),
    el("button", { type: "button", class: "press", "data-key": "held-keep", onclick: go }, "keep this for that time"),
  );
}
