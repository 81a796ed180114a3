// The step "Light test": the check, its leaks as a table beside the photo, what to do.

import { byId, el, get, say, send } from "./api.js";
import { boxOf, boxOfPoints } from "./geometry.js";

const FILES = {
  "report.html": "Open the report", "marked.png": "Marked photo", "glow.png": "Glow map",
  "leaks.csv": "Leaks as a table", "lamps.csv": "Openings as a table", "result.json": "Result as JSON",
};

export class ResultPanel {
  constructor({ store, stage, tools, fail }) {
    Object.assign(this, { store, stage, tools, fail, number: 0, result: null });
    this.panel = byId("panel-test");
    this.#build();
    tools.addEventListener("mark", (event) => this.choose(event.detail.list, event.detail.index, { fromPhoto: true }));
  }

  async update(state) {
    const { work, job } = state;
    this.work = work;
    this.go.disabled = !work?.ready || Boolean(job);
    if (work && work.result !== this.number) {
      this.number = work.result;
      this.#show(work.result ? await get("view") : null);
    }
    if (!work?.result && this.result) this.#show(null);
    this.stale.hidden = !this.result || work.result_fits;
    this.#files();
  }

  #build() {
    this.length = el("input", { type: "number", id: "length", min: "1", step: "any", placeholder: "unknown" });
    this.tripod = el("input", { type: "checkbox", id: "tripod" });
    this.go = el("button", { type: "button", class: "strong", id: "check", onclick: () => this.#check() }, "Check for leaks");
    this.stale = el("p", { class: "bad", role: "status", hidden: true }, "The openings were changed since. Check again.");
    this.out = el("div", { id: "result" });
    this.links = el("div", { id: "files" });
    this.panel.replaceChildren(
      el("p", { class: "soft" }, "What shines outside the openings is a leak; the openings themselves are looked at as well."),
      el("div", { class: "group" }, el("label", {}, "Length of the model, mm ", this.length), el("label", {}, this.tripod, " Taken from a tripod")),
      el("p", {}, this.go), this.stale, this.out, this.links);
  }

  async #check() {
    this.fail("");
    this.tools.use("select");
    this.store.select(-1);
    try {
      await send("POST", "check", { length_mm: this.length.value ? Number(this.length.value) : null, tripod: this.tripod.checked });
      this.panel.dispatchEvent(new Event("begun", { bubbles: true }));
    } catch (fault) {
      this.fail(fault.message);
    }
  }

  #show(result) {
    Object.assign(this, { result });
    Object.assign(this.stage, { result, leak: null });
    this.stage.draw();
    if (!result) return this.out.replaceChildren();
    this.detail = el("div", { id: "detail", "aria-live": "polite" });
    this.out.replaceChildren(...this.#verdict(), ...this.#leaks(), ...this.#todo(), ...this.#lamps(), ...this.#lists());
    say(result.verdict);
    byId("lights").value = 100; // leaks show with the lights on
    byId("lights").dispatchEvent(new Event("input"));
    return undefined;
  }

