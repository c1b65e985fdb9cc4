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
import { startWalk } from "./walk.js";
import { startFeet } from "./feet.js";
import { startPhone } from "./phone.js";
import { startDrawing } from "./drawing.js";
import { startPairing } from "./pairing.js";
import { startSuspects } from "./suspects.js";
import { startSessions } from "./sessions.js";
import { startTimeline } from "./timeline.js";

function startBench() {
  startKicks();
  startReadouts();
  startWalk();
  startFeet();
  startMarks();
  startTrend();
  startScope();
  startLedger();
  startCautions();
  startVoice();
  startPairing();
  startSuspects();
}

const PAGES = { bench: startBench, drawing: startDrawing, phone: startPhone, sessions: startSessions, timeline: startTimeline };

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
  const page = location.pathname === "/" ? "bench" : location.pathname.slice(1);
  if (!(page in PAGES)) return connect();
  return whenThere(`#${page}`, () => { PAGES[page](); connect(); });
});
