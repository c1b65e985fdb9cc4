// Values and times as words and digits.

const MINUS = "\u2212";
const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "\u00b5"], [1e-9, "n"], [1e-12, "p"]];
export const LOWEST = { V: 1e-3, Vpp: 1e-3, A: 1e-3, ohm: 1, Hz: 1, s: 1e-6, F: 1e-12 };
const SIGNS = { ohm: "\u03a9", degC: "\u00b0C" };

// Uncertainties (two digits or fewer) go down to micro: that says more than a row of zeros.
export function scaled(value, unit, digits = 4) {
  const lowest = LOWEST[unit] === 1e-3 && digits <= 2 ? 1e-6 : LOWEST[unit];
  if (lowest === undefined || value === 0) return [value, ""];
  const size = Math.abs(value);
  const [factor, prefix] = PREFIXES.find(([f]) => size >= f * 0.99995 && f >= lowest) ?? PREFIXES.find(([f]) => f === lowest);
  return [value / factor, prefix];
}

export function decimals(shown, digits) {
  const whole = Math.abs(shown) < 1 ? 1 : Math.floor(Math.log10(Math.abs(shown)) + 1e-9) + 1;
  return Math.max(0, digits - whole);
}

// {digits: "10.56", unit: "V"}; four digits unless told otherwise.
export function parts(value, unit, digits = 4) {
  const [shown, prefix] = scaled(value, unit, digits);
  const text = shown.toFixed(decimals(shown, digits));
  const zero = Number(text) === 0;
  const signed = zero ? text.replace("-", "") : text.replace("-", MINUS);
  return { digits: signed, unit: prefix + (SIGNS[unit] ?? unit ?? "") };
}

export function text(value, unit, digits = 4) {
  if (value === null || value === undefined) return "none";
  const { digits: number, unit: name } = parts(value, unit, digits);
  return name ? `${number}\u00a0${name}` : number;
}

const two = (n) => String(n).padStart(2, "0");

export function clock(t_us) {
  const when = new Date(t_us / 1000);
  return `${two(when.getHours())}:${two(when.getMinutes())}:${two(when.getSeconds())}`;
}

export function ago(seconds) {
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}

// Labels of one axis, all with the prefix that suits its longest step.
export function axisWords(values, unit) {
  const largest = Math.max(...values.map(Math.abs), 0);
  const [shown, prefix] = scaled(largest, unit);
  const factor = largest ? largest / shown : 1;
  const name = prefix + (SIGNS[unit] ?? unit);
  return values.map((value) => `${String(Number((value / factor).toPrecision(6))).replace("-", MINUS)}\u00a0${name}`);
}

// Round steps for an axis: at most `most` of them between low and high.
export function steps(low, high, most) {
  const raw = (high - low) / Math.max(1, most);
  if (!(raw > 0)) return [low];
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= raw * 0.999);
  const marks = [];
  for (let at = Math.ceil(low / step - 1e-9) * step; at <= high + step * 1e-6; at += step) marks.push(Math.abs(at) < step * 1e-6 ? 0 : at);
  return marks;
}