  #verdict() {
    const { tight, verdict, lamps_verdict: lamps } = this.result;
    const [word, ...rest] = verdict.split(":");
    return [
      el("h2", { class: `verdict ${tight ? "tight" : "leaks"}` }, el("span", { class: "sign", "aria-hidden": "true" }, tight ? "✓" : "▲"), ` ${word}`),
      el("p", {}, rest.join(":").trim()), lamps && el("p", {}, lamps),
    ];
  }

  #leaks() {
    const { leaks, likely, spill } = this.result;
    const parts = [];
    if (leaks.length) parts.push(this.#table("leaks", "Leaks, strongest first", leaks), this.detail,
      el("p", { class: "soft small" }, "Of window: its brightest part against the median window. On its surface: light added to the room light there. ?: may be spill."));
    else parts.push(this.detail);
    if (likely.length) parts.push(folded(`${likely.length} likely openings, not counted`, this.#table("likely", "Likely openings", likely)));
    if (spill.length) parts.push(folded(`${spill.length} places with spill, which is no leak`, this.#table("spill", "Spill", spill)));
    return parts;
  }

  #table(list, caption, rows) {
    const prefix = { leaks: "", likely: "O", spill: "S" }[list];
    const body = el("tbody", {}, rows.map((leak, index) =>
      el("tr", { "data-list": list, "data-index": index, onclick: () => this.choose(list, index) },
        el("th", { scope: "row" }, el("button", { type: "button", "aria-pressed": "false", onkeydown: (event) => this.#walk(event) }, `${prefix}${leak.number}`)),
        el("td", {}, leak.kind + (leak.doubtful ? " ?" : "")),
        el("td", { class: "number" }, leak.of_window), el("td", { class: "number" }, leak.on_surface), el("td", {}, leak.noticed ? "yes" : "no"))));
    return el("div", { class: "scroll" }, el("table", { id: `table-${list}` }, el("caption", {}, caption),
      el("thead", {}, el("tr", {}, ["No", "Kind", "Of window", "On its surface", "Noticed"].map((head) => el("th", { scope: "col" }, head)))), body));
  }

  /** Up and down through the rows. */
  #walk(event) {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const rows = [...event.target.closest("tbody").rows];
    const row = rows[rows.indexOf(event.target.closest("tr")) + step];
    if (!row) return;
    row.querySelector("button").focus();
    this.choose(row.dataset.list, Number(row.dataset.index));
  }

  /** Show one leak in the table and on the photo. */
  choose(list, index, { fromPhoto = false } = {}) {
    const leak = this.result[list][index];
    this.stage.leak = { list, index };
    byId("see-leaks").checked ||= list !== "spill";
    byId("see-spill").checked ||= list === "spill";
    for (const row of this.out.querySelectorAll("tr[data-list]")) {
      const chosen = row.dataset.list === list && Number(row.dataset.index) === index;
      row.classList.toggle("chosen", chosen);
      row.querySelector("button").setAttribute("aria-pressed", chosen);
      if (chosen && fromPhoto) {
        row.closest("details")?.setAttribute("open", "");
        this.panel.dispatchEvent(new Event("wanted", { bubbles: true }));
        row.scrollIntoView({ block: "center" });
      }
    }
    this.detail.replaceChildren(el("h3", {}, `${{ leaks: "Leak ", likely: "O", spill: "S" }[list]}${leak.number}: ${leak.kind}`), el("p", {}, sentence(leak.where)),
      el("p", {}, leak.advice), leak.caution && el("p", { class: "care" }, leak.caution));
    if (fromPhoto) this.stage.draw();
    else this.stage.lookAt(boxOfPoints(leak.outline));
    say(`${leak.kind} ${leak.number}: ${leak.where}`);
  }

  #todo() {
    const { to_do: todo, cautions } = this.result;
    const parts = [];
    if (todo.length) parts.push(el("h3", {}, "What to do"), rows(todo));
    if (cautions.length) parts.push(el("h3", {}, "Take care"), el("ul", { class: "care" }, cautions.map((text) => el("li", {}, text))));
    return parts;
  }

  #lamps() {
    const { lamps, lamps_rest: rest, lamps_to_do: todo, lamps_legend: legend } = this.result;
    if (!lamps.length) return [];
    const row = (lamp) => el("tr", { class: lamp.fault ? "faulty" : "", onclick: () => this.#toLamp(lamp) },
      el("th", { scope: "row" }, el("button", { type: "button" }, lamp.name)), el("td", {}, lamp.fault ? `▲ ${lamp.found}` : lamp.found),
      el("td", { class: "number" }, lamp.level), el("td", { class: "number" }, lamp.even), el("td", {}, lamp.colour));
    const table = (id, list) => el("div", { class: "scroll" }, el("table", { id }, el("caption", {}, "The openings' own light"),
      el("thead", {}, el("tr", {}, ["Opening", "Found", "Level", "Even", "Colour"].map((head) => el("th", { scope: "col" }, head)))), el("tbody", {}, list.map(row))));
    const faulty = lamps.filter((lamp) => lamp.fault);
    const well = lamps.filter((lamp) => !lamp.fault);
    return [
      el("h3", {}, "The openings themselves"), faulty.length ? table("table-lamps", faulty) : null, ...rest.map((text) => el("p", {}, text)),
      todo.length ? rows(todo) : null, well.length ? folded(faulty.length ? `The other ${well.length}` : `All ${well.length}, one by one`, table("table-lamps-well", well)) : null, el("p", { class: "soft small" }, legend),
    ].filter(Boolean);
  }

  #toLamp(lamp) {
    const k = this.store.shapes.findIndex((shape) => shape.name === lamp.name);
    if (k < 0) return;
    this.store.select(k);
    this.stage.lookAt(boxOf(this.store.shapes[k]));
  }

  #lists() {
    const { warnings, photo_tips: tips, limits } = this.result;
    return [
      warnings.length && folded("Warnings", el("ul", {}, warnings.map((text) => el("li", {}, text))), true),
      folded("The faintest leak that would have shown", rows(limits)),
      tips.length && folded("For better photos", el("ul", {}, tips.map((text) => el("li", {}, text)))),
    ].filter(Boolean);
  }

  #files() {
    const { work } = this;
    const files = (this.result && work?.result_files) || [];
    const key = `${work?.result}${files}${work?.result_note}`;
    if (this.links.dataset.of === key) return;
    this.links.dataset.of = key;
    this.links.replaceChildren(...(files.length ? [el("h3", {}, "To keep and to send on"),
      el("p", { class: "group" }, files.map((name) => el("a", { class: name === files[0] ? "button strong" : "button", href: `results/${name}`, target: "_blank", rel: "noopener" }, FILES[name] || name))),
      el("p", { class: "soft small" }, `All of it is in ${work.result_folder}`)] : []),
      ...(this.result && work?.result_note ? [el("p", { class: "bad" }, `The results are not written: ${work.result_note}`)] : []));
  }
}

const folded = (words, content, open = false) => el("details", { open }, el("summary", {}, words), content);
const rows = (pairs) => el("dl", { class: "rows" }, pairs.flatMap(([what, text]) => [el("dt", {}, what), el("dd", {}, text)]));
const sentence = (text) => `${text.charAt(0).toUpperCase()}${text.slice(1)}.`;
