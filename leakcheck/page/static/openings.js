// The step "Openings": tools, the selected opening, the list of all.

import { byId, el } from "./api.js";
import { boxOf } from "./geometry.js";

const KINDS = {
  window: ["Window", "light may leave here"],
  beacon: ["Beacon", "a single lamp seen from outside"],
  ignore: ["Ignore", "not looked at: a label, a cable"],
  model: ["Model", "the outline of the model; light beyond it is no leak"],
};
const TOOLS = { select: ["Select", "V"], rectangle: ["Rectangle", "R"], ellipse: ["Ellipse", "E"], polygon: ["Polygon", "P"] };

export class OpeningsPanel {
  constructor({ store, stage, tools, open }) {
    Object.assign(this, { store, stage, tools, open });
    this.panel = byId("panel-openings");
    this.#build();
    store.addEventListener("change", () => this.show());
    store.addEventListener("selection", () => this.show());
    store.addEventListener("saved", () => this.#status());
    tools.addEventListener("tool", () => this.show());
    tools.addEventListener("row", () => this.#showRow());
  }

  /** What the program says of the opened pair. */
  update(state) {
    const { work } = state;
    this.work = work;
    this.#colours(state.colours);
    this.#sources(state.drawings);
    const notes = [work?.note, ...(work?.warnings || [])].filter(Boolean);
    this.notes.replaceChildren(...notes.map((note) => el("li", {}, note)));
    this.notes.hidden = !notes.length;
    this.show();
  }

  rename() {
    if (this.store.shape) {
      this.name.focus();
      this.name.select();
    }
  }

  #build() {
    this.intro = el("p", { class: "soft" });
    this.status = el("p", { id: "saved" });
    this.reload = el("button", { type: "button", hidden: true, onclick: () => this.open(this.work.off, this.work.on) }, "Load what is saved");
    this.notes = el("ul", { class: "notes" });
    this.undo = el("button", { type: "button", id: "undo", onclick: () => this.store.undo() }, "Undo");
    this.redo = el("button", { type: "button", id: "redo", onclick: () => this.store.redo() }, "Redo");
    this.toolButtons = Object.entries(TOOLS).map(([tool, [words, key]]) =>
      el("button", { type: "button", "data-tool": tool, "aria-pressed": "false", "aria-keyshortcuts": key, onclick: () => this.tools.use(tool) }, words));
    this.newKind = el("select", { id: "new-kind", onchange: () => (this.tools.kind = this.newKind.value) },
      Object.entries(KINDS).map(([kind, [words]]) => el("option", { value: kind }, words)));
    this.list = el("ul", { id: "openings", "aria-label": "All openings" });
    this.count = el("h3");
    this.panel.replaceChildren(this.intro, this.notes, el("p", { class: "status-line" }, this.status, this.reload),
      el("div", { class: "group tools", role: "group", "aria-label": "Tools" }, this.toolButtons),
      el("div", { class: "group" }, el("label", {}, "New ones are ", this.newKind), this.undo, this.redo),
      this.#buildChosen(), this.#buildRow(), this.count, this.list, this.#buildSources());
  }

  #buildChosen() {
    this.name = el("input", { id: "name", maxlength: 200, autocomplete: "off", spellcheck: "false", onchange: () => this.#rename(), onkeydown: (event) => event.key === "Enter" && this.#leaveName() });
    this.kinds = el("div", { class: "kinds", role: "radiogroup", "aria-label": "What it is" }, Object.entries(KINDS).map(([kind, [words, meaning]]) =>
      el("label", { title: meaning }, el("input", { type: "radio", name: "kind", value: kind, onchange: () => this.#set({ kind }) }), swatch(kind), words)));
    this.colour = el("select", { id: "colour", onchange: () => this.#set({ colour: this.colour.value || null }) });
    this.colourLabel = el("label", {}, "Its light should be ", this.colour);
    const button = (words, act) => el("button", { type: "button", onclick: act }, words);
    this.pointButtons = el("span", { class: "group" }, button("Add a point", () => this.tools.addPoint()), button("Delete the point", () => this.tools.removePoint()));
    this.chosen = el("fieldset", { id: "chosen" }, el("legend", {}, "Selected"),
      el("label", {}, "Name ", this.name), this.kinds, this.colourLabel,
      el("div", { class: "group" }, button("Copy along a row", () => this.tools.use("row")), button("Delete", () => this.store.remove()), this.pointButtons));
    return this.chosen;
  }

  #buildRow() {
    const number = (id, words, key, least) => {
      const input = el("input", { type: "number", id, step: "1", min: least, onchange: () => input.value !== "" && this.tools.setRow({ [key]: key === "count" ? Math.min(200, Math.max(1, Math.round(+input.value))) : +input.value }) });
      return [input, el("label", {}, `${words} `, input)];
    };
    const [[count, a], [dx, b], [dy, c]] = [number("row-count", "Copies", "count", 1), number("row-dx", "Step right, px", "dx"), number("row-dy", "Step down, px", "dy")];
    this.rowInputs = { count, dx, dy };
    this.row = el("fieldset", { id: "row" }, el("legend", {}, "Copy along a row"), a, b, c,
      el("div", { class: "group" }, el("button", { type: "button", class: "strong", onclick: () => this.tools.finishRow() }, "Add the copies"), el("button", { type: "button", onclick: () => this.tools.use("select") }, "Cancel")));
    return this.row;
  }

  #buildSources() {
    this.source = el("select", { id: "source" });
    this.take = el("button", { type: "button", onclick: () => this.#takeFrom() }, "Load them");
    return el("details", {}, el("summary", {}, "Take the openings from elsewhere"),
      el("p", { class: "soft" }, "A drawing of another photo of this side is carried over to this one."),
      el("div", { class: "group" }, el("label", {}, "From ", this.source), this.take));
  }

  async #takeFrom() {
    const replaced = this.store.shapes.length;
    if (replaced && !confirm(`Replace the ${replaced} openings on this photo? Undo brings them back.`)) return;
    await this.open(this.work.off, this.work.on, this.source.value);
  }

  #rename() {
    const { store } = this;
    const name = this.name.value.trim().replace(/\s+/g, " ");
    if (!store.shape || !name || name === store.shape.name) return this.show();
    if (store.names.has(name)) {
      this.name.setCustomValidity(`There is another opening called ${name}.`);
      this.name.reportValidity();
      return undefined;
    }
    return this.#set({ name });
  }

  #leaveName() {
    this.name.blur();
    this.stage.element.focus();
  }

  #set(change) {
    if (this.store.shape) this.store.replace({ ...structuredClone(this.store.shape), ...change });
  }

  show() {
    const { store, tools } = this;
    const ready = Boolean(this.work?.ready);
    tools.enabled = ready;
    this.intro.textContent = this.work ? (ready ? "Where may light leave the model? Everything else is judged against this." : "Looking for the openings…") : "Open two photos first.";
    for (const button of this.toolButtons) {
      button.disabled = !ready;
      button.setAttribute("aria-pressed", button.dataset.tool === tools.tool);
    }
    this.undo.disabled = !store.canUndo;
    this.redo.disabled = !store.canRedo;
    this.#status();
    this.#showChosen();
    this.#showRow();
    this.#showList();
  }

  #showChosen() {
    const { shape, point } = this.store;
    this.chosen.hidden = !shape || this.tools.tool === "row";
    if (!shape) return;
    this.name.setCustomValidity("");
    if (document.activeElement !== this.name || this.name.dataset.of !== String(this.store.selected)) this.name.value = shape.name;
    this.name.dataset.of = this.store.selected;
    for (const input of this.kinds.querySelectorAll("input")) input.checked = input.value === shape.kind;
    this.colourLabel.hidden = !["window", "beacon"].includes(shape.kind);
    this.colour.value = shape.colour || "";
    this.pointButtons.hidden = Boolean(shape.ellipse);
    this.pointButtons.lastElementChild.disabled = !point;
  }

  #showRow() {
    this.row.hidden = this.tools.tool !== "row";
    for (const [key, input] of Object.entries(this.rowInputs)) if (document.activeElement !== input) input.value = Math.round(this.tools.row[key] * 10) / 10;
  }

  #showList() {
    const { shapes, selected } = this.store;
    this.count.textContent = shapes.length ? `${shapes.length} opening${shapes.length === 1 ? "" : "s"}` : "";
    const focused = this.list.contains(document.activeElement) ? document.activeElement.dataset.k : null;
    this.list.replaceChildren(...shapes.map((shape, k) => el("li", {},
      el("button", { type: "button", "data-k": k, "aria-current": k === selected ? "true" : null, onclick: () => this.#go(k) },
        swatch(shape.kind), el("span", { class: "name" }, shape.name), el("span", { class: "soft" }, shape.colour ? `${shape.kind}, ${shape.colour}` : shape.kind)))));
    if (focused !== null) this.list.querySelector(`[data-k="${focused}"]`)?.focus();
    if (selected >= 0 && selected !== this.shown) inView(this.list, this.list.children[selected]);
    this.shown = selected;
  }

  #go(k) {
    this.store.select(k);
    const [l, t, r, b] = boxOf(this.store.shapes[k]);
    const [x, y] = this.stage.toScreen([(l + r) / 2, (t + b) / 2]);
    const { width, height } = this.stage.box;
    if (x < 0 || y < 0 || x > width || y > height) this.stage.lookAt([l, t, r, b]);
  }

  #status() {
    const { store, work } = this;
    if (!work) return;
    const failed = store.saving === "failed" || store.saving === "conflict";
    const first = work.source.charAt(0).toUpperCase() + work.source.slice(1);
    this.status.className = failed ? "bad" : "soft";
    this.status.textContent = failed ? `Not saved: ${store.sentence}`
      : store.busy ? "Saving…"
      : store.saving === "saved" || work.saved ? `Saved in ${work.file}.`
      : !work.ready ? ""
      : `${first}. Look them over; your first change saves them as ${work.file}.`;
    this.reload.hidden = store.saving !== "conflict";
  }

  #colours(colours) {
    if (this.colour.options.length) return;
    this.colour.append(el("option", { value: "" }, "any colour"), ...colours.map((colour) => el("option", { value: colour }, colour)));
  }

  #sources(drawings) {
    const wanted = ["", ...drawings];
    if (String(wanted) === this.source.dataset.of) return;
    this.source.dataset.of = wanted;
    this.source.replaceChildren(...wanted.map((name) => el("option", { value: name }, name || "a new guess from the photos")));
  }
}

/** Scroll the list, and nothing round it. */
function inView(list, item) {
  const above = item.offsetTop - list.offsetTop;
  if (above < list.scrollTop) list.scrollTop = above;
  else if (above + item.offsetHeight > list.scrollTop + list.clientHeight) list.scrollTop = above + item.offsetHeight - list.clientHeight;
}

/** The line that this kind is drawn with. */
export function swatch(kind) {
  return el("span", { class: `swatch ${kind}`, "aria-hidden": "true" });
}

