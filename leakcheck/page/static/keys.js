// Everything by keyboard. Letters and signs work anywhere but in text fields; arrows, Enter and
// Delete work while the photo has the focus.

import { byId, el, say } from "./api.js";
import { boxOf, moved, pointsOf, withPointAt } from "./geometry.js";

const STEP = 1; // photo px for an arrow; with Shift ten, with Ctrl fifty
const PAN = 60; // screen px

const HELP = [
  ["Tab", "go to the next control; the photo is one of them"],
  ["R, E, P", "draw a rectangle, an ellipse, a polygon"],
  ["V", "stop drawing; select"],
  ["arrows", "with a tool: move the cross; with an opening: move it; with a point: move that; else the photo"],
  ["Shift, Ctrl + arrows", "ten, fifty pixels at a time"],
  ["Enter", "with a tool: set a corner; with an opening: go to its points; with a row: add it"],
  ["F", "finish the polygon or the row"],
  ["N, B", "next opening, one before"],
  ["J, K", "next point, one before"],
  ["I", "add a point after this one"],
  ["Delete", "delete the point or the opening"],
  ["Escape", "leave the point, the opening, the tool"],
  ["C", "copy along a row"],
  ["M", "rename"],
  ["Ctrl + Z", "undo"],
  ["Ctrl + Y, Ctrl + Shift + Z", "redo"],
  ["+, -, 0", "zoom in, zoom out, whole photo"],
  ["O", "lights off, half, on"],
  ["1, 2, 3", "photos, openings, light test"],
  ["Space + drag", "move the photo"],
];

export class Keys {
  constructor({ store, stage, tools, toStep, rename }) {
    Object.assign(this, { store, stage, tools, toStep, rename });
    document.addEventListener("keydown", (event) => this.#down(event));
    document.addEventListener("keyup", (event) => event.key === " " && (tools.space = false));
    byId("keys-list").replaceChildren(el("dl", {}, HELP.map(([key, does]) => [el("dt", {}, key), el("dd", {}, does)]).flat()));
    byId("show-keys").addEventListener("click", () => byId("keys").showModal());
  }

  #down(event) {
    if (event.target.closest("dialog")) return;
    const typing = event.target.matches("input:not([type=range]):not([type=checkbox]):not([type=radio]), select, textarea");
    if (typing) return;
    const onPhoto = event.target === this.stage.element;
    const act = this.#combined(event) || (event.ctrlKey || event.metaKey ? null : this.#letter(event.key)) || (onPhoto ? this.#onPhoto(event) : null);
    if (!act || event.altKey) return;
    event.preventDefault();
    act();
  }

