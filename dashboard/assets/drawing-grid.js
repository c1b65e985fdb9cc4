// A grid to type and paste into: rows of cells by key, each an entry of its own, one empty row always at the end.

import { el } from "./dom.js";

export const PRINTED = "printed ";

const isEmpty = (row) => Object.values(row).every((cell) => !cell);

// What was pasted from a spreadsheet: rows by line, cells by tab.
export const pastedRows = (text) => text.replace(/\r/g, "").replace(/\n$/, "").split("\n").map((line) => line.split("\t"));

export class Grid {
  // columns: [{key, words, list?, width?}]; changed() is called after every change.
  constructor(name, changed) {
    this.name = name;
    this.changed = changed;
    this.rows = [];
    this.columns = [];
    this.focused = null;
    this.head = el("tr", {});
    this.body = el("tbody", {});
    this.root = el("div", { class: "table-room" }, el("table", { class: "grid", "aria-label": name }, el("thead", {}, this.head), this.body));
    this.body.addEventListener("keydown", (event) => this.move(event));
    this.body.addEventListener("paste", (event) => this.paste(event));
    this.body.addEventListener("focusin", ({ target }) => { this.focused = target.dataset.row === undefined ? this.focused : Number(target.dataset.row); });
  }

  fill(rows, columns = this.columns) {
    this.rows = rows.map((row) => ({ ...row }));
    this.columns = columns;
    this.head.replaceChildren(...columns.map(({ words }) => el("th", { scope: "col" }, words)), el("th", {}, el("span", { class: "unseen" }, "take out")));
    this.body.replaceChildren();
    this.rows.forEach((_, n) => this.addRow(n));
    this.ensureEmpty();
  }

  filled() {
    return this.rows.filter((row) => !isEmpty(row)).map((row) => Object.fromEntries(Object.entries(row).filter(([, cell]) => cell)));
  }

  // Rows that are left empty between others count in nothing: what is checked counts the filled ones.
  filledIndex(n) {
    return this.rows.map((row, at) => [row, at]).filter(([row]) => !isEmpty(row))[n]?.[1] ?? null;
  }

  ensureEmpty() {
    if (this.rows.length && isEmpty(this.rows.at(-1))) return;
    this.rows.push({});
    this.addRow(this.rows.length - 1);
  }

  addRow(n) {
    const cells = this.columns.map(({ key, words, list, width }) => el("td", {}, el("input", { class: "cell", "data-row": n, "data-column": key, value: this.rows[n][key] ?? "", list: list ?? null, size: width ?? 8, autocomplete: "off", spellcheck: "false", "aria-label": `${words}, row ${n + 1}`, oninput: ({ target }) => this.typed(target) })));
    const away = el("button", { type: "button", class: "press small away", "aria-label": `take row ${n + 1} out`, onclick: () => this.takeOut(n) }, "\u00d7");
    this.body.append(el("tr", {}, ...cells, el("td", {}, away)));
  }

  typed(input) {
    this.rows[Number(input.dataset.row)][input.dataset.column] = input.value.trim();
    this.ensureEmpty();
    this.changed();
  }

  takeOut(n) {
    const at = this.rows.filter((_, one) => one !== n);
    this.fill(at);
    this.cell(Math.min(n, at.length - 1), this.columns[0].key)?.focus();
    this.changed();
  }

  cell(row, key) {
    return this.body.querySelector(`input[data-row="${row}"][data-column="${CSS.escape(key)}"]`);
  }

  set(row, key, value) {
    this.rows[row][key] = value;
    const input = this.cell(row, key);
    if (input) input.value = value;
  }

  move(event) {
    const { row, column } = event.target.dataset;
    if (column === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = { ArrowDown: 1, Enter: event.shiftKey ? -1 : 1, ArrowUp: -1 }[event.key];
    if (!step || (event.key !== "Enter" && event.target.list)) return;
    event.preventDefault();
    this.cell(Number(row) + step, column)?.focus();
  }

  paste(event) {
    const text = event.clipboardData?.getData("text") ?? "";
    const { row, column } = event.target.dataset;
    if (column === undefined || !/[\t\n]/.test(text.replace(/\n$/, ""))) return;
    event.preventDefault();
    const first = this.columns.findIndex(({ key }) => key === column);
    const from = Number(row);
    const rows = this.rows.map((each) => ({ ...each }));
    pastedRows(text).forEach((cells, down) => {
      rows[from + down] ??= {};
      cells.forEach((cell, right) => { const key = this.columns[first + right]?.key; if (key) rows[from + down][key] = cell.trim(); });
    });
    this.fill(rows);
    this.cell(from, column)?.focus();
    this.changed();
  }

  // wrong: [[row among the filled ones, key, sentence]]
  mark(wrong) {
    const at = new Map(wrong.map(([n, key, sentence]) => [`${this.filledIndex(n)}|${key}`, sentence]));
    for (const input of this.body.querySelectorAll(".cell")) {
      const sentence = at.get(`${input.dataset.row}|${input.dataset.column}`);
      if (sentence) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
      input.title = sentence ?? "";
    }
  }
}
