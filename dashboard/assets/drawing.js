// Entering a drawing: head, points, arrows, parts, photos; checked as it is typed, kept for its model, and nothing lost.

import { el, refill, setText } from "./dom.js";
import { Grid, PRINTED } from "./drawing-grid.js";
import { Photos } from "./drawing-photo.js";
import { bench, confirmationPlace, confirmLine, hear } from "./link.js";
import { keep, stored } from "./keys.js";

const HEAD = [["unit", "Unit", "cassette deck"], ["modes", "Modes", "STOP; PLAY; REC PAUSE"], ["nominal_mains_v", "Nominal mains, volts", "230"], ["tolerance_percent", "Tolerance, per cent", "10"], ["meter_ohm", "Meter it was read with", "10M"]];
const FEW = { follows_mains: ["follows mains", 5, "yes-list"], tolerance_percent: ["tol. %", 4], access: ["access", 5, "access-list"], fed_by: ["fed by", 12] };
const MORE = { net: ["net", 7], source_ohm: ["source ohm", 7], ripple_vpp: ["ripple Vpp", 7], relay_delay_s: ["relay delay s", 6], photo: ["photo", 10], at: ["at", 12] };
const PARTS = { name: ["part", 7], kind: ["kind", 10, "kind-list"], value: ["value", 7], nets: ["nets", 14], tolerance_percent: ["tol. %", 4], weight: ["weight", 4], closed_in: ["closed in", 10], contact_in: ["contact in", 14], current_a: ["current A", 6], ohm: ["ohm", 6], inner_ohm: ["inner ohm", 6], dc_ohm: ["DC ohm", 6], dropout_v: ["dropout V", 6], follows_mains: ["follows mains", 5, "yes-list"] };
const WAIT_MS = 400;

let points = null;
let parts = null;
let photos = null;
let all = false;
let waiting = 0;
let asked = 0;
const heads = {};
const former = [];

const columnsOf = (table) => Object.entries(table).map(([key, [words, width, list]]) => ({ key, words, width, list }));
const modesNow = () => heads.modes.value.split(/[;,]/).map((mode) => mode.trim()).filter(Boolean);
const pointColumns = () => [{ key: "name", words: "point", width: 9 }, { key: "leg", words: "leg", width: 9 }, ...modesNow().map((mode) => ({ key: PRINTED + mode, words: `${mode}, V`, width: 6 })), ...columnsOf(FEW), ...(all ? columnsOf(MORE) : [])];

function sheetNow() {
  const head = Object.fromEntries(Object.entries(heads).map(([key, input]) => [key, input.value.trim()]).filter(([, said]) => said));
  return { head, points: points.filled(), parts: parts.filled() };
}

function show(sheet) {
  for (const [key, input] of Object.entries(heads)) input.value = sheet.head[key] ?? "";
  points.fill(sheet.points, pointColumns());
  parts.fill(sheet.parts, columnsOf(PARTS));
  photos.draw();
  changed();
}

// What stands there now can be had back: another sheet never takes its place for good.
function replaceBy(sheet) {
  former.push(sheetNow());
  show(sheet);
  document.getElementById("drawing-back").disabled = false;
}

const post = (path, body) => fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }).then((answer) => answer.json()).catch(() => ({ error: "The dashboard does not answer.", lines: [], cells: [] }));

function changed() {
  keep("drawing-draft", JSON.stringify(sheetNow()));
  showArrows();
  photos.draw();
  clearTimeout(waiting);
  waiting = setTimeout(check, WAIT_MS);
}

// An answer that comes late says nothing of what stands there now.
async function check() {
  asked += 1;
  const mine = asked;
  const answer = await post("/sheet/check", { sheet: sheetNow() });
  if (mine === asked) showMistakes(answer);
}

