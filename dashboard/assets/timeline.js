// The timeline's own keys: from placement to placement, to the filters, to the table.

import { startCorrecting } from "./correct.js";
import { onKey } from "./keys.js";

const numberOf = (button) => Number(button.dataset.look);

let asked = null; // until the table shows it

// Said straight to the page's store: a running session redraws its table, and a press must not be lost in it.
function look(number) {
  asked = number;
  window.dash_clientside.set_props("timeline-look", { data: number });
}

function lookAt(step) {
  const buttons = [...document.querySelectorAll("[data-look]")];
  if (!buttons.length) return;
  const shown = buttons.findIndex((button) => button.getAttribute("aria-pressed") === "true");
  if (shown >= 0 && numberOf(buttons[shown]) === asked) asked = null;
  const now = asked === null ? shown : buttons.findIndex((button) => numberOf(button) === asked);
  const next = now < 0 ? (step > 0 ? 0 : buttons.length - 1) : Math.min(buttons.length - 1, Math.max(0, now + step));
  look(numberOf(buttons[next]));
}

const focusOn = (selector) => () => document.querySelector(selector)?.focus();

export function startTimeline() {
  onKey("n", "next placement", () => lookAt(1));
  onKey("b", "placement before", () => lookAt(-1));
  startCorrecting();
  document.addEventListener("click", ({ target }) => {
    const button = target.closest?.("[data-look]");
    if (button) look(numberOf(button));
  });
  onKey("p", "filter by point", focusOn("#filter-point"));
  onKey("m", "filter by mode", focusOn("#filter-mode"));
  onKey("h", "filter by hypothesis", focusOn("#filter-hypothesis"));
}
