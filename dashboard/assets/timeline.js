// The timeline's own keys: from placement to placement, to the filters, to the table.

import { startCorrecting } from "./correct.js";
import { onKey } from "./keys.js";

const looks = () => [...document.querySelectorAll("#timeline-table button")];

function lookAt(step) {
  const buttons = looks();
  if (!buttons.length) return;
  const now = buttons.findIndex((button) => button.getAttribute("aria-pressed") === "true");
  const next = now < 0 ? (step > 0 ? 0 : buttons.length - 1) : Math.min(buttons.length - 1, Math.max(0, now + step));
  buttons[next].click();
}

const focusOn = (selector) => () => document.querySelector(selector)?.focus();

export function startTimeline() {
  onKey("n", "next placement", () => lookAt(1));
  onKey("b", "placement before", () => lookAt(-1));
  startCorrecting();
  onKey("p", "filter by point", focusOn("#filter-point"));
  onKey("m", "filter by mode", focusOn("#filter-mode"));
  onKey("h", "filter by hypothesis", focusOn("#filter-hypothesis"));
}
