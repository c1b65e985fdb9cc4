// Starting a session, naming its unit, taking an old one up again.

import { el, refill } from "./dom.js";
import { bench, confirmationPlace, hear, say } from "./link.js";

const field = (name, label, more = {}) => ({ name, label, input: el("input", { id: `unit-${name}`, name, class: "entry", autocomplete: "off", ...more }) });

const FIELDS = [
  field("unit", "Unit", { placeholder: "cassette deck", required: true }),
  field("serial", "Serial number", { placeholder: "as on its label" }),
  field("rated_mains_v", "Rated mains, volts", { inputmode: "decimal", required: true, placeholder: "as on its label" }),
  field("drawing", "Drawing file", { placeholder: "path, if there is one" }),
];

function radios() {
  const one = (value, words) => el("label", { class: "radio" }, el("input", { type: "radio", name: "protection", value, required: true }), el("span", {}, words));
  return el("fieldset", {}, el("legend", {}, "Is this unit earthed (3 wires) or double-insulated (2 wires)? Limits follow from this."), one("earthed", "earthed, 3 wires"), one("double-insulated", "double-insulated, 2 wires"));
}

function filled(form) {
  const given = Object.fromEntries(FIELDS.map(({ name, input }) => [name, input.value.trim()]).filter(([, value]) => value));
  if (given.rated_mains_v) given.rated_mains_v = Number(given.rated_mains_v.replace(",", "."));
  const protection = form.elements.protection.value;
  return protection ? { ...given, protection } : given;
}

function pointAt(name) {
  for (const { name: one, input } of FIELDS) input.setAttribute("aria-invalid", String(one === name));
  FIELDS.find(({ name: one }) => one === name)?.input.focus();
}

// What has to be answered first is asked on the bench page.
function refused({ field: name }) {
  if (name === "caution") confirmationPlace().append(" ", el("a", { href: "/#cautions" }, "Answer it on the bench page"));
  else pointAt(name);
}

async function send(form, command) {
  if (!form.reportValidity()) return;
  const answer = await say({ ...command, ...filled(form) });
  if (answer.error) return refused(answer);
  await say({ command: "confirm", caution: "class", answer: filled(form).protection });
  if (command.do === "start") location.assign("/");
}

function showRunning(place, form) {
  const state = bench.state;
  refill(place, [state?.session, state?.unit], () => {
    if (!state?.session) return [el("p", {}, "No session is running.")];
    const { unit, serial } = state.unit;
    return [el("p", {}, "Running: ", el("b", {}, unit || "unit not named"), serial ? ` no. ${serial}` : "", `, ${state.session.name}. A new one closes it in good order.`)];
  });
  if (!state || form.dataset.touched) return;
  for (const { name, input } of FIELDS) {
    // The state knows the drawing by its own name, not where its file lies.
    if (name === "drawing") input.placeholder = state.unit.drawing ? `kept: ${state.unit.drawing}` : "path, if there is one";
    else if (!input.value && state.unit[name]) input.value = state.unit[name];
  }
  if (state.unit.protection) form.elements.protection.value = state.unit.protection;
}

export function startSessions() {
  const running = el("div", { class: "running" });
  const form = el("form", { class: "unit-form", novalidate: null });
  form.append(
    radios(),
    ...FIELDS.map(({ label, input }) => el("label", { class: "field", for: input.id }, el("span", {}, label, input.required ? " (must be answered)" : ""), input)),
    el("div", { class: "choices" }, el("button", { type: "submit", class: "press strong", id: "start-session" }, "start a new session with this unit"), el("button", { type: "button", class: "press", id: "name-unit", onclick: () => send(form, { command: "unit" }) }, "put this into the running session")),
    confirmationPlace(),
  );
  form.addEventListener("input", () => { form.dataset.touched = "yes"; });
  form.addEventListener("submit", (event) => { event.preventDefault(); send(form, { command: "session", do: "start" }); });
  document.getElementById("session-form").replaceChildren(running, form);
  document.addEventListener("click", async ({ target }) => {
    const file = target.closest?.("[data-resume]")?.dataset.resume;
    if (!file) return;
    const answer = await say({ command: "session", do: "resume", file });
    if (answer.error) refused(answer);
    else location.assign("/");
  });
  hear("state", () => showRunning(running, form));
}
