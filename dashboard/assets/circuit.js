// The drawing as nets and parts, with what was read and what is suspected on it.

import { el, refill, svg } from "./dom.js";
import { bench, say } from "./link.js";

const CELL = { width: 148, height: 92, left: 62, top: 34 };
let shown = { key: null, drawing: null };

async function fetchDrawing(key) {
  shown = { key, drawing: null };
  try {
    const answer = await fetch("/circuit");
    if (answer.ok && shown.key === key) shown.drawing = await answer.json();
  } catch {
    shown.key = null; // asked again with the next state
  }
  if (shown.drawing && bench.state) showCircuit(bench.state.suspects ?? null);
}

const at = (net) => [CELL.left + net.column * CELL.width, CELL.top + net.row * CELL.height];
const chanceOf = (said) => new Map((said?.parts ?? []).map((each) => [each.part, each.probability]));
const level = (p) => (p >= 0.5 ? "likely" : p >= 0.1 ? "possible" : p >= 0.02 ? "faint" : "");
const words = (part, p) => (p >= 0.02 ? `${part.name} ${Math.round(100 * p)} %` : part.name);

function valuesOf(said, mode) {
  const found = new Map();
  for (const each of said?.values ?? []) if (each.mode === mode) found.set(each.leg ? `${each.point}|${each.leg}` : each.point, each.value);
  return found;
}

const short = (value) => `${Math.abs(value) < 0.0005 ? "0" : Number(value.toPrecision(4))} V`;

function netNode(net, values, mode, next) {
  const [x, y] = at(net);
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
    svg("text", { y: -14, class: "net-name" }, name),
    value ? svg("text", { x: 11, y: 20, class: read !== undefined ? "net-read" : "net-printed" }, value) : null,
  );
}

function partMark(part, x, y, p, anchor = "middle") {
  return svg("text", { x, y, class: `part-name ${level(p)}`, "text-anchor": anchor }, words(part, p));
}

function between(part, from, to, p, lane) {
  const [x0, y0] = at(from);
  const [x1, y1] = at(to);
  const bend = lane * 22 + (from.row !== to.row || Math.abs(from.column - to.column) === 1 ? 0 : 30);
  const [mx, my] = [(x0 + x1) / 2, (y0 + y1) / 2 + bend];
  return [svg("path", { class: `wire ${level(p)}`, d: `M${x0} ${y0} Q${mx} ${my + bend} ${x1} ${y1}` }), part.name ? partMark(part, mx, my - 5, p) : null];
}

function picture(said) {
  const { nets, parts } = shown.drawing;
  const chances = chanceOf(said);
  const mode = bench.state?.context?.mode ?? "";
  const values = valuesOf(said, mode);
  const next = new Set((said?.next ?? []).slice(0, 1).flatMap((each) => each.point.split(" - ")));
  const by = new Map(nets.map((net) => [net.net, net]));
  const lanes = new Map();
  const stubs = new Map();
  const wires = parts.flatMap((part) => {
    const p = chances.get(part.name || by.get(part.to)?.point) ?? 0;
    const from = by.get(part.from);
    const also = part.also.map((net) => by.get(net)).filter(Boolean);
    const thin = also.map((other) => svg("path", { class: "wire thin", d: `M${at(from)} L${at(other)}` }));
    if (part.to === "0") {
      stubs.set(part.from, [...(stubs.get(part.from) ?? []), [part, p]]);
      return thin;
    }
    const pair = [part.from, part.to].sort().join("|");
    const lane = lanes.get(pair) ?? 0;
    lanes.set(pair, lane + 1);
    return [...thin, ...between(part, from, by.get(part.to), p, lane)];
  });
  const grounded = [...stubs].flatMap(([net, list]) => {
    const [x, y] = at(by.get(net));
    return [svg("path", { class: "wire", d: `M${x} ${y} v${20 + 13 * (list.length - 1)} m-7 6 h14` }), ...list.map(([part, p], n) => partMark(part, x - 9, y + 20 + 13 * n, p, "end"))];
  });
  const width = CELL.left * 2 + CELL.width * Math.max(...nets.map((net) => net.column));
  const height = CELL.top * 2 + 36 + CELL.height * Math.max(...nets.map((net) => net.row));
  return svg("svg", { class: "circuit", width, height, viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": `Drawing of ${shown.drawing.unit}: nets and parts` }, ...wires, ...grounded, ...nets.map((net) => netNode(net, values, mode, next)));
}

export function showCircuit(said) {
  const place = document.getElementById("circuit");
  const unit = bench.state?.unit?.drawing ?? null;
  const path = bench.state?.session?.path;
  const key = unit && path ? `${unit}|${path}` : null;
  if (key !== shown.key) {
    if (key) fetchDrawing(key);
    else shown = { key: null, drawing: null };
  }
  const drawing = shown.drawing;
  refill(place, [key, Boolean(drawing), said?.parts, said?.values, said?.next?.[0]?.point, bench.state?.context?.mode], () => (drawing?.nets.length
    ? [el("div", { class: "circuit-view", tabindex: 0, role: "region", "aria-label": "Drawing, to be scrolled", "data-key": "circuit-view" }, picture(said)), el("p", { class: "why" }, "In brackets: printed. A ring: the next probe. Choose a net to name it.")]
    : el("p", { class: "empty" }, "This session has no drawing.")));
}

export function startCircuit() {
  shown = { key: null, drawing: null };
}
