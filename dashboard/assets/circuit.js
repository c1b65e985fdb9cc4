// The drawing as nets and parts, with what was read and what is suspected on it.

import { el, refill, svg } from "./dom.js";
import { bench, say } from "./link.js";
import { gathered } from "./pace.js";

// A net has its name above, and to its right its value and the parts that lead to 0 V or to a net elsewhere.
const LEFT = 58;
const LEAST_CELL = 100;
const LINE = 14;
const HEAD = 30;
let shown = { key: null, columns: 0, drawing: null };

async function fetchDrawing(key, columns) {
  shown = { key, columns, drawing: shown.key === key ? shown.drawing : null };
  try {
    const answer = await fetch(`/circuit?columns=${columns}`);
    if (answer.ok && shown.key === key && shown.columns === columns) shown = { key, columns, drawing: { ...(await answer.json()), columns } };
  } catch {
    shown.key = null; // asked again with the next state
  }
  if (shown.drawing && bench.state) showCircuit(bench.state.suspects ?? null);
}

const chanceOf = (said) => new Map((said?.parts ?? []).map((each) => [each.part, each.probability]));
const level = (p) => (p >= 0.5 ? "likely" : p >= 0.1 ? "possible" : p >= 0.02 ? "faint" : "");
const words = (part, p) => (p >= 0.02 ? `${part.name} ${Math.round(100 * p)} %` : part.name);

function valuesOf(said, mode) {
  const found = new Map();
  for (const each of said?.values ?? []) if (each.mode === mode) found.set(each.leg ? `${each.point}|${each.leg}` : each.point, each.value);
  return found;
}

const short = (value) => `${Math.abs(value) < 0.0005 ? "0" : Number(value.toPrecision(4))} V`;

function netNode(net, [x, y], values, mode, next) {
  const read = values.get(net.point) ?? values.get(`${net.point}|${net.leg}`);
  const printed = net.printed_v?.[mode];
  const value = read !== undefined ? short(read) : printed !== undefined ? `(${short(printed)})` : "";
  const name = net.point || net.net;
  const wanted = next.has(net.point);
  const told = `${name}${read !== undefined ? `, read ${short(read)}` : ""}${printed !== undefined ? `, printed ${short(printed)}` : ""}${wanted ? ", next probe" : ""}`;
  const go = () => net.point && say({ command: "point", point: net.point, ...(net.leg ? { leg: net.leg } : {}) });
  const keyed = (event) => { if (event.key === "Enter" || event.key === " ") { event.preventDefault(); go(); } };
  return svg(
    "g",
    { class: `net${wanted ? " wanted" : ""}${read !== undefined ? " read" : ""}`, transform: `translate(${x} ${y})`, ...(net.point ? { tabindex: 0, role: "button", "aria-label": `${told}: name this point`, "data-key": `net-${net.net}`, onclick: go, onkeydown: keyed } : { role: "img", "aria-label": told }) },
    svg("circle", { r: 7 }),
    wanted ? svg("circle", { r: 12, class: "ring" }) : null,
    svg("text", { x: -7, y: -15, class: "net-name" }, name),
    value ? svg("text", { x: 11, y: LINE + 4, class: read !== undefined ? "net-read" : "net-printed" }, value) : null,
  );
}

const partName = (part, p, after = "") => svg("tspan", { class: `part-name ${level(p)}` }, `${words(part, p)}${after}`);

// Several parts between the same two nets share a wire.
function wireWords(list, x, y, anchor) {
  if (!list.some(([part]) => part.name)) return null;
  return svg("text", { x, y, "text-anchor": anchor }, ...list.flatMap(([part, p], n) => (n ? [svg("tspan", {}, ", "), partName(part, p)] : [partName(part, p)])));
}

// From the net that it hangs on: along that one's row, then down; or, where the rows are folded, from the left edge.
function wire(net, parent, list, places, cell) {
  const [x, y] = places.get(net.net);
  const likely = level(Math.max(0, ...list.map(([, p]) => p)));
  if (net.column !== parent.column + 1) {
    const from = parent.point || parent.net;
    return [svg("path", { class: `wire folded ${likely}`, d: `M4 ${y} H${x}` }), wireWords(list, 4, y - 5, "start"), svg("text", { x: 4, y: y + LINE, class: "elsewhere" }, `\u2190 ${from}`)];
  }
  const [px, py] = places.get(parent.net);
  const bend = x - 18;
  const path = py === y ? `M${px} ${py} H${x}` : `M${px} ${py} H${bend} V${y} H${x}`;
  return [svg("path", { class: `wire ${likely}`, d: path }), py === y ? wireWords(list, x - cell / 2, y - 5, "middle") : wireWords(list, bend - 4, y + 4, "end")];
}

// What hangs on a net and is not drawn as a wire: to 0 V, or to a net elsewhere.
function hanging(list, [x, y], first) {
  const last = y + first + LINE * (list.length - 1);
  return [
    svg("path", { class: "wire", d: `M${x} ${y} V${last - 4}` }),
    ...list.flatMap(([part, p, to], n) => {
      const at = y + first + LINE * n;
      return [svg("path", { class: "wire", d: to ? `M${x} ${at - 4} h7 m-3 -3 l3 3 l-3 3` : `M${x} ${at - 4} h6 m0 -4 v8` }), svg("text", { x: x + 11, y: at }, partName(part, p, to ? ` \u203a ${to}` : ""))];
    }),
  ];
}