function showMistakes({ cells = [], lines = [], toml = "", error = "" }) {
  points.mark(cells.filter(([table]) => table === "point").map(([, row, key, sentence]) => [row, key, sentence]));
  parts.mark(cells.filter(([table]) => table === "part").map(([, row, key, sentence]) => [row, key, sentence]));
  const words = error ? [error] : lines;
  const [entered, drawn] = [points.filled().length, parts.filled().length];
  const began = entered > 0;
  for (const [key, input] of Object.entries(heads)) input.setAttribute("aria-invalid", String(began && cells.some(([table, , at]) => table === "drawing" && at === key)));
  refill(document.getElementById("drawing-mistakes"), [words, entered, drawn], () => {
    if (!words.length) return el("p", { class: "verdict-word is-inside" }, `${entered} points, ${drawn} parts: nothing is wrong with it.`);
    if (!began && !error) return el("p", { class: "empty" }, "Nothing is entered yet.");
    return el("ul", { class: "plain wrong" }, ...words.map((line, n) => el("li", {}, el("button", { type: "button", class: "as-link", onclick: () => pointAt(cells[n]) }, line.replace(/^sheet: /, "")))));
  });
  document.getElementById("drawing-keep").disabled = !toml;
  setText(document.getElementById("drawing-toml"), toml);
}

function pointAt(cell) {
  const [table, row, key] = cell ?? [];
  if (table === "drawing") return heads[key]?.focus();
  const grid = { point: points, part: parts }[table];
  if (!grid) return null;
  if (table === "part") document.getElementById("drawing-parts").open = true;
  if (grid === points && !grid.cell(0, key)) turnColumns(true);
  return (grid.cell(grid.filledIndex(row), key) ?? grid.cell(grid.filledIndex(row), "name"))?.focus();
}

// What feeds what, as lines of arrows from each source on.
function chains() {
  const feeders = new Map(points.filled().filter((row) => row.name).map((row) => [row.name, (row.fed_by ?? "").split(/[;,]|<-/).map((name) => name.trim()).filter(Boolean)]));
  const fed = (name) => [...feeders].filter(([, from]) => from.includes(name)).map(([one]) => one);
  const along = (name, path) => (path.includes(name) ? [[...path, name]] : fed(name).length ? fed(name).flatMap((next) => along(next, [...path, name])) : [[...path, name]]);
  const roots = [...feeders].filter(([name, from]) => !from.length && fed(name).length).map(([name]) => name);
  return roots.flatMap((root) => along(root, [])).slice(0, 60);
}

function showArrows() {
  const lines = chains().map((path) => path.join(" \u2192 "));
  refill(document.getElementById("drawing-arrows"), lines, () => (lines.length ? el("ul", { class: "plain arrows" }, ...lines.map((line) => el("li", {}, line))) : el("p", { class: "empty" }, "In fed by, name the point before: arrows then show what feeds what.")));
}

function turnColumns(to) {
  all = to;
  document.getElementById("drawing-columns").setAttribute("aria-pressed", String(all));
  points.fill(points.rows, pointColumns());
  check();
}

async function takeIn(text, name) {
  if (!text.trim()) return;
  const answer = await post("/sheet/read", { text, name });
  asked += 1;
  if (answer.sheet) {
    replaceBy(answer.sheet);
    document.getElementById("drawing-paste").open = false;
  }
  clearTimeout(waiting); // what is told of the text is not overwritten by a check of the grid that was due
  showMistakes(answer);
}

async function load(unit) {
  const answer = await fetch(`/sheet?unit=${encodeURIComponent(unit)}`).then((found) => found.json());
  replaceBy(answer.sheet);
  photos.fill(answer.photos);
  if (answer.lines.length) showMistakes(answer);
}

async function keepIt() {
  const answer = await post("/sheet/keep", { sheet: sheetNow() });
  if (answer.error || !answer.done) { showMistakes(answer); confirmLine(answer.error ?? "It has mistakes, listed below.", false); return; }
  confirmLine(answer.done);
  listModels((await fetch("/sheet").then((found) => found.json())).models);
}

function listModels(models) {
  const list = document.getElementById("drawing-models");
  refill(list, models, () => [el("option", { value: "" }, models.length ? "kept drawings\u2026" : "none is kept yet"), ...models.map((unit) => el("option", {}, unit))]);
}

const datalist = (id, values) => el("datalist", { id }, ...values.map(([value, words]) => el("option", { value }, words ?? "")));

