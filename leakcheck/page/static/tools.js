// Drawing and changing openings with mouse, finger and pen.

import { byId, say } from "./api.js";
import { boxOf, ellipseIn, middlesOf, moved, rectangle, rowOf, withNewPoint, withoutPoint, withPointAt } from "./geometry.js";

const STILL_PX = 4; // a press that moves less is a click
const LEAST_PX = 2; // photo px: a shape that is smaller was drawn by mistake
const CLOSE_PX = 12; // screen px to the first point that close a polygon
const HINTS = {
  rectangle: "Drag a rectangle, or tap two opposite corners.",
  ellipse: "Drag an ellipse, or tap two opposite corners of its box.",
  polygon: "Tap the corners one after the other; tap the first one again to finish.",
  row: "Drag the last copy to where the row ends.",
};

export class Tools extends EventTarget {
  tool = "select"; // or rectangle, ellipse, polygon, row
  kind = "window"; // of new shapes
  row = { count: 4, dx: 0, dy: 0 };
  enabled = false;
  #press = null; // what the pointer that is down does: {move, up}
  #pointers = new Map();
  #pinch = null;

  constructor(store, stage) {
    super();
    this.store = store;
    this.stage = stage;
    const element = stage.element;
    element.addEventListener("pointerdown", (event) => this.#down(event));
    element.addEventListener("pointermove", (event) => this.#move(event));
    element.addEventListener("pointerup", (event) => this.#up(event));
    element.addEventListener("pointercancel", (event) => this.#up(event, true));
    element.addEventListener("dblclick", () => this.tool === "polygon" && this.finish());
    element.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    byId("finish").addEventListener("click", () => this.finish());
    byId("cancel").addEventListener("click", () => this.cancel());
    store.addEventListener("selection", () => this.tool === "row" && !store.shape && this.use("select"));
  }

  use(tool) {
    if (tool !== "select" && !this.enabled) return;
    if (tool === "row" && !this.store.shape) return;
    this.tool = tool;
    Object.assign(this.stage, { drawn: null, ghosts: [] });
    if (["rectangle", "ellipse", "polygon"].includes(tool)) {
      this.stage.drawn = { points: [], cursor: null };
      this.store.select(-1);
      byId("see-openings").checked = true;
    }
    if (tool === "row") this.#startRow();
    this.#hint();
    this.stage.draw();
    this.dispatchEvent(new Event("tool"));
  }

  /** Drop what is half drawn; where nothing is, put the tool down. */
  cancel() {
    const half = this.stage.drawn?.points.length;
    this.use(half ? this.tool : "select");
  }

  /** Make a shape of what has been drawn so far. */
  finish() {
    if (this.tool === "row") return this.finishRow();
    const { points } = this.stage.drawn || {};
    if (this.tool !== "polygon" || !points) return;
    const kept = points.filter((point, k) => !k || String(point) !== String(points[k - 1]));
    if (kept.length < 3) return say("A polygon needs three corners or more.");
    this.#add({ rings: [kept.map(([x, y]) => [rounded(x), rounded(y)])] });
  }

  /** A corner of what is being drawn. */
  place(at) {
    const { drawn } = this.stage;
    if (this.tool === "polygon") {
      const first = drawn.points[0];
      if (drawn.points.length > 2 && this.#near(first, at)) return this.finish();
      drawn.points.push(at);
      say(`Corner ${drawn.points.length}.`);
    } else if (!drawn.points.length) drawn.points = [at];
    else return this.#addBox(drawn.points[0], at);
    this.#hint();
    return this.stage.draw();
  }

  /** Show where the next corner would come. */
  preview(at) {
    const { drawn } = this.stage;
    if (!drawn?.points.length) return;
    if (this.tool === "polygon") drawn.end = at;
    else drawn.box = this.#box(drawn.points[0], at);
    this.stage.draw();
  }

  takeBack() {
    const { drawn } = this.stage;
    if (!drawn?.points.length) return false;
    drawn.points.pop();
    delete drawn.box;
    this.#hint();
    this.stage.draw();
    return true;
  }

  setRow(row) {
    this.row = { ...this.row, ...row };
    this.stage.ghosts = this.store.shape ? rowOf(this.store.shape, this.row.count, this.row.dx, this.row.dy, this.store.names) : [];
    this.stage.draw();
    this.dispatchEvent(new Event("row"));
  }

  finishRow() {
    if (!this.stage.ghosts.length) return;
    const ghosts = this.stage.ghosts;
    this.use("select");
    this.store.add(...ghosts);
    say(`${ghosts.length} copies were added.`);
  }

  removePoint() {
    const { shape, point } = this.store;
    const less = shape && point ? withoutPoint(shape, ...point) : null;
    if (!less) return say(shape?.ellipse ? "An ellipse has no points to delete." : "Three points must stay.");
    const last = less.rings[point[0]].length - 1;
    return this.store.change(this.store.shapes.map((old) => (old === shape ? less : old)), { point: [point[0], Math.min(point[1], last)] });
  }

  addPoint() {
    const { shape, point } = this.store;
    if (!shape || shape.ellipse) return say("Select a polygon first.");
    const [ring, index] = point || [0, 0];
    const [x, y, r, i] = middlesOf(shape).find((middle) => middle[2] === ring && middle[3] === index + 1);
    return this.store.change(this.store.shapes.map((old) => (old === shape ? withNewPoint(shape, r, i, [x, y]) : old)), { point: [r, i] });
  }

  #startRow() {
    const [l, , r] = boxOf(this.store.shape);
    const step = this.row.dx || this.row.dy ? {} : { dx: rounded((r - l) * 1.8), dy: 0 };
    this.setRow(step);
    say("A row: set how many copies and how far apart, then Finish.");
  }

  #hint() {
    const points = this.stage.drawn?.points.length || 0;
    const box = byId("doing");
    box.hidden = this.tool === "select";
    byId("doing-hint").textContent = HINTS[this.tool] || "";
    byId("cancel").textContent = points || this.tool === "row" ? "Cancel" : "Done";
    byId("finish").hidden = !(this.tool === "row" || (this.tool === "polygon" && points > 2));
    this.stage.element.dataset.tool = this.tool;
  }

  #down(event) {
    this.#pointers.set(event.pointerId, event);
    this.stage.element.setPointerCapture(event.pointerId);
    if (this.#pointers.size === 2) return this.#startPinch();
    if (this.#pointers.size > 2 || event.button > 1) return undefined;
    this.#press = { at: [event.clientX, event.clientY], last: [event.clientX, event.clientY], still: true, ...this.#begun(event) };
    return undefined;
  }

  /** What a press starts, by what it is on. */
  #begun(event) {
    const target = event.target;
    if (target.closest("#divider")) return { move: (now) => this.#slide(now) };
    if (event.button === 1 || this.space) return { move: (now) => this.#pan(now) };
    if (this.stage.drawn) return this.#drawing(event);
    if (this.tool === "row") return this.#draggingRow(event);
    const badge = target.closest("[data-list]");
    if (badge) return { move: (now) => this.#pan(now), click: () => this.#chosen(badge.dataset) };
    const grip = target.closest(".handle");
    if (grip && this.enabled) return this.#draggingPoint(grip);
    const hit = target.closest("[data-k]");
    if (hit) return this.#draggingShape(Number(hit.dataset.k), event);
    return { move: (now) => this.#pan(now), click: () => this.store.select(-1) };
  }

  #drawing(event) {
    const start = this.stage.toPhoto(event);
    if (this.tool === "polygon") return { move: (now) => this.#pan(now), click: () => this.place(start) };
    return {
      move: (now) => {
        this.stage.drawn.box = this.#box(start, this.stage.toPhoto(now));
        this.stage.draw();
      },
      up: (now) => this.#addBox(start, this.stage.toPhoto(now)),
      click: () => this.place(start),
    };
  }

  #draggingRow(event) {
    const start = this.stage.toPhoto(event);
    const { dx, dy, count } = this.row;
    return {
      move: (now) => {
        const [x, y] = this.stage.toPhoto(now);
        this.setRow({ dx: rounded(dx + (x - start[0]) / count), dy: rounded(dy + (y - start[1]) / count) });
      },
    };
  }

  #draggingPoint(grip) {
    const [ring, index] = [Number(grip.dataset.ring), Number(grip.dataset.index)];
    const before = this.store.shape;
    const fresh = grip.classList.contains("middle");
    const base = fresh ? withNewPoint(before, ring, index, middlesOf(before).find((m) => m[2] === ring && m[3] === index)) : before;
    this.store.select(this.store.selected, fresh ? null : [ring, index]);
    return this.#changing(before, (to) => withPointAt(base, ring, index, to), { point: [ring, index], click: fresh ? () => this.#commit(before, base, [ring, index]) : null });
  }

  #draggingShape(k, event) {
    const already = k === this.store.selected;
    const select = () => this.store.select(k);
    // A finger that slides over a window means to move the photo, unless the window is selected.
    if (!this.enabled || (event.pointerType === "touch" && !already)) return { move: (now) => this.#pan(now), click: select };
    select();
    const before = this.store.shape;
    const start = this.stage.toPhoto(event);
    return this.#changing(before, ([x, y]) => moved(before, x - start[0], y - start[1]), { click: select });
  }

  /** Show a change while it is dragged; it becomes one step when the pointer goes up. */
  #changing(before, changed, { point = null, click }) {
    const k = this.store.selected;
    const show = (shape) => {
      this.store.shapes[k] = shape;
      this.stage.draw();
    };
    return {
      move: (now) => show(changed(this.stage.toPhoto(now))),
      up: (now) => this.#commit(before, changed(this.stage.toPhoto(now)), point, k),
      cancel: () => show(before),
      click,
    };
  }

  #commit(before, after, point, k = this.store.selected) {
    this.store.shapes[k] = before;
    this.store.change(this.store.shapes.map((old, index) => (index === k ? after : old)), { selected: k, point });
  }

  #move(event) {
    if (this.#pointers.has(event.pointerId)) this.#pointers.set(event.pointerId, event);
    if (this.#pinch) return this.#pinched();
    if (!this.#press) {
      if (this.stage.drawn && event.pointerType !== "touch") {
        this.stage.drawn.cursor = null; // the mouse has taken over from the keys
        this.preview(this.stage.toPhoto(event));
      }
      return undefined;
    }
    const [x, y] = this.#press.at;
    if (this.#press.still && Math.hypot(event.clientX - x, event.clientY - y) < STILL_PX) return undefined;
    this.#press.still = false;
    this.#press.move?.(event);
    this.#press.last = [event.clientX, event.clientY];
    return undefined;
  }

  #up(event, cancelled = false) {
    this.#pointers.delete(event.pointerId);
    if (this.#pinch) {
      if (!this.#pointers.size) this.#pinch = null;
      return;
    }
    const press = this.#press;
    this.#press = null;
    if (!press) return;
    if (cancelled) press.cancel?.();
    else if (press.still) press.click?.();
    else press.up?.(event);
  }

  #startPinch() {
    this.#press?.cancel?.();
    if (this.stage.drawn) delete this.stage.drawn.box;
    this.#press = null;
    this.#pinch = this.#fingers();
  }

  #fingers() {
    const [a, b] = [...this.#pointers.values()];
    const box = this.stage.box;
    return { apart: Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY), middle: [(a.clientX + b.clientX) / 2 - box.left, (a.clientY + b.clientY) / 2 - box.top] };
  }

  #pinched() {
    if (this.#pointers.size < 2) return;
    const now = this.#fingers();
    this.stage.panBy(now.middle[0] - this.#pinch.middle[0], now.middle[1] - this.#pinch.middle[1]);
    this.stage.zoomBy(now.apart / Math.max(1, this.#pinch.apart), now.middle);
    this.#pinch = now;
  }

  #pan(event) {
    this.stage.panBy(event.clientX - this.#press.last[0], event.clientY - this.#press.last[1]);
  }

  #slide(event) {
    const box = this.stage.box;
    const lights = byId("lights");
    lights.value = ((event.clientX - box.left) / box.width) * 100;
    lights.dispatchEvent(new Event("input"));
  }

  #wheel(event) {
    event.preventDefault();
    const box = this.stage.box;
    const lines = event.deltaMode === 1 ? 30 : 1;
    this.stage.zoomBy(Math.exp(-event.deltaY * lines * 0.0015), [event.clientX - box.left, event.clientY - box.top]);
  }

  #chosen({ list, index }) {
    this.dispatchEvent(new CustomEvent("mark", { detail: { list, index: Number(index) } }));
  }

  #near(a, b) {
    const [ax, ay] = this.stage.toScreen(a);
    const [bx, by] = this.stage.toScreen(b);
    return Math.hypot(ax - bx, ay - by) < CLOSE_PX;
  }

  #box(a, b) {
    return this.tool === "ellipse" ? ellipseIn(a, b) : rectangle(a, b);
  }

  #addBox(a, b) {
    const shape = this.#box(a, b);
    const [l, t, r, bottom] = boxOf(shape);
    if (r - l < LEAST_PX || bottom - t < LEAST_PX) {
      delete this.stage.drawn.box;
      this.stage.draw();
      return say("That is too small: drag from one corner to the opposite one.");
    }
    return this.#add(shape);
  }

  #add(shape) {
    this.stage.drawn = { points: [], cursor: this.stage.drawn.cursor }; // the next one follows
    this.store.add({ name: `${this.kind}-1`, kind: this.kind, colour: null, ...shape });
    this.#hint();
    say(`${this.store.shape.name} was added. Draw the next one, or press Done.`);
  }
}

const rounded = (number) => Math.round(number * 100) / 100;

