// The one WebSocket of a page: what the daemon says, taken apart and handed on.

import { el } from "./dom.js";

const AGAIN_MS = 700;
const listeners = { state: [], readings: [], event: [], trace: [], link: [] };

export const bench = { state: null, link: { ok: false, since_us: null, who: "daemon" }, offset_us: 0 };

export const hear = (kind, listener) => listeners[kind].push(listener);
export const now_us = () => Date.now() * 1000 + bench.offset_us;

const tell = (kind, ...what) => listeners[kind].forEach((listener) => listener(...what));

const TAKE = {
  state({ state }) {
    bench.offset_us = state.now_us - Date.now() * 1000;
    bench.state = state;
    tell("state", state);
  },
  readings({ series }) {
    tell("readings", series);
  },
  event({ event }) {
    tell("event", event);
  },
  link({ ok, since_us }) {
    setLink({ ok, since_us, who: "daemon" });
  },
};

function setLink(link) {
  bench.link = link;
  tell("link", link);
}

function takeTrace(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const volts = new Float32Array(buffer.slice(4 + length));
  tell("trace", header, volts);
}

let lost_us = null;

export function connect() {
  const socket = new WebSocket(`ws://${location.host}/live`);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => { lost_us = null; };
  socket.onmessage = ({ data }) => {
    if (typeof data !== "string") return takeTrace(data);
    const frame = JSON.parse(data);
    TAKE[frame.kind]?.(frame);
  };
  socket.onclose = () => {
    lost_us ??= now_us();
    setLink({ ok: false, since_us: lost_us, who: "dashboard" });
    setTimeout(connect, AGAIN_MS);
  };
}

// Commands arrive in the order in which they were said: two keys in a row may mean something else the other way round.
let before = Promise.resolve();

export function say(command) {
  before = before.then(() => carry(command));
  return before;
}

// One command; the confirmation line tells what became of it.
async function carry(command) {
  try {
    const answer = await fetch("/do", {
      method: "POST",
      headers: { "Content-Type": "application/json", "probetrail-page": location.pathname },
      body: JSON.stringify(command),
    });
    const content = await answer.json().catch(() => ({ error: `The dashboard refuses (${answer.status}).` }));
    confirmLine(content.done ?? content.error, answer.ok);
    return answer.ok ? content : { error: content.error, field: content.field ?? "" };
  } catch {
    confirmLine("The dashboard does not answer: this was not kept.", false);
    return { error: "no answer", field: "" };
  }
}

let line = null;

export function confirmationPlace() {
  line ??= el("p", { id: "said", class: "said", role: "status", "aria-live": "polite" });
  return line;
}

export function confirmLine(sentence, good = true) {
  const place = confirmationPlace();
  place.className = good ? "said good" : "said bad";
  const at = new Date().toTimeString().slice(0, 8);
  place.replaceChildren(el("span", { class: "said-mark" }, good ? "Kept" : "Not kept"), " ", el("span", {}, sentence), " ", el("time", {}, at));
}