  #combined(event) {
    if (!(event.ctrlKey || event.metaKey)) return null;
    const key = event.key.toLowerCase();
    if (key === "z") return () => (event.shiftKey ? this.store.redo() : this.store.undo());
    return key === "y" ? () => this.store.redo() : null;
  }

  #letter(key) {
    const tools = { r: "rectangle", e: "ellipse", p: "polygon", c: "row" };
    const letter = key.toLowerCase();
    if (letter in tools) return () => this.#tool(tools[letter]);
    const acts = {
      v: () => this.tools.use("select"),
      f: () => this.tools.finish(),
      n: () => this.#next(1),
      b: () => this.#next(-1),
      j: () => this.#nextPoint(1),
      k: () => this.#nextPoint(-1),
      i: () => this.tools.addPoint(),
      m: () => this.rename(),
      o: () => this.#lights(),
      "+": () => this.stage.zoomBy(1.5),
      "=": () => this.stage.zoomBy(1.5),
      "-": () => this.stage.zoomBy(1 / 1.5),
      0: () => this.stage.fit(),
      1: () => this.toStep("photos"),
      2: () => this.toStep("openings"),
      3: () => this.toStep("test"),
      "?": () => byId("keys").showModal(),
    };
    return acts[letter] || null;
  }

  #onPhoto(event) {
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (event.key in arrows) {
      const step = STEP * (event.shiftKey ? 10 : event.ctrlKey ? 50 : 1);
      const [x, y] = arrows[event.key];
      return () => this.#arrow(x * step, y * step);
    }
    if (event.key === "Enter") return () => this.#enter();
    if (event.key === "Escape") return () => this.#escape();
    if (event.key === "Delete" || event.key === "Backspace") return () => this.#remove();
    if (event.key === " ") return () => (this.tools.space = true);
    return null;
  }

  #tool(tool) {
    this.tools.use(tool);
    if (this.tools.tool !== tool) return say(tool === "row" ? "Select an opening first." : "Open two photos first.");
    this.stage.element.focus();
    if (this.stage.drawn) {
      const { width, height } = this.stage.box;
      this.#toCursor(this.stage.fromScreen([width / 2, height / 2]).map(Math.round));
    }
    return undefined;
  }

  #toCursor(at) {
    const { drawn } = this.stage;
    drawn.cursor = at;
    this.stage.keepInView(at);
    this.tools.preview(at);
    this.stage.draw();
    say(`Cross at ${at[0]}, ${at[1]}.`);
  }

  #arrow(dx, dy) {
    const { store, stage, tools } = this;
    if (stage.drawn) {
      const { width, height } = stage.box;
      const from = stage.drawn.cursor || stage.fromScreen([width / 2, height / 2]).map(Math.round);
      const inside = (value, most) => Math.min(most, Math.max(0, value));
      return this.#toCursor([inside(from[0] + dx, stage.size[0]), inside(from[1] + dy, stage.size[1])]);
    }
    if (tools.tool === "row") return tools.setRow({ dx: tools.row.dx + dx, dy: tools.row.dy + dy });
    const { shape, point } = store;
    if (!shape || !tools.enabled) return stage.panBy(-Math.sign(dx) * PAN, -Math.sign(dy) * PAN);
    if (!point) return store.replace(moved(shape, dx, dy));
    const [x, y] = pointsOf(shape).find((each) => each[2] === point[0] && each[3] === point[1]);
    return store.replace(withPointAt(shape, ...point, [x + dx, y + dy]));
  }

  #enter() {
    const { store, stage, tools } = this;
    if (stage.drawn) return stage.drawn.cursor && tools.place([...stage.drawn.cursor]);
    if (tools.tool === "row") return tools.finishRow();
    return store.shape && !store.point ? this.#nextPoint(1) : undefined;
  }

  #escape() {
    const { store, tools } = this;
    if (tools.tool !== "select") tools.cancel();
    else if (store.point) store.select(store.selected);
    else store.select(-1);
  }

  #remove() {
    if (this.stage.drawn) return this.tools.takeBack();
    if (!this.tools.enabled || !this.store.shape) return undefined;
    if (this.store.point) return this.tools.removePoint();
    say(`${this.store.shape.name} was deleted. Undo brings it back.`);
    return this.store.remove();
  }

  #next(step) {
    const { store, stage } = this;
    const count = store.shapes.length;
    if (!count) return;
    store.select((store.selected < 0 ? (step > 0 ? 0 : count - 1) : store.selected + step + count) % count);
    const [l, t, r, b] = boxOf(store.shape);
    stage.keepInView([(l + r) / 2, (t + b) / 2]);
    say(`${store.shape.name}, ${store.shape.kind}.`);
  }

  #nextPoint(step) {
    const { store, stage } = this;
    if (!store.shape) return;
    const points = pointsOf(store.shape);
    const now = store.point ? points.findIndex((each) => each[2] === store.point[0] && each[3] === store.point[1]) : -1;
    const k = (now < 0 ? (step > 0 ? 0 : points.length - 1) : now + step + points.length) % points.length;
    store.select(store.selected, [points[k][2], points[k][3]]);
    stage.keepInView(points[k]);
    say(`Point ${k + 1} of ${points.length} at ${Math.round(points[k][0])}, ${Math.round(points[k][1])}.`);
  }

  #lights() {
    const lights = byId("lights");
    lights.value = { 0: 50, 50: 100 }[lights.value] ?? 0;
    lights.dispatchEvent(new Event("input"));
    say({ 0: "Lights off.", 50: "Half and half.", 100: "Lights on." }[lights.value]);
  }
}
