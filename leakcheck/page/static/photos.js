// The step "Photos": which two are looked at; dropped ones are taken into the folder.

import { byId, el, upload } from "./api.js";

const WORDS = { off: /(^|[^a-z])(off|unlit|dark)([^a-z]|$)/i, on: /(^|[^a-z])(on|lit)([^a-z]|$)/i };

export class PhotosPanel {
  constructor({ open, fail }) {
    Object.assign(this, { open, fail });
    this.panel = byId("panel-photos");
    this.chosen = { off: "", on: "" };
    this.#build();
    this.#drops();
    byId("choose-both").addEventListener("change", (event) => this.take(event.target.files));
  }

  update(state) {
    this.state = state;
    const photos = state.photos;
    for (const which of ["off", "on"]) {
      const select = this.selects[which];
      if (select.dataset.of !== String(photos)) {
        select.dataset.of = photos;
        select.replaceChildren(el("option", { value: "" }, photos.length ? "choose a photo" : "no photo in the folder yet"), ...photos.map((name) => el("option", { value: name }, name)));
      }
      select.value = this.chosen[which];
    }
    this.where.textContent = `Photos in ${state.folder}`;
    this.#buttons();
  }

  /** The program has opened these two. */
  opened(off, on) {
    this.chosen = { off, on };
    if (this.state) this.update(this.state);
  }

  /** Take photos in; two of them are opened at once. */
  async take(files, which = null) {
    const list = [...files];
    if (!list.length) return;
    this.fail("");
    const names = [];
    for (const file of list) {
      this.taking.textContent = `Taking in ${file.name}…`;
      if (file.size > this.state.most_bytes) this.fail(`${file.name} is larger than ${this.state.most_bytes / 1e6} MB. Save it smaller.`);
      else
        try {
          names.push((await upload(file)).name);
        } catch (fault) {
          this.fail(fault.message);
        }
    }
    this.taking.textContent = "";
    byId("choose-both").value = "";
    if (names.length) this.#assign(names, which);
  }

  #assign(names, which) {
    const chosen = which ? { ...this.chosen, [which]: names[0] } : sorted(names, this.chosen);
    this.chosen = chosen;
    this.state.photos = [...new Set([...this.state.photos, ...names])].sort();
    this.update(this.state);
    if (chosen.off && chosen.on && chosen.off !== chosen.on) this.open(chosen.off, chosen.on);
  }

  #build() {
    this.selects = {};
    const slot = (which, words, meaning) => {
      this.selects[which] = el("select", { id: `photo-${which}`, onchange: () => this.#choose(which) });
      const input = el("input", { type: "file", class: "seen-by-readers", id: `file-${which}`, onchange: () => this.take(input.files, which).then(() => (input.value = "")) });
      return el("fieldset", { class: "slot", "data-slot": which }, el("legend", {}, words), el("p", { class: "soft" }, meaning),
        el("label", {}, "Photo ", this.selects[which]), el("label", { class: "button" }, "Add another file", input));
    };
    this.where = el("p", { class: "soft small" });
    this.taking = el("p", { role: "status" });
    this.go = el("button", { type: "button", class: "strong", id: "open", onclick: () => this.open(this.chosen.off, this.chosen.on) }, "Open these two");
    this.swap = el("button", { type: "button", id: "swap", onclick: () => this.#swap() }, "Swap");
    this.panel.replaceChildren(el("p", {}, "Two photos of one side of the taped-up model, alike in everything but the model's own lights."),
      slot("off", "Lights off", "only the room light"), slot("on", "Lights on", "windows lit, and just not white"),
      el("div", { class: "group" }, this.go, this.swap), this.taking, this.where,
      el("details", {}, el("summary", {}, "How to take them"), el("ul", {}, [
        "Do not move anything in between: tripod, self-timer, a firm bench.",
        "Keep the room light dim and the same in both.",
        "Lock exposure, focus and white balance; no flash, no night mode.",
        "Send the files as they are, not through a messenger.",
        "Lay a dull cloth under the model: gloss mirrors the windows.",
      ].map((tip) => el("li", {}, tip)))));
  }

  #choose(which) {
    this.chosen[which] = this.selects[which].value;
    this.#buttons();
  }

  #swap() {
    this.chosen = { off: this.chosen.on, on: this.chosen.off };
    this.update(this.state);
  }

  #buttons() {
    const { off, on } = this.chosen;
    this.go.disabled = !off || !on || off === on;
    this.swap.disabled = !off && !on;
  }

  #drops() {
    let inside = 0;
    const hint = byId("drop-here");
    const holdsFiles = (event) => [...(event.dataTransfer?.types || [])].includes("Files");
    document.addEventListener("dragenter", (event) => {
      if (holdsFiles(event)) hint.hidden = !(inside += 1);
    });
    document.addEventListener("dragleave", (event) => {
      if (holdsFiles(event)) hint.hidden = !(inside = Math.max(0, inside - 1));
    });
    document.addEventListener("dragover", (event) => event.preventDefault());
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      inside = 0;
      hint.hidden = true;
      this.take(event.dataTransfer.files, event.target.closest?.("[data-slot]")?.dataset.slot || null);
    });
  }
}

/** Which is off and which on, by their names; else in the order of their names. */
function sorted(names, chosen) {
  const said = (which) => names.find((name) => WORDS[which].test(name) && !WORDS[which === "on" ? "off" : "on"].test(name));
  const [off, on] = [said("off"), said("on")];
  if (names.length > 1) {
    const rest = [...names].sort().filter((name) => name !== off && name !== on);
    return { off: off || rest.shift() || "", on: on || rest.shift() || "" };
  }
  if (off) return { ...chosen, off };
  if (on || chosen.off) return { ...chosen, on: on || names[0] };
  return { ...chosen, off: names[0] };
}
