// By point, mode and hypothesis: a list to tick, opened and closed by its own name.

import { el, refill, setText } from "./dom.js";

const NAMES = ["point", "mode", "hypothesis"];
const chosen = new Map(NAMES.map((name) => [name, new Set()]));

export const passes = (placement) => NAMES.every((name) => !chosen.get(name).size || chosen.get(name).has(placement[name]));
export const isFiltered = () => NAMES.some((name) => chosen.get(name).size > 0);

function say(name) {
  const those = [...chosen.get(name)];
  const words = those.length > 2 ? `${those.length} ${name === "hypothesis" ? "hypotheses" : `${name}s`}` : those.join(", ");
  setText(document.querySelector(`#filter-${name} .filter-now`), words || `every ${name}`);
  document.getElementById("filters-off").hidden = !isFiltered();
}

function box(name, value, changed) {
  const tick = el("input", { type: "checkbox", "data-key": `${name}|${value}`, onchange: () => {
    chosen.get(name)[tick.checked ? "add" : "delete"](value);
    say(name);
    changed();
  } });
  tick.checked = chosen.get(name).has(value);
  return el("label", { class: "tick" }, tick, el("span", {}, value));
}

export function showFilters(placements, changed) {
  for (const name of NAMES) {
    const values = [...new Set(placements.map((p) => p[name]).filter(Boolean))].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
    for (const gone of [...chosen.get(name)].filter((value) => !values.includes(value))) chosen.get(name).delete(gone);
    refill(document.querySelector(`#filter-${name} .ticks`), values, () => (values.length ? values.map((value) => box(name, value, changed)) : el("p", { class: "empty" }, `No ${name} was named.`)));
    say(name);
  }
}

export const openFilter = (name) => () => {
  const list = document.getElementById(`filter-${name}`);
  list.open = true;
  list.querySelector("input")?.focus();
};

export function startFilters(place, changed) {
  const off = el("button", { type: "button", class: "press small", id: "filters-off", hidden: true, onclick: () => {
    for (const name of NAMES) chosen.get(name).clear();
    for (const tick of place.querySelectorAll("input")) tick.checked = false;
    NAMES.forEach(say);
    changed();
    document.querySelector("#filter-point summary").focus();
  } }, "show all again");
  place.replaceChildren(...NAMES.map((name) => el("details", { class: "filter", id: `filter-${name}` }, el("summary", {}, el("span", { class: "filter-name" }, name), " ", el("span", { class: "filter-now" }, `every ${name}`)), el("div", { class: "ticks", role: "group", "aria-label": `which ${name}` }))), off);
  const shut = (list) => { list.open = false; };
  place.addEventListener("keydown", (event) => {
    const list = event.key === "Escape" ? event.target.closest("details[open]") : null;
    if (!list) return;
    event.stopPropagation();
    shut(list);
    list.querySelector("summary").focus();
  });
  document.addEventListener("click", ({ target }) => { for (const list of place.querySelectorAll("details[open]")) if (!list.contains(target)) shut(list); });
  place.addEventListener("toggle", ({ target }) => { if (target.open) for (const list of place.querySelectorAll("details[open]")) if (list !== target) shut(list); }, true);
}
