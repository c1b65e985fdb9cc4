// What is said, in words that a person would say: numbers, units, names of points, verdicts. Pure.
// Own words, one a line as `word = what is said`, replace any of them.

import { LOWEST, decimals, scaled } from "./numbers.js";

const EN = {
  ones: "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split(" "),
  tens: "- - twenty thirty forty fifty sixty seventy eighty ninety".split(" "),
  name: "English", point: "point", minus: "minus", plus: "plus", oh: "oh",
  volts: ["volt", "volts"], peak: "peak to peak", amperes: ["ampere", "amperes"], ohms: ["ohm", "ohms"], hertz: ["hertz", "hertz"], seconds: ["second", "seconds"], farads: ["farad", "farads"], degrees: ["degree", "degrees"],
  legs: { B: "base", C: "collector", E: "emitter", G: "gate", D: "drain", S: "source", A: "anode", K: "cathode" },
  next: "next", expected: "expected", last: "that was the last point", passed: "passed over", held: "held", switch: "switch to", over: "beyond the range", open: "open", lead: "no reading yet",
  touch: "Above the touch limit. Clip on with power off.",
};
const DE = {
  ones: "null eins zwei drei vier fünf sechs sieben acht neun zehn elf zwölf dreizehn vierzehn fünfzehn sechzehn siebzehn achtzehn neunzehn".split(" "),
  tens: "- - zwanzig dreißig vierzig fünfzig sechzig siebzig achtzig neunzig".split(" "),
  name: "Deutsch", point: "Komma", minus: "minus", plus: "plus", oh: "null",
  volts: ["Volt", "Volt"], peak: "Spitze Spitze", amperes: ["Ampere", "Ampere"], ohms: ["Ohm", "Ohm"], hertz: ["Hertz", "Hertz"], seconds: ["Sekunde", "Sekunden"], farads: ["Farad", "Farad"], degrees: ["Grad", "Grad"],
  legs: { B: "Basis", C: "Kollektor", E: "Emitter", G: "Gate", D: "Drain", S: "Source", A: "Anode", K: "Kathode" },
  inside: "gut", "probably inside": "wohl gut", outside: "außerhalb", "probably outside": "wohl außerhalb",
  next: "weiter mit", expected: "erwartet", last: "das war der letzte Punkt", passed: "ausgelassen", held: "angehalten", switch: "umschalten auf", over: "über dem Bereich", open: "offen", lead: "noch kein Messwert",
  touch: "Über der Berührgrenze. Nur stromlos anklemmen.",
  "no verdict": "ohne Urteil", and: "und", lifted: "ausgelötet", bypassed: "überbrückt", "a part": "ein Teil",
};
export const LANGUAGES = { en: EN, de: DE };

const UNITS = { V: "volts", Vpp: "volts", A: "amperes", ohm: "ohms", Hz: "hertz", s: "seconds", F: "farads", degC: "degrees" };
const PREFIXES = { G: "giga", M: "mega", k: "kilo", "": "", m: "milli", "\u00b5": "micro", n: "nano", p: "pico" };

export function ownWords(lines) {
  const pairs = lines.split("\n").map((line) => line.split("=").map((part) => part.trim())).filter(([word, said]) => word && said);
  return new Map(pairs.map(([word, said]) => [word.toLowerCase(), said]));
}

function below100(n, words) {
  if (n < 20) return words.ones[n];
  const [ten, one] = [words.tens[Math.floor(n / 10)], n % 10];
  if (!one) return ten;
  return words === DE ? `${one === 1 ? "ein" : words.ones[one]}und${ten}` : `${ten}-${words.ones[one]}`;
}

function below1000(n, words) {
  if (n < 100) return below100(n, words);
  const [hundreds, rest] = [Math.floor(n / 100), n % 100];
  if (words === DE) return `${hundreds === 1 ? "ein" : words.ones[hundreds]}hundert${rest ? below100(rest, words) : ""}`;
  return `${words.ones[hundreds]} hundred${rest ? ` ${below100(rest, words)}` : ""}`;
}

