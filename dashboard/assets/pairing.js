// The code that lets a phone in, shown at the desk while it is good.

import { el, refill } from "./dom.js";

const LOOK_MS = 5000;
const OFF = "This machine alone. Started with --lan, the dashboard lets a phone of this network in, with a code that is shown here.";

async function ask(options) {
  const answer = await fetch("/pairing", options).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

const order = (act) => ask({ method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ do: act }) }).then(show);
const button = (act, words) => el("button", { type: "button", class: "press", "data-key": act, onclick: () => order(act) }, words);

function codeLine({ code, seconds, addresses }) {
  if (!code) return el("p", {}, "No code is good just now.");
  return el("p", {}, "On the phone open ", ...addresses.flatMap((address, n) => [n ? " or " : "", el("b", {}, address)]), " and type ", el("b", { class: "pairing-code" }, code), `. Good once, for ${Math.max(1, Math.ceil(seconds / 60))} min.`);
}

function show(now) {
  const place = document.getElementById("pairing");
  if (!now || !place) return;
  const { lan, code, guests, why } = now;
  refill(place, [lan, code, now.addresses, Math.ceil((now.seconds ?? 0) / 60), guests, why], () => (lan
    ? [codeLine(now), why ? el("p", { class: "wanting" }, why) : null, el("p", { class: "choices" }, button("new", "new code"), guests ? button("forget", `let ${guests} device${guests > 1 ? "s" : ""} go`) : null), el("p", { class: "empty" }, "What goes over the network is not encrypted: use it on one that you trust.")]
    : el("p", { class: "empty" }, OFF)));
}

export async function startPairing() {
  const now = await ask();
  show(now);
  if (now?.lan) setInterval(async () => { if (!document.hidden) show(await ask()); }, LOOK_MS);
}
