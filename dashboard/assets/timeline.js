// The timeline page: which session, what passes the filters, which placement is opened, and the keys for all of it.

import { startCorrecting } from "./correct.js";
import { el, refill, setText } from "./dom.js";
import { onKey } from "./keys.js";
import { fetchJson, fetchStory, fetchWindow, mergeNews } from "./timeline-data.js";
import { isFiltered, openFilter, passes, showFilters, startFilters } from "./timeline-filters.js";
import { listChanges, listEvents, listPlacements, severalDays, told } from "./timeline-list.js";
import { closePanel, showStay } from "./timeline-panel.js";
import { columnsWanted, grow, lookAt, onTrouble, open, page, retry, showPlacement, startPlot, whenViewed, zoomToPlacement } from "./timeline-plot.js";
import { startPointer } from "./timeline-pointer.js";
import { dayWords, momentWords } from "./timeline-axis.js";
import { moved, zoomed } from "./timeline-view.js";

const AGAIN_MS = 2000;
const DAY_US = 86_400e6;
const wrong = new Map();
let loading = 0;

const place = (id) => document.getElementById(`timeline-${id}`);
const chosen = () => place("choose").querySelector("select");

// What is not as it should be, each in a sentence of its own, above everything.
function complain(about, sentences) {
  wrong.set(about, sentences.filter(Boolean));
  const all = [...new Set([...wrong.values()].flat())];
  refill(place("wrong"), all, () => (all.length ? el("div", { class: "wrong" }, el("b", {}, page.story ? "Not everything is here." : "Nothing can be read."), el("ul", {}, ...all.slice(0, 20).map((words) => el("li", {}, words))), all.length > 20 ? el("p", {}, `And ${all.length - 20} more of the kind.`) : null) : []));
}

const moment = (t_us) => `${dayWords(t_us)} ${momentWords(t_us, 60e6)}`;
const number = (n) => n.toLocaleString("en-GB");
const many = (n, one, more = `${one}s`) => `${number(n)} ${n === 1 ? one : more}`;

function showHead() {
  const { meta, placements, events, captures, running } = page.story;
  const serial = meta.serial ? `, no. ${meta.serial}` : "";
  setText(place("unit"), `${meta.unit || "unit not named"}${serial}`);
  document.title = `${meta.unit || "timeline"} \u2013 probetrail`;
  const started = /^\d+$/.test(meta.started_us) ? `Started ${moment(Number(meta.started_us))}` : "Start not known";
  const ended = running ? "running" : /^\d+$/.test(meta.closed_us) ? `closed ${moment(Number(meta.closed_us))}` : "left open: its daemon ended without closing it";
  setText(place("standing"), `${started}, ${ended}. ${many(placements.length, "placement")}, ${many(events.length, "event")}, ${many(captures.length, "kept trace")}. Local time.`);
}

// What a technician looks for first: placements outside, objections, kicks that were missing.
function troubles() {
  const out = page.story.placements.filter((p) => passes(p) && /outside$/.test(p.verdict)).map((p) => ({ t_us: p.t0_us, placement: p.id }));
  const objections = page.story.events.filter((e) => e.kind === "objection").map((e) => ({ t_us: e.t_us, placement: e.placement }));
  const missing = page.story.switch_ons.filter((k) => k.verdict === "missing").map((k) => ({ t_us: k.t_us }));
  return { out, objections, missing, all: [...out, ...objections, ...missing].sort((a, b) => a.t_us - b.t_us) };
}

let at_trouble = null;

function nextTrouble(step) {
  if (!page.story) return null;
  const { all } = troubles();
  if (!all.length) return null;
  const from = at_trouble ?? (step > 0 ? -Infinity : Infinity);
  const next = step > 0 ? all.find((t) => t.t_us > from) ?? all[0] : all.findLast((t) => t.t_us < from) ?? all.at(-1);
  at_trouble = next.t_us;
  if (next.placement) return look(next.placement);
  const half = (page.view.t1 - page.view.t0) / 2;
  return lookAt({ t0: next.t_us - half, t1: next.t_us + half });
}

