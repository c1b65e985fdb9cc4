// Placements and events as tables, a page at a time: the same for eyes that cannot use the plot, and for the keyboard.

import { takeBack } from "./correct.js";
import { el, refill } from "./dom.js";
import { clock } from "./numbers.js";
import { dayWords } from "./timeline-axis.js";
import { verdictWords } from "./timeline-bands.js";
import { lastedWords } from "./timeline-view.js";

const PAGE = 25;

class Paged {
  constructor(id, { caption, headings, row, empty }) {
    Object.assign(this, { id, caption, headings, row, empty, page: 0, rows: [] });
  }

  show(rows, note = "", shown = "") {
    this.rows = rows;
    this.note = note;
    this.shown = shown;
    this.page = Math.min(this.page, Math.max(0, Math.ceil(rows.length / PAGE) - 1));
    this.draw();
  }

  turnTo(n) {
    if (n < 0) return;
    this.page = Math.floor(n / PAGE);
    this.draw();
  }

  draw() {
    const place = document.getElementById(this.id);
    if (!place) return;
    const first = this.page * PAGE;
    const some = this.rows.slice(first, first + PAGE);
    refill(place, [some, this.rows.length, this.page, this.note, this.shown], () => [this.table(some), this.steps(first, some.length), this.note ? el("p", { class: "empty" }, this.note) : null]);
  }

  table(some) {
    if (!some.length) return el("p", { class: "empty" }, this.empty);
    const head = el("tr", {}, ...this.headings.map((words) => (words ? el("th", { scope: "col" }, words) : el("td", {}))));
    // Wider than a phone: it is scrolled, also by keyboard.
    return el("div", { class: "table-room", tabindex: 0, role: "region", "aria-labelledby": `${this.id}-heading`, "data-key": `${this.id}-room` }, el("table", {}, el("thead", {}, head), el("tbody", {}, ...some.map(this.row))));
  }

  steps(first, count) {
    if (this.rows.length <= PAGE) return null;
    const last = Math.ceil(this.rows.length / PAGE) - 1;
    const press = (words, page, key) => el("button", { type: "button", class: "press small", "data-key": `${this.id}-${key}`, "aria-label": `${words} of the ${this.caption}`, disabled: page < 0 || page > last || page === this.page, onclick: () => { this.page = page; this.draw(); } }, words);
    return el("p", { class: "steps choices" }, press("first", 0, "first"), press("before", this.page - 1, "before"), el("span", {}, `${(first + 1).toLocaleString("en-GB")} to ${(first + count).toLocaleString("en-GB")} of ${this.rows.length.toLocaleString("en-GB")}`), press("next", this.page + 1, "next"), press("last", last, "last"));
  }
}

// More than one day: the day is said too.
let days = false;
export const severalDays = (yes) => { days = yes; };
const moment = (t_us) => (days ? `${dayWords(t_us)} ${clock(t_us)}` : clock(t_us));

let looked = null;

const placementRow = (p) => el(
  "tr",
  { class: p.struck ? "struck" : null },
  el("td", { class: "keep" }, el("button", { type: "button", class: "press small", "data-look": String(p.id), "data-key": `look-${p.id}`, "aria-pressed": String(p.id === looked) }, `look at ${p.id}`)),
  el("td", {}, moment(p.t0_us)),
  el("td", { class: "number" }, p.t1_us === null ? "still" : lastedWords(p.t1_us - p.t0_us)),
  el("td", {}, p.probe),
  el("td", {}, p.place),
  el("td", { class: "number" }, p.reads),
  el("td", { class: "keep" }, verdictWords(p)),
  el("td", {}, p.mode),
  el("td", {}, p.condition),
  el("td", {}, p.hypothesis),
);

const eventRow = (event) => el("tr", {}, el("td", {}, moment(event.t_us)), el("td", {}, event.kind), el("td", {}, event.text));
// Undone ones stay in the list: what was thought at the time is part of the record.
const changeRow = (change) => el(
  "tr",
  {},
  el("td", {}, String(change.act)),
  el("td", {}, moment(change.t_us)),
  el("td", {}, change.what),
  el("td", { class: "who" }, change.who),
  el("td", {}, change.why || "no reason given"),
  el("td", {}, change.undone_by !== null ? `taken back by ${change.undone_by}` : mayTakeBack ? el("button", { type: "button", class: "press small", "data-key": `back-${change.act}`, "aria-label": `take back correction ${change.act}`, onclick: () => takeBack(change.act) }, "take back") : "stands"),
);

const placements = new Paged("timeline-table", { caption: "placements", headings: ["", "from", "for", "probe", "point", "reads", "verdict", "mode", "fed by", "hypothesis"], row: placementRow, empty: "" });
const events = new Paged("timeline-events", { caption: "events", headings: ["at", "what", "in words"], row: eventRow, empty: "Nothing happened yet." });
const changes = new Paged("timeline-history", { caption: "changes", headings: ["no.", "at", "what was changed", "who", "why", "now"], row: changeRow, empty: "Nothing was changed: all tags stand as they were first said." });

export const told = (all) => all.filter((p) => !p.silent);

function leftOut(count) {
  if (!count) return "";
  const stays = count === 1 ? "One stay that was" : `${count.toLocaleString("en-GB")} stays that were`;
  return `${stays} over within 2 s without settling: not listed, the readings are kept.`;
}

export function listPlacements(passing, now_looked, follow, filtered) {
  looked = now_looked;
  const rows = told(passing);
  placements.empty = passing.length ? "Every stay was over before it settled." : filtered ? "No placement passes the filters." : "No probe has stayed on a point yet.";
  placements.show(rows, leftOut(passing.length - rows.length), String(looked));
  if (follow) placements.turnTo(rows.findIndex((p) => p.id === looked));
}

export const listEvents = (all) => events.show([...all].reverse());
let mayTakeBack = false;

export function listChanges(rows, running) {
  mayTakeBack = Boolean(running);
  changes.show(rows, "", String(mayTakeBack));
}