function whole(n, words) {
  if (n < 1000) return below1000(n, words);
  const [thousands, rest] = [Math.floor(n / 1000), n % 1000];
  if (words === DE) return `${thousands === 1 ? "ein" : below1000(thousands, words)}tausend${rest ? below1000(rest, words) : ""}`;
  return `${below1000(thousands, words)} thousand${rest ? ` ${below1000(rest, words)}` : ""}`;
}

// "14.8" as "fourteen point eight"; digits behind the point one by one.
export function numberSaid(text, language = "en") {
  const words = LANGUAGES[language] ?? EN;
  const [front, behind] = text.replace(/^[-+\u2212]/, "").split(".");
  const said = [whole(Number(front), words), ...(behind ? [words.point, ...[...behind].map((digit) => words.ones[digit])] : [])];
  return (/^[-\u2212]/.test(text) ? [words.minus, ...said] : said).join(" ");
}

export function valueSaid(value, unit, language = "en", digits = 3) {
  const words = LANGUAGES[language] ?? EN;
  const many = words[UNITS[unit]];
  const peak = unit === "Vpp" ? ` ${words.peak}` : "";
  if (Math.abs(value) < (LOWEST[unit] ?? 0) / 10) return `${words.ones[0]} ${many ? many[1] : unit ?? ""}${peak}`.trim();
  const [shown, prefix] = scaled(value, unit, 4);
  const text = String(Number(shown.toFixed(decimals(shown, digits))));
  const name = many ? joined(PREFIXES[prefix], text === "1" ? many[0] : many[1], words) : unit ?? "";
  return `${numberSaid(text, language)} ${name}${peak}`.trim();
}

function joined(prefix, name, words) {
  if (!prefix) return name;
  if (words === EN && name.startsWith("ohm")) return prefix === "kilo" ? `kil${name}` : prefix === "mega" ? `meg${name}` : prefix + name;
  return words === DE ? prefix[0].toUpperCase() + prefix.slice(1) + name.toLowerCase() : prefix + name;
}

// "Q302" as "Q three oh two", "+15" as "plus fifteen": three digits and more one by one, as the trade reads them.
export function nameSaid(name, language = "en", own = new Map()) {
  if (own.has(name.toLowerCase())) return own.get(name.toLowerCase());
  const words = LANGUAGES[language] ?? EN;
  const signs = { "+": ` ${words.plus} `, "-": ` ${words.minus} ` };
  const digits = (run) => (run.length < 3 ? ` ${below100(Number(run), words)} ` : ` ${[...run].map((d) => (d === "0" ? words.oh : words.ones[d])).join(" ")} `);
  return name.replace(/^[+-]|[+-]$/g, (sign) => signs[sign]).replace(/\d+/g, digits).replace(/\s+/g, " ").trim();
}

export function pointSaid(point, leg, language = "en", own = new Map()) {
  const words = LANGUAGES[language] ?? EN;
  const foot = own.get((leg ?? "").toLowerCase()) ?? words.legs[leg] ?? (leg ? nameSaid(leg, language, own) : "");
  return [nameSaid(point, language, own), foot].filter(Boolean).join(" ");
}

export const phrase = (word, language = "en", own = new Map()) => own.get(word.toLowerCase()) ?? (LANGUAGES[language] ?? EN)[word] ?? word;

// Why a reading has no verdict: "R five and C seven lifted".
export function alteredSaid(altered, language = "en", own = new Map()) {
  const said = (word) => phrase(word, language, own);
  const kinds = [...new Set(altered.map((each) => each.what))];
  const names = (what) => altered.filter((each) => each.what === what).map((each) => (each.part ? nameSaid(each.part, language, own) : said("a part")));
  return kinds.map((what) => `${names(what).join(` ${said("and")} `)} ${said(what)}`).join(", ");
}
