// Marks of the time axis in this machine's time of day, from milliseconds to days.

const MS = 1000;
const S = 1000 * MS;
const DAY = 86_400 * S;
const STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500].map((n) => n * MS).concat([1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200].map((n) => n * S), [1, 2, 7, 14, 28].map((n) => n * DAY));
const FINEST = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5].map((n) => n * MS);

const two = (n) => String(n).padStart(2, "0");
const dayOf = (t) => { const d = new Date(t / MS); return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}`; };

// "10:02:31.250" with as many decimals as the step asks for.
export function momentWords(t, step = S) {
  const d = new Date(t / MS);
  const seconds = step < 60 * S ? `:${two(d.getSeconds())}` : "";
  const decimals = step >= S ? 0 : step >= MS ? 3 : 6;
  const fraction = ((t % S) + S) % S;
  return `${two(d.getHours())}:${two(d.getMinutes())}${seconds}${decimals ? `.${String(Math.floor(fraction / 10 ** (6 - decimals))).padStart(decimals, "0")}` : ""}`;
}

export const dayWords = (t) => new Date(t / MS).toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" });

// [{t, words, day}]: `day` is said at the first mark and where the day changes.
export function timeMarks({ t0, t1 }, most) {
  const step = [...FINEST, ...STEPS].find((s) => (t1 - t0) / s <= most) ?? 56 * DAY;
  const shift = new Date(t0 / MS).getTimezoneOffset() * 60 * S;
  const marks = [];
  let day = "";
  for (let t = Math.ceil((t0 - shift) / step) * step + shift; t <= t1; t += step) {
    const today = dayOf(t);
    marks.push({ t, words: step >= DAY ? dayWords(t) : momentWords(t, step), day: step < DAY && today !== day ? dayWords(t) : "" });
    day = today;
  }
  return marks;
}
