// A shape for every word that matters, so that no meaning hangs on colour.

import { svg } from "./dom.js";

const draw = (label, ...parts) => () => svg("svg", { viewBox: "0 0 24 24", class: `shape shape-${label}`, "aria-hidden": "true" }, ...parts.map((make) => make()));
const ring = (extra = {}) => () => svg("circle", { cx: 12, cy: 12, r: 9, fill: "none", stroke: "currentColor", "stroke-width": 2.4, ...extra });
const path = (d, extra = {}) => () => svg("path", { d, fill: "none", stroke: "currentColor", "stroke-width": 2.6, "stroke-linecap": "round", "stroke-linejoin": "round", ...extra });
const solid = (d) => path(d, { fill: "currentColor", stroke: "none" });

const SHAPES = {
  floating: draw("floating", ring({ "stroke-dasharray": "3 4.1" })),
  settling: draw("settling", ring(), solid("M12 3a9 9 0 0 1 0 18z")),
  settled: draw("settled", ring(), () => svg("circle", { cx: 12, cy: 12, r: 5.5, fill: "currentColor" })),
  lost: draw("lost", path("M5 5l14 14M19 5L5 19")),
  inside: draw("inside", path("M4 4v16M20 4v16"), path("M8 12.5l3 3 5-6.5")),
  "probably inside": draw("probably-inside", path("M4 4v16M20 4v16", { "stroke-dasharray": "3 4" }), path("M8 12.5l3 3 5-6.5")),
  outside: draw("outside", path("M3 4v16M13 4v16"), solid("M23.5 12l-7-5.5v11z")),
  "probably outside": draw("probably-outside", path("M3 4v16M13 4v16", { "stroke-dasharray": "3 4" }), path("M22 12l-5.5-4.5v9z")),
  "not compared": draw("not-compared", path("M5 12h14", { "stroke-dasharray": "1 5" })),
  missing: draw("missing", path("M2 17h20"), path("M9 17c1-9 2-12 3-12s2 3 3 12", { "stroke-dasharray": "1.5 4", "stroke-width": 1.8 })),
  warning: draw("warning", path("M12 3L22 20.5H2z"), path("M12 10v5M12 17.8v.2")),
  good: draw("good", path("M4 13l5 5L20 6")),
};

export const shape = (word) => (SHAPES[word] ?? SHAPES["not compared"])();
