// Which lane shows what: one a series, the probes' first; placements stand on the lane of what they read.

const keyOf = (row) => `${row.instrument}|${row.channel}`;

export function lanesOf(story) {
  const probes = new Map(story.placements.map((p) => [keyOf(p), p.probe]));
  const lanes = story.series.map((s) => ({ ...s, series: s.id, probe: probes.get(keyOf(s)) ?? "", placements: [] }));
  const met = new Set(lanes.map((lane) => lane.probe));
  for (const probe of new Set(probes.values())) if (!met.has(probe)) lanes.push({ series: null, probe, instrument: "", channel: "", quantity: "", unit: "", placements: [] });
  lanes.sort((a, b) => Number(!a.probe) - Number(!b.probe) || a.probe.localeCompare(b.probe, "en", { numeric: true }) || (a.series ?? 0) - (b.series ?? 0));
  const known = new Map();
  for (const placement of story.placements) {
    const place = `${placement.probe}|${keyOf(placement)}|${placement.quantity}`;
    if (!known.has(place)) known.set(place, laneOf(placement, lanes));
    known.get(place)?.placements.push(placement);
  }
  for (const lane of lanes) lane.placements.sort((a, b) => a.t0_us - b.t0_us);
  return lanes;
}

function laneOf(placement, lanes) {
  const own = lanes.filter((lane) => lane.probe === placement.probe);
  const same = own.filter((lane) => keyOf(lane) === keyOf(placement));
  const near = same.length ? same : own;
  return near.find((lane) => lane.quantity === placement.quantity) ?? near[0];
}

export const endOf = (placement, last_us) => placement.t1_us ?? last_us;

// The kinds of events by lane: a mark for each; those of a lane that fall together are counted.
const MARKS = {
  "switch-on": ["switch-on", "\u25b2"], "switch-off": ["switch-on", "\u25bc"],
  note: ["notes", "\u25cf"], proof: ["notes", "\u2605"], "part replaced": ["notes", "\u25a0"], "part lifted": ["notes", "\u25a1"], bypassed: ["notes", "\u25c6"], adjusted: ["notes", "\u25c7"], cleaned: ["notes", "\u25cb"],
  objection: ["objections", "\u2715"],
  mode: ["unit", "\u2502"], condition: ["unit", "\u2502"], hypothesis: ["unit", "\u25c7"], unit: ["unit", "\u25cb"],
};
export const MARK_LANES = ["switch-on", "objections", "notes", "unit", "bench", "captures"];
export const markOf = (kind) => MARKS[kind] ?? ["bench", "\u25cb"];

export function marksOf(story) {
  const lanes = new Map(MARK_LANES.map((name) => [name, []]));
  for (const event of story.events) {
    if (event.kind === "switch-on verdict") continue; // stands with its trace
    const [lane, sign] = markOf(event.kind);
    lanes.get(lane).push({ t_us: event.t_us, sign, words: `${event.kind}: ${event.text}`, event });
  }
  for (const kick of story.switch_ons) lanes.get("switch-on").push({ t_us: kick.t_us, sign: kick.verdict === "missing" ? "\u25b2" : "\u25b3", words: `${kick.point}: ${kick.verdict}${kick.why ? `. ${kick.why}` : ""}`, kick });
  for (const capture of story.captures) lanes.get("captures").push({ t_us: capture.t_us, sign: "\u223f", words: `${capture.role} trace, ${capture.place}, ${capture.length_s} s`, capture });
  for (const marks of lanes.values()) marks.sort((a, b) => a.t_us - b.t_us);
  return lanes;
}

// Marks of a lane in view, those nearer than `apart` pixels together as one.
export function clusters(marks, { t0, t1 }, at, apart) {
  const found = [];
  for (let n = firstAfter(marks, t0); n < marks.length && marks[n].t_us <= t1; n += 1) {
    const x = at(marks[n].t_us);
    const last = found.at(-1);
    if (last && x - last.x0 < apart) { last.marks.push(marks[n]); last.x1 = x; }
    else found.push({ x0: x, x1: x, marks: [marks[n]] });
  }
  return found;
}

export function firstAfter(rows, t, time = (row) => row.t_us) {
  let [low, high] = [0, rows.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time(rows[middle]) < t) low = middle + 1;
    else high = middle;
  }
  return low;
}
