// Photos of the board with the points on them: choose a point, press on its place; drag it, or move it with the arrows.

import { el, refill } from "./dom.js";
import { say } from "./link.js";

const LONGEST_PX = 1600;
const MOST_BYTES = 1_900_000;
const STEP = 0.005;

export const photoAddress = (unit, name) => `/photo?unit=${encodeURIComponent(unit)}&name=${encodeURIComponent(name)}`;
export const placeOf = (row) => { const at = (row.at ?? "").split(/[;,]/).map(Number); return at.length === 2 && at.every((share) => share >= 0 && share <= 1) && row.at ? at : null; };
const kept = (share) => String(Math.round(Math.min(1, Math.max(0, share)) * 10000) / 10000);

async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, LONGEST_PX / Math.max(picture.width, picture.height));
  const canvas = el("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  for (const quality of [0.85, 0.7, 0.5, 0.3]) {
    const blob = await new Promise((done) => { canvas.toBlob(done, "image/jpeg", quality); });
    if (blob.size <= MOST_BYTES) return blob;
  }
  throw new Error("This picture stays too large: take a smaller one.");
}

async function base64(blob) {
  const bytes = new Uint8Array(await blob.arrayBuffer());
  let text = "";
  for (let n = 0; n < bytes.length; n += 32768) text += String.fromCharCode(...bytes.subarray(n, n + 32768));
  return btoa(text);
}

export class Photos {
  // grid: the points; unit(): the model's name; changed() after a point was placed.
  constructor(grid, unit, changed) {
    Object.assign(this, { grid, unit, changed, names: [], shown: "", chosen: 0 });
    this.choice = el("select", { id: "photo-choice", "aria-label": "photo", onchange: () => { this.shown = this.choice.value; this.draw(); } });
    this.points = el("select", { id: "photo-point", "aria-label": "point to be placed", onchange: () => { this.chosen = Number(this.points.value); this.draw(); } });
    this.file = el("input", { type: "file", id: "photo-file", accept: "image/*", onchange: () => this.add(this.file.files[0]) });
    this.stage = el("div", { class: "photo-stage", onclick: (event) => this.press(event) });
    this.words = el("p", { class: "empty", role: "status" });
    this.root = el("div", { class: "photos" }, el("p", { class: "choices" }, el("label", { for: "photo-file" }, "add a photo"), this.file, this.choice, this.points), this.words, this.stage);
  }

  fill(names) {
    this.names = names;
    if (!names.includes(this.shown)) this.shown = names[0] ?? "";
    this.draw();
  }

  async add(file) {
    if (!file) return;
    if (!this.unit()) return this.tell("Name the unit first: a photo is kept for its model.");
    try {
      const answer = await say({ command: "photo", unit: this.unit(), name: file.name, data: await base64(await smaller(file)) });
      if (answer.error) return this.tell(answer.error);
      this.shown = answer.done.split(" ")[0];
      this.fill([...new Set([...this.names, this.shown])]);
    } catch (error) {
      return this.tell(error.message || "This picture cannot be read.");
    }
    this.file.value = "";
    return null;
  }

  tell(words) {
    this.words.textContent = words;
  }

  named() {
    return this.grid.rows.map((row, n) => [row, n]).filter(([row]) => row.name);
  }

  draw() {
    const rows = this.named();
    if (!rows.some(([, n]) => n === this.chosen)) this.chosen = rows[0]?.[1] ?? 0;
    const placed = rows.map(([row, n]) => [n, row.name, row.leg ?? "", row.photo ?? "", row.at ?? ""]);
    refill(this.choice, [this.names, this.shown], () => (this.names.length ? this.names : [""]).map((name) => el("option", { value: name, selected: name === this.shown }, name || "no photo yet")));
    this.points.hidden = !this.names.length; // there is nothing yet to put a point on
    refill(this.points, [placed, this.chosen], () => placed.map(([n, name, leg, photo]) => el("option", { value: n, selected: n === this.chosen }, `${[name, leg].filter(Boolean).join(" \u00b7 ")}${photo ? " (placed)" : ""}`)));
    refill(this.stage, [this.shown, this.unit(), placed, this.chosen], () => (this.shown ? [el("img", { src: photoAddress(this.unit(), this.shown), alt: `photo of the board: ${this.shown}`, draggable: "false" }), ...rows.filter(([row]) => row.photo === this.shown && placeOf(row)).map(([row, n]) => this.marker(row, n))] : []));
    this.tell(this.shown ? "Choose a point, press on its place. Arrows move the one that has the focus, Delete takes it off." : "A photo from above, well lit, is enough; it is made small enough by itself.");
  }

  marker(row, n) {
    const [x, y] = placeOf(row);
    const node = el("button", { type: "button", class: `pin${n === this.chosen ? " pin-chosen" : ""}`, style: `left:${100 * x}%;top:${100 * y}%`, "data-key": `pin-${n}`, "aria-label": `${row.name} ${row.leg ?? ""}`.trim() }, el("span", {}, [row.name, row.leg].filter(Boolean).join(" ")));
    node.addEventListener("click", (event) => { event.stopPropagation(); this.chosen = n; this.draw(); });
    node.addEventListener("keydown", (event) => this.nudge(event, n));
    node.addEventListener("pointerdown", (event) => this.drag(event, node, n));
    return node;
  }

  share(event) {
    const box = this.stage.querySelector("img").getBoundingClientRect();
    return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
  }

  place(n, [x, y]) {
    this.grid.set(n, "photo", this.shown);
    this.grid.set(n, "at", `${kept(x)}; ${kept(y)}`);
    this.changed();
    this.draw();
  }

  press(event) {
    if (!this.shown || !this.grid.rows[this.chosen]?.name) return;
    this.place(this.chosen, this.share(event));
    const next = this.named().find(([row, n]) => n > this.chosen && !row.photo);
    if (next) { this.chosen = next[1]; this.draw(); }
  }

  nudge(event, n) {
    const by = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] }[event.key];
    if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      for (const key of ["photo", "at"]) this.grid.set(n, key, "");
      this.changed();
      return this.draw();
    }
    if (!by) return null;
    event.preventDefault();
    event.stopPropagation();
    const [x, y] = placeOf(this.grid.rows[n]);
    return this.place(n, [x + by[0], y + by[1]]);
  }

  drag(event, node, n) {
    node.setPointerCapture(event.pointerId);
    const move = (now) => { const [x, y] = this.share(now); node.style.left = `${100 * x}%`; node.style.top = `${100 * y}%`; node.dataset.moved = "yes"; };
    node.addEventListener("pointermove", move);
    node.addEventListener("pointerup", (now) => {
      node.removeEventListener("pointermove", move);
      if (!node.dataset.moved) return;
      this.chosen = n;
      this.place(n, this.share(now));
    }, { once: true });
  }
}