function showTroubles() {
  const { out, objections, missing, all } = troubles();
  const words = [out.length ? `${number(out.length)} outside` : "", objections.length ? many(objections.length, "objection") : "", missing.length ? many(missing.length, "missing switch-on") : ""].filter(Boolean).join(", ");
  setText(place("troubles"), words || "nothing outside, no objection");
  for (const id of ["trouble-next", "trouble-before"]) document.getElementById(id).disabled = !all.length;
}

const passing = () => page.story.placements.filter(passes);

function showLists(follow) {
  listPlacements(passing(), page.looked, follow, isFiltered());
  listEvents(page.story.events);
}

function filtered() {
  page.redraw();
  showTroubles();
  showLists(false);
}

let changes = -1;

async function showChanges() {
  if (changes === page.story.changes) return;
  const asked = page.session;
  const { rows } = await fetchJson("/history", { session: asked });
  if (asked !== page.session) return;
  changes = page.story.changes;
  listChanges(rows, page.story.running);
}

function showAll() {
  showHead();
  showFilters(page.story.placements, filtered);
  showTroubles();
  showLists(false);
  showChanges().catch((error) => complain("changes", [error.message]));
}

function look(id) {
  const placement = page.story?.placements.find((p) => p.id === id);
  if (!placement) return;
  page.looked = id;
  showPlacement(placement);
  listPlacements(passing(), id, true, isFiltered());
  showStay(page.session, page.story.running, id);
}

function lookBy(step) {
  if (!page.story) return;
  const rows = told(passing());
  const now = rows.findIndex((p) => p.id === page.looked);
  const next = now < 0 ? rows[step > 0 ? 0 : rows.length - 1] : rows[Math.min(rows.length - 1, Math.max(0, now + step))];
  if (next) look(next.id);
}

const looked = () => page.story?.placements.find((p) => p.id === page.looked);

// "#from,to" in microseconds: a stretch that was kept or sent as an address.
function followAddress() {
  const [t0, t1] = location.hash.slice(1).split(",").map(Number);
  if (page.story && t1 > t0) lookAt({ t0, t1 });
}

async function load(session) {
  loading += 1;
  const mine = loading;
  try {
    const [story, whole] = await Promise.all([fetchStory(session), fetchWindow(session, null, columnsWanted())]);
    if (mine !== loading) return;
    wrong.clear();
    document.getElementById("timeline").classList.remove("unread");
    [changes, at_trouble] = [-1, null];
    complain("readings", Object.values(whole.torn));
    severalDays(story.t1_us - story.t0_us > DAY_US / 2);
    open(story, whole);
    page.passes = passes;
    followAddress();
    closePanel();
    showAll();
    if (!story.running) fetchJson("/losses", { session: story.session }).then(({ sentences }) => { if (mine === loading) complain("losses", sentences); }).catch((error) => complain("losses", [error.message]));
  } catch (error) {
    if (mine !== loading) return;
    complain("session", [`${error.message.replace(/([^.!?])$/, "$1.")} Choose another session above.`]);
    if (page.story) return;
    setText(place("standing"), "This session cannot be shown.");
    document.getElementById("timeline").classList.add("unread");
  }
}

// Only what is new is asked for; a session that does not run has nothing new.
async function goOn() {
  if (document.hidden || !page.story?.running) return;
  const mine = loading;
  try {
    const news = await fetchStory(page.session, page.story.mark);
    if (mine !== loading) return;
    complain("news", []);
    const opened = JSON.stringify([looked(), page.story.changes]);
    const more = mergeNews(page.story, news);
    grow(page.story);
    if (!more) return;
    showAll();
    const lasts = looked()?.t1_us === null;
    if (page.looked !== null && (lasts || JSON.stringify([looked(), page.story.changes]) !== opened)) showStay(page.session, page.story.running, page.looked);
  } catch {
    complain("news", ["The dashboard does not answer: what is shown is old. This page goes on by itself."]);
  }
}

