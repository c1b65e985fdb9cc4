// How a verdict came about: the trace with its model and reference, and beneath it what the model leaves.

import { el } from "./dom.js";
import { axisWords, steps } from "./numbers.js";
import { colour, prepare, rule, write } from "./paint.js";

const answers = new Map();
const open = new Set();

async function fetchOpened(number) {
  if (!answers.has(number)) answers.set(number, fetch(`/opened?number=${number}`).then((answer) => answer.json()).catch(() => ({ error: "The record cannot be read now." })));
  const answer = await answers.get(number);
  if (answer.error) answers.delete(number);
  return answer;
}

const LOW = 1;
const HIGH = 2;
const MODEL = 3;
const REFERENCE = 4;
const LEFT_LOW = 5;
const LEFT_HIGH = 6;

function span(rows, columns) {
  const values = rows.flatMap((row) => columns.map((n) => row[n])).filter((v) => v !== null);
  if (!values.length) return [-1, 1];
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const room = Math.max((high - low) * 0.06, 1e-4);
  return [low - room, high + room];
}

function frame(rows, [low, high], { left, right, top, bottom }) {
  const [t0, t1] = [rows[0][0], rows[rows.length - 1][0]];
  return (t, v) => [left + ((t - t0) / (t1 - t0 || 1)) * (right - left), bottom - ((v - low) / (high - low)) * (bottom - top)];
}

// Lowest and highest of each stretch; a gap is a gap.
function stretches(pen, rows, at, [low, high], name) {
  pen.strokeStyle = colour(name);
  pen.lineWidth = 1.4;
  pen.beginPath();
  let drawn = false;
  for (const row of rows) {
    if (row[low] === null) { drawn = false; continue; }
    const [x, y] = at(row[0], row[high]);
    if (drawn) pen.lineTo(x, y);
    else pen.moveTo(x, y);
    pen.lineTo(x, at(row[0], row[low])[1] + 0.5);
    drawn = true;
  }
  pen.stroke();
}

function line(pen, rows, at, column, name, dash) {
  pen.strokeStyle = colour(name);
  pen.lineWidth = 1.5;
  pen.setLineDash(dash);
  pen.beginPath();
  let drawn = false;
  for (const row of rows) {
    if (row[column] === null) { drawn = false; continue; }
    if (drawn) pen.lineTo(...at(row[0], row[column]));
    else pen.moveTo(...at(row[0], row[column]));
    drawn = true;
  }
  pen.stroke();
  pen.setLineDash([]);
}

function scale(pen, at, t0, [low, high], box) {
  const volts = steps(low, high, 3);
  axisWords(volts, "V").forEach((words, n) => {
    const y = at(t0, volts[n])[1];
    rule(pen, box.left, y, box.right, y, volts[n] === 0 ? "firm" : "hair");
    write(pen, words, box.left - 5, y, { align: "right", base: "middle", size: 10 });
  });
}

function draw(canvas, { rows, window_s: [early, late] }) {
  const { pen, width, height } = prepare(canvas);
  const upper = { left: 52, right: width - 6, top: 8, bottom: height * 0.62 };
  const lower = { left: 52, right: width - 6, top: height * 0.7, bottom: height - 20 };
  const [t0, t1] = [rows[0][0], rows[rows.length - 1][0]];
  const above = span(rows, [LOW, HIGH, MODEL, REFERENCE]);
  const below = span(rows, [LEFT_LOW, LEFT_HIGH]);
  const [at, under] = [frame(rows, above, upper), frame(rows, below, lower)];
  const edge = (t) => Math.min(Math.max(at(t, 0)[0], upper.left), upper.right);
  pen.fillStyle = colour("hair");
  pen.fillRect(edge(early), upper.top, Math.max(edge(late) - edge(early), 1), lower.bottom - upper.top);
  scale(pen, at, t0, above, upper);
  scale(pen, under, t0, below, lower);
  for (const t of steps(t0, t1, 5)) write(pen, `${Number(t.toFixed(3))} s`, at(t, 0)[0], height - 5, { align: "center", size: 10 });
  line(pen, rows, at, REFERENCE, "series-4", [6, 4]);
  stretches(pen, rows, at, [LOW, HIGH], "series-1");
  line(pen, rows, at, MODEL, "series-2", []);
  stretches(pen, rows, under, [LEFT_LOW, LEFT_HIGH], "soft");
}

const percent = (share) => `${Math.round(100 * share)} %`;

function words({ compared_with, coverage, window_s, would_show, needed }) {
  const [early, late] = window_s.map((t) => `${t < 0 ? "\u2212" : "+"}${Math.abs(t).toFixed(2)} s`);
  const showing = would_show === null ? "" : ` A kick of half the reference would stand out ${would_show.toFixed(0)} sigma; ${needed.toFixed(1)} are needed.`;
  return `Compared with ${compared_with}. The switch-on lay between ${early} and ${late} (shaded). ${percent(coverage)} of where the kick would be was captured.${showing}`;
}

async function fill(place, kick) {
  const answer = await fetchOpened(kick.capture);
  if (!place.isConnected) return;
  if (answer.error || !answer.rows?.length) {
    place.replaceChildren(el("p", { class: "empty" }, answer.error ?? answer.why));
    return;
  }
  const canvas = el("canvas", { class: "kick-opened", role: "img", "aria-label": `Trace, model and residual at ${kick.point}. ${words(answer)}` });
  const key = (name, text) => el("span", { class: name }, text);
  place.replaceChildren(
    canvas,
    el("p", { class: "legend" }, key("line-now", "trace"), key("line-model", "model"), key("line-reference", "reference"), key("line-left", "what the model leaves")),
    el("p", { class: "why" }, words(answer)),
  );
  draw(canvas, answer);
}

// A part of a verdict's card that opens; it stays open when the card is drawn anew.
export function howJudged(kick) {
  if (kick.capture === null || kick.capture === undefined) return null;
  const place = el("div", {});
  const turned = ({ target }) => {
    if (target.open) { open.add(kick.capture); fill(place, kick); } else open.delete(kick.capture);
  };
  const details = el("details", { class: "how-judged", ontoggle: turned }, el("summary", { "data-key": `how-${kick.capture}` }, "how it was judged"), place);
  details.open = open.has(kick.capture);
  return details;
}
