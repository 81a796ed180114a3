// The openings as they are being edited: every change can be undone and is saved at once.

import { copyOf, freeName } from "./geometry.js";
import { Refused, send } from "./api.js";

const MOST_UNDONE = 300; // steps that are kept

export class Store extends EventTarget {
  shapes = [];
  selected = -1; // index of a shape
  point = null; // [ring, index] of the selected shape's point
  revision = 0;
  saving = "idle"; // idle, saving, saved, conflict or failed
  sentence = ""; // why it is not saved
  #undone = [];
  #done = [];
  #wanted = false;

  /** Take over what the program has. */
  load(shapes, revision, { keepHistory = false } = {}) {
    if (keepHistory) this.#done.push(this.shapes);
    else this.#done = [];
    this.#undone = [];
    Object.assign(this, { shapes, revision, selected: -1, point: null, saving: "idle", sentence: "" });
    this.#tell();
  }

  get shape() {
    return this.shapes[this.selected] || null;
  }

  get busy() {
    return this.#wanted || this.saving === "saving";
  }

  get canUndo() {
    return this.#done.length > 0;
  }

  get canRedo() {
    return this.#undone.length > 0;
  }

  get names() {
    return new Set(this.shapes.map((shape) => shape.name));
  }

  select(index, point = null) {
    if (index === this.selected && String(point) === String(this.point)) return;
    this.selected = index >= 0 && index < this.shapes.length ? index : -1;
    this.point = this.selected < 0 ? null : point;
    this.dispatchEvent(new Event("selection"));
  }

  /** New shapes in place of the old ones: one step of undo, saved at once. */
  change(shapes, { selected = this.selected, point = this.point } = {}) {
    this.#done.push(this.shapes);
    if (this.#done.length > MOST_UNDONE) this.#done.shift();
    this.#undone = [];
    this.#show(shapes, selected, point);
  }

  replace(shape, index = this.selected) {
    this.change(this.shapes.map((old, k) => (k === index ? shape : old)));
  }

  /** Add shapes behind the others; the last one is selected. */
  add(...shapes) {
    const names = this.names;
    const named = shapes.map((shape) => {
      const copy = copyOf(shape);
      copy.name = freeName(copy.name || `${copy.kind}-1`, names);
      names.add(copy.name);
      return copy;
    });
    const all = [...this.shapes, ...named];
    this.change(all, { selected: all.length - 1, point: null });
  }

  remove(index = this.selected) {
    if (index < 0) return;
    this.change(this.shapes.filter((_, k) => k !== index), { selected: -1, point: null });
  }

  undo() {
    this.#step(this.#done, this.#undone);
  }

  redo() {
    this.#step(this.#undone, this.#done);
  }

  #step(from, to) {
    if (!from.length) return;
    to.push(this.shapes);
    this.#show(from.pop(), this.selected, null);
  }

  #show(shapes, selected, point) {
    this.shapes = shapes;
    this.selected = selected < shapes.length ? selected : -1;
    this.point = point;
    this.#wanted = true;
    this.#tell();
    this.save();
  }

  /** One request at a time; what changes meanwhile goes with the next. */
  async save() {
    if (this.saving === "saving" || this.saving === "conflict") return;
    this.saving = "saving";
    while (this.#wanted) {
      this.#wanted = false;
      try {
        const answer = await send("PUT", "shapes", { shapes: this.shapes, revision: this.revision });
        this.revision = answer.revision;
        this.sentence = "";
      } catch (fault) {
        this.sentence = fault instanceof Refused ? fault.message : "The program does not answer.";
        this.saving = fault.status === 409 ? "conflict" : "failed";
        this.dispatchEvent(new Event("saved"));
        return;
      }
    }
    this.saving = "saved";
    this.dispatchEvent(new Event("saved"));
  }

  #tell() {
    this.dispatchEvent(new Event("change"));
    this.dispatchEvent(new Event("selection"));
  }
}
