// What the timeline asks the server for: the story once and then what is new, and the window that is looked at.

const query = (asked) => new URLSearchParams(Object.entries(asked).filter(([, value]) => value !== null && value !== undefined));

async function answered(path, asked, signal) {
  const answer = await fetch(`${path}?${query(asked)}`, { signal });
  if (answer.ok) return answer;
  const { error } = await answer.json().catch(() => ({}));
  throw new Error(error ?? `The dashboard refuses (${answer.status}).`);
}

export const fetchJson = async (path, asked = {}, signal = undefined) => (await answered(path, asked, signal)).json();

// Columns to rows; a name that ends in _ stands for words by number.
function rowsOf(columns, words) {
  const names = Object.keys(columns);
  const plain = names.map((name) => name.replace(/_$/, ""));
  return (columns[names[0]] ?? []).map((_, n) => Object.fromEntries(names.map((name, k) => [plain[k], name.endsWith("_") ? words[columns[name][n]] : columns[name][n]])));
}

export async function fetchStory(session, since = null) {
  const told = await fetchJson("/story", { session, since });
  for (const name of ["placements", "events", "captures"]) told[name] = rowsOf(told[name], told.words);
  if (!since) told.placements = standing(told.placements);
  return told;
}

const standing = (placements) => placements.filter((placement) => !placement.gone);

function merged(old, fresh) {
  if (!fresh.length) return old;
  const all = new Map(old.map((row) => [row.id, row]));
  for (const row of fresh) all.set(row.id, row);
  return [...all.values()].sort((a, b) => a.id - b.id);
}

// True where there is anything new to show beyond the time going on.
export function mergeNews(story, news) {
  const grown = news.mark !== story.mark || JSON.stringify(news.meta) !== JSON.stringify(story.meta);
  const open = news.placements.length > 0;
  const { placements, events, captures, switch_ons } = story;
  Object.assign(story, news, {
    placements: standing(merged(placements, news.placements)),
    events: merged(events, news.events),
    captures: merged(captures, news.captures),
    switch_ons: [...switch_ons, ...news.switch_ons],
  });
  return grown || open;
}

// A window as the server packs it: see dashboard/window_bytes.py.
function unpacked(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  let at = 4 + length;
  const take = (Kind, n) => {
    const values = new Kind(buffer, at, n);
    at += values.byteLength;
    return values;
  };
  const series = new Map();
  for (const { series: number, n, exact } of header.series) {
    const t = take(Float64Array, n);
    const low = take(exact ? Float64Array : Float32Array, n);
    series.set(number, { t, low, high: exact ? low : take(Float32Array, n), exact });
  }
  return { t0_us: header.t0_us, t1_us: header.t1_us, torn: header.torn, series, bytes: buffer.byteLength };
}

function appended(old, fresh, shift, until) {
  const kept = old.t.findLastIndex((t) => t < until) + 1;
  const exact = old.exact && fresh.exact;
  const [Kind, n] = [exact ? Float64Array : Float32Array, kept + fresh.t.length];
  const join = (a, b, Made) => { const all = new Made(n); all.set(a.subarray(0, kept)); all.set(b, kept); return all; };
  const low = join(old.low, fresh.low, Kind);
  return { t: join(old.t, fresh.t.map((t) => t + shift), Float64Array), low, high: exact ? low : join(old.high, fresh.high, Kind), exact };
}

// A window with a later one behind it; where they overlap the later one counts.
export function extended(old, fresh) {
  const shift = fresh.t0_us - old.t0_us;
  const series = new Map(old.series);
  for (const [number, points] of fresh.series) {
    const before = old.series.get(number);
    series.set(number, before ? appended(before, points, shift, shift) : { ...points, t: points.t.map((t) => t + shift) });
  }
  return { ...old, t1_us: fresh.t1_us, torn: { ...old.torn, ...fresh.torn }, bytes: fresh.bytes, series };
}

export async function fetchWindow(session, view, columns, signal) {
  const asked = { session, start_us: view && Math.floor(view.t0), end_us: view && Math.ceil(view.t1), columns };
  return unpacked(await (await answered("/window", asked, signal)).arrayBuffer());
}