function lay(place, kinds) {
  for (const [key, words, placeholder] of HEAD) heads[key] = el("input", { id: `head-${key}`, class: "entry", placeholder, autocomplete: "off", spellcheck: "false", oninput: changed });
  heads.modes.addEventListener("change", () => { points.fill(points.rows, pointColumns()); changed(); });
  points = new Grid("points", changed);
  parts = new Grid("parts", changed);
  photos = new Photos(points, () => heads.unit.value.trim(), changed);
  const paste = el("textarea", { id: "drawing-text", class: "entry", rows: "8", spellcheck: "false", "aria-label": "a table, CSV or TOML", placeholder: "point\tleg\tSTOP\tPLAY\tfollows mains\nRAW\tC1+\t18.4\t18.4\tyes\nPBD\t\t0\t10.6\n\nRAW -> PBD" });
  const file = el("input", { type: "file", id: "drawing-file", accept: ".csv,.tsv,.txt,.toml", onchange: async () => { const [chosen] = file.files; if (chosen) { paste.value = await chosen.text(); await takeIn(paste.value, chosen.name); } } });
  const models = el("select", { id: "drawing-models", "aria-label": "kept drawings", onchange: () => { if (models.value) load(models.value); } });
  place.replaceChildren(
    datalist("yes-list", [["yes"], ["no"]]), datalist("access-list", [["easy"], ["hard"]]), datalist("kind-list", Object.entries(kinds)),
    el("div", { class: "choices" }, models, el("button", { type: "button", class: "press", id: "drawing-bench", onclick: () => load("") }, "the one on the bench"), el("button", { type: "button", class: "press", onclick: () => replaceBy({ head: {}, points: [], parts: [] }) }, "an empty one"), el("button", { type: "button", class: "press", id: "drawing-back", disabled: true, onclick: ({ target }) => { show(former.pop()); target.disabled = !former.length; } }, "back to what was here")),
    el("details", { id: "drawing-paste" }, el("summary", {}, "Paste a table, CSV or TOML"), paste, el("p", { class: "choices" }, el("button", { type: "button", class: "press strong", id: "drawing-take", onclick: () => takeIn(paste.value, "pasted") }, "take it in"), el("label", { for: "drawing-file" }, "or a file"), file)),
    el("div", { class: "drawing-head" }, ...HEAD.map(([key, words]) => el("label", { class: "field", for: `head-${key}` }, el("span", {}, words), heads[key]))),
    el("h2", {}, "Points"),
    el("p", { class: "choices" }, el("button", { type: "button", class: "press small", id: "drawing-columns", "aria-pressed": "false", onclick: () => turnColumns(!all) }, "all columns"), el("span", { class: "empty" }, "Enter goes down, a table from a spreadsheet can be pasted at any cell.")),
    points.root,
    el("h2", {}, "What feeds what"), el("div", { id: "drawing-arrows" }),
    el("details", { id: "drawing-parts" }, el("summary", {}, "Parts (for the suspects; the points alone are enough to compare)"), parts.root),
    el("h2", {}, "Photos of the board"), photos.root,
    el("div", { class: "drawing-foot" }, el("div", { class: "choices" }, el("button", { type: "button", class: "press strong", id: "drawing-keep", disabled: true, onclick: keepIt }, "keep it for this model"), confirmationPlace()), el("div", { id: "drawing-mistakes", role: "status" })),
    el("details", {}, el("summary", {}, "The same as a file (TOML)"), el("pre", { id: "drawing-toml", tabindex: "0" })),
  );
}

export async function startDrawing() {
  const found = await fetch("/sheet").then((answer) => answer.json());
  lay(document.getElementById("drawing"), found.kinds);
  listModels(found.models);
  photos.fill(found.photos);
  let draft = null;
  try { draft = JSON.parse(stored("drawing-draft", "null")); } catch { /* an unreadable draft is no draft */ }
  show(found.sheet.points.length ? found.sheet : { head: { unit: bench.state?.unit?.unit ?? "" }, points: [], parts: [] });
  if (draft?.points?.length && JSON.stringify(draft) !== JSON.stringify(sheetNow())) replaceBy(draft);
  if (found.lines.length) showMistakes(found);
  hear("state", (state) => { if (!heads.unit.value && !points.filled().length && document.activeElement !== heads.unit) heads.unit.value = state.unit.unit ?? ""; });
}