function sorted(drawing, chances) {
  const by = new Map(drawing.nets.map((net) => [net.net, net]));
  const wires = new Map();
  const hung = new Map();
  const add = (map, key, item) => map.set(key, [...(map.get(key) ?? []), item]);
  const name = (net) => by.get(net)?.point || net;
  for (const part of drawing.parts) {
    const p = chances.get(part.name || by.get(part.to)?.point) ?? 0;
    const ends = [part.from, part.to, ...part.also].filter((net) => by.has(net));
    const joined = new Set(ends.flatMap((net) => (ends.includes(by.get(net).parent) ? [net, by.get(net).parent] : [])));
    for (const net of ends) {
      if (ends.includes(by.get(net).parent)) add(wires, net, [part, p]);
      if (part.to === "0" && net === part.from) add(hung, net, [part, p, ""]);
      else if (!joined.has(net)) add(hung, net, [part, p, name(net === part.from ? part.to : part.from)]);
    }
  }
  return { by, wires, hung };
}

// Each row is as high as what hangs in it.
function placed(drawing, lines, cell) {
  const heights = [];
  for (const net of drawing.nets) heights[net.row] = Math.max(heights[net.row] ?? 0, lines(net));
  const tops = [];
  let y = HEAD;
  heights.forEach((count, row) => { tops[row] = y; y += HEAD + 8 + LINE * Math.max(1, count); });
  return { places: new Map(drawing.nets.map((net) => [net.net, [LEFT + net.column * cell, tops[net.row]]])), height: y - HEAD + 8 };
}

function picture(said, width) {
  const drawing = shown.drawing;
  const mode = bench.state?.context?.mode ?? "";
  const values = valuesOf(said, mode);
  const next = new Set((said?.next ?? []).slice(0, 1).flatMap((each) => each.point.split(" - ")));
  const { by, wires, hung } = sorted(drawing, chanceOf(said));
  const deepest = 1 + Math.max(...drawing.nets.map((net) => net.column));
  const cell = (width - LEFT) / Math.min(drawing.columns, Math.max(deepest, 2));
  const hasValue = (net) => values.has(net.point) || values.has(`${net.point}|${net.leg}`) || net.printed_v?.[mode] !== undefined;
  const { places, height } = placed(drawing, (net) => (hung.get(net.net)?.length ?? 0) + (hasValue(net) ? 1 : 0), cell);
  const chance = (net) => Math.max(0, ...(wires.get(net.net) ?? []).map(([, p]) => p));
  const likelyLast = [...drawing.nets].sort((a, b) => chance(a) - chance(b));
  const lines = likelyLast.flatMap((net) => (net.parent ? wire(net, by.get(net.parent), wires.get(net.net) ?? [], places, cell) : []));
  const hangs = [...hung].flatMap(([net, list]) => hanging(list, places.get(net), LINE + 4 + (hasValue(by.get(net)) ? LINE : 0)));
  return svg("svg", { class: "circuit", width, height, viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": `Drawing of ${drawing.unit}: nets and parts` }, ...lines, ...hangs, ...drawing.nets.map((net) => netNode(net, places.get(net.net), values, mode, next)));
}

let looked = "";

// The next probe comes into sight once; where somebody has scrolled to stays otherwise.
function lookAt(view, key, top) {
  const ring = view.querySelector(".ring");
  view.scrollTop = top;
  if (!ring || key === looked) return;
  looked = key;
  const [box, mark] = [view.getBoundingClientRect(), ring.getBoundingClientRect()];
  if (mark.top < box.top || mark.bottom > box.bottom) view.scrollTop = top + mark.top - box.top - box.height / 2;
}

export function showCircuit(said) {
  const place = document.getElementById("circuit");
  const unit = bench.state?.unit?.drawing ?? null;
  const path = bench.state?.session?.path;
  const key = unit && path ? `${unit}|${path}` : null;
  const width = Math.max(240, place.clientWidth - 2);
  const columns = Math.max(2, Math.floor((width - LEFT) / LEAST_CELL));
  if (key !== shown.key || (key && columns !== shown.columns)) {
    if (key) fetchDrawing(key, columns);
    else shown = { key: null, columns: 0, drawing: null };
  }
  const drawing = shown.drawing;
  const top = place.querySelector(".circuit-view")?.scrollTop ?? 0;
  refill(place, [key, drawing?.columns, width, said?.parts, said?.values, said?.next?.[0]?.point, bench.state?.context?.mode], () => (drawing?.nets.length
    ? [el("div", { class: "circuit-view", tabindex: 0, role: "region", "aria-label": "Drawing, to be scrolled", "data-key": "circuit-view" }, picture(said, width)), el("p", { class: "why" }, "In brackets: printed. A ring: the next probe. Choose a net to name it. \u203a leads to a net elsewhere.")]
    : el("p", { class: "empty" }, "This session has no drawing.")));
  const view = place.querySelector(".circuit-view");
  if (view) lookAt(view, `${key}|${said?.next?.[0]?.point}`, top);
}

export function startCircuit() {
  shown = { key: null, columns: 0, drawing: null };
  const again = gathered(() => { if (bench.state) showCircuit(bench.state.suspects ?? null); });
  new ResizeObserver(again).observe(document.getElementById("circuit"));
}
