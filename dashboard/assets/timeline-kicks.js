// The traces of switch-ons over their references, small, where the axis has room for them.

import { fetchJson } from "./timeline-data.js";
import { colour, shorten, write } from "./paint.js";

const WIDE = 84;
const MOST = 8;
const MOST_KEPT = 80;
const traces = new Map();

const keyOf = (session, number) => `${session}|${number}`;
const known = (session, number) => (number === null ? [] : traces.get(keyOf(session, number)) ?? []);

// Each is asked for once, all of a drawing together; then it is drawn again.
async function fetchUnknown(page, numbers) {
  const unknown = [...new Set(numbers)].filter((number) => number !== null && !traces.has(keyOf(page.session, number)));
  if (!unknown.length) return;
  for (const number of unknown) traces.set(keyOf(page.session, number), []);
  while (traces.size > MOST_KEPT) traces.delete(traces.keys().next().value);
  const found = await fetchJson("/thumbnails", { session: page.session, captures: unknown.join() }).catch(() => ({}));
  for (const number of unknown) traces.set(keyOf(page.session, number), found[number] ?? []);
  page.redraw();
}

function stroke(pen, rows, at, name, dash) {
  pen.strokeStyle = colour(name);
  pen.setLineDash(dash);
  pen.lineWidth = 1.4;
  pen.beginPath();
  rows.forEach(([t, low, high], n) => {
    if (n) pen.lineTo(...at(t, high));
    else pen.moveTo(...at(t, high));
    if (low !== high) pen.lineTo(...at(t, low));
  });
  pen.stroke();
  pen.setLineDash([]);
}

// Both on one scale: what is missing must look small beside what was expected.
function drawKick(pen, x, top, height, rows, reference, alarm) {
  const both = [...rows, ...reference];
  const times = both.map(([t]) => t);
  const [t0, t1] = [Math.min(...times), Math.max(...times)];
  const [low, high] = [Math.min(...both.map((r) => r[1])), Math.max(...both.map((r) => r[2]))];
  const at = (t, v) => [x + ((t - t0) / (t1 - t0 || 1)) * WIDE, top + height - ((v - low) / Math.max(high - low, 0.05)) * height];
  if (reference.length) stroke(pen, reference, at, "soft", [3, 2]);
  stroke(pen, rows, at, alarm ? "bad" : "series-1", []);
}

export function drawThumbnails(pen, row, page) {
  const alone = row.clusters.map((c) => ({ x: c.x1, kicks: c.marks.filter((mark) => mark.kick) })).filter(({ kicks }) => kicks.length === 1);
  if (alone.length > MOST) return;
  const edges = row.clusters.map((c) => c.x0);
  const wanted = [];
  for (const { x, kicks: [{ kick }] } of alone) {
    const next = edges.find((edge) => edge > x + 1) ?? page.layout.box.right;
    const room = Math.min(next - 6, page.layout.box.right) - (x + 12);
    const alarm = kick.verdict === "missing";
    if (room < WIDE) continue;
    wanted.push(kick.capture, kick.reference);
    const [rows, reference] = [known(page.session, kick.capture), known(page.session, kick.reference)];
    if (rows.length) drawKick(pen, x + 12, row.top + 5, row.height - 12, rows, reference, alarm);
    const words = shorten(pen, `${kick.point}: ${kick.verdict}`, room - WIDE - 8, { size: 12, weight: 600 });
    write(pen, words, x + WIDE + 20, row.top + row.height / 2, { base: "middle", name: alarm ? "bad" : "ink", size: 12, weight: 600 });
  }
  // What is looked at comes first, and its thumbnails once it has come.
  if (page.fine) fetchUnknown(page, wanted);
}