async function listSessions() {
  const { sessions } = await fetchJson("/listing");
  const readable = sessions.filter((s) => ["running", "closed", "left open"].includes(s.state));
  const options = readable.map((s) => el("option", { value: s.file, selected: s.file === page.session }, `${s.words}${s.state === "closed" ? "" : ` (${s.state})`}`));
  const pick = el("select", { id: "session-choice", onchange: () => choose(pick.value) }, ...options);
  place("choose").replaceChildren(el("label", { for: "session-choice" }, "session "), pick);
}

function choose(file) {
  history.replaceState(history.state, "", `?session=${encodeURIComponent(file)}`);
  load(file);
}

const press = (key, words, act, more = {}) => el("button", { type: "button", class: "press small", onclick: act, ...more }, key ? el("kbd", {}, key) : null, el("span", {}, words));

// Each is a button and a key.
function tools() {
  const view = (change) => () => { if (page.view) lookAt(change(page.view)); };
  const acts = {
    in: view((now) => zoomed(now, 0.4)),
    out: view((now) => zoomed(now, 2.5)),
    earlier: view((now) => moved(now, -0.4)),
    later: view((now) => moved(now, 0.4)),
    whole: view(() => page.whole),
    opened: () => { if (looked()) zoomToPlacement(looked()); },
    next: () => nextTrouble(1),
    before: () => nextTrouble(-1),
  };
  onKey("+", "zoom in", acts.in);
  onKey("-", "zoom out", acts.out);
  onKey("ArrowLeft", "earlier", acts.earlier);
  onKey("ArrowRight", "later", acts.later);
  onKey("w", "the whole session", acts.whole);
  onKey("z", "zoom to the opened placement", acts.opened);
  onKey("o", "next that is outside, objected to or missing", acts.next);
  onKey("i", "the one before", acts.before);
  return el(
    "div",
    { class: "tools timeline-tools" },
    el("span", { class: "choices" }, press("i", "before", acts.before, { id: "trouble-before", "aria-describedby": "timeline-troubles" }), press("o", "next", acts.next, { id: "trouble-next", "aria-describedby": "timeline-troubles" }), el("span", { id: "timeline-troubles" })),
    el("span", { class: "choices" }, press("\u2190", "earlier", acts.earlier), press("\u2192", "later", acts.later), press("+", "in", acts.in, { id: "zoom-in" }), press("-", "out", acts.out, { id: "zoom-out" }), press("w", "whole", acts.whole, { id: "zoom-whole" }), press("z", "opened", acts.opened, { id: "zoom-opened" })),
  );
}

function startKeys() {
  onKey("n", "next placement", () => lookBy(1));
  onKey("b", "placement before", () => lookBy(-1));
  onKey("p", "filter by point", openFilter("point"));
  onKey("m", "filter by mode", openFilter("mode"));
  onKey("h", "filter by hypothesis", openFilter("hypothesis"));
}

export function startTimeline() {
  if (!place("plot")) return;
  startFilters(place("filters"), filtered);
  startPlot(place("plot"), tools());
  startPointer(({ placement }) => look(placement));
  startKeys();
  startCorrecting();
  whenViewed(retry);
  onTrouble((sentence) => complain("window", [sentence]));
  document.addEventListener("click", ({ target }) => {
    const button = target.closest?.("[data-look]");
    if (button) look(Number(button.dataset.look));
  });
  closePanel();
  load(document.getElementById("timeline").dataset.session).finally(listSessions);
  addEventListener("hashchange", followAddress);
  document.addEventListener("corrected", goOn);
  setInterval(goOn, AGAIN_MS);
}
