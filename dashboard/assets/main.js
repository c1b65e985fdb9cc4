// The first script: waits for the page that the server laid out, and starts what belongs to it.

import { whenThere } from "./dom.js";
import { connect } from "./link.js";
import { startMasthead, startAlarms } from "./masthead.js";
import { toggleHelp } from "./help.js";
import { startReadouts } from "./readout.js";
import { startMarks } from "./marks.js";
import { startTrend } from "./trend.js";
import { startScope } from "./scope.js";
import { startKicks } from "./kicks.js";
import { startLedger } from "./ledger.js";
import { startCautions } from "./cautions.js";
import { startVoice } from "./voice.js";
import { startSuspects } from "./suspects.js";
import { startSessions } from "./sessions.js";
import { startTimeline } from "./timeline.js";

function startBench() {
  startKicks();
  startReadouts();
  startMarks();
  startTrend();
  startScope();
  startLedger();
  startCautions();
  startVoice();
  startSuspects();
}

const PAGES = { bench: startBench, sessions: startSessions, timeline: startTimeline };

function nameThePage() {
  for (const link of document.querySelectorAll(".masthead nav a")) {
    if (new URL(link.href).pathname === location.pathname) link.setAttribute("aria-current", "page");
  }
}

// Connect only once everything listens: the state comes first and must not be missed.
whenThere("#masthead-live", () => {
  startMasthead(toggleHelp);
  startAlarms();
  nameThePage();
  const page = { "/": "bench", "/sessions": "sessions", "/timeline": "timeline" }[location.pathname];
  if (!page) return connect();
  return whenThere(`#${page}`, () => { PAGES[page](); connect(); });
});
