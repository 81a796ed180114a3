// The photo: zoom and pan, lights off and on under one divider, openings and leaks drawn over it.

import { byId, svg } from "./api.js";
import { areaOf, boxOf, boxOfPoints, middlesOf, pathOf, pointsOf } from "./geometry.js";

const MARGIN = 14; // screen px round the whole photo
const MOST_ZOOM = 40; // screen px for a photo px
const MOST_MIDDLES = 60; // with more points there is no room for places to add one
const MOST_FAULTS = 12; // with more faulty openings their thick lines must do
const COARSE = matchMedia("(pointer: coarse)"); // a finger
const LAYERS = { model: 0, ignore: 1, window: 2, beacon: 3 }; // drawn in this order

export class Stage {
  size = null; // of the photo
  zoom = 1;
  shift = [0, 0];
  ghosts = []; // shapes that are not there yet
  drawn = null; // points of what is being drawn: {points, box, cursor}
  leak = null; // the selected mark: {list, index}
  result = null;
  #whole = true; // the whole photo is shown: keep it so when the window changes
  #waiting = false;
  #seen = [0, 0]; // width and height of the stage

  constructor(store) {
    this.store = store;
    this.element = byId("stage");
    this.views = [...document.querySelectorAll(".view")];
    this.over = byId("over");
    store.addEventListener("change", () => this.draw());
    store.addEventListener("selection", () => this.draw());
    new ResizeObserver(() => this.#resized()).observe(this.element);
    byId("lights").addEventListener("input", () => this.#divide());
    for (const what of ["openings", "names", "leaks", "spill"]) byId(`see-${what}`).addEventListener("change", () => this.draw());
    byId("zoom-in").addEventListener("click", () => this.zoomBy(1.5));
    byId("zoom-out").addEventListener("click", () => this.zoomBy(1 / 1.5));
    byId("whole").addEventListener("click", () => this.fit());
  }

  get box() {
    return this.element.getBoundingClientRect();
  }

  show(size, version) {
    const fresh = String(size) !== String(this.size);
    this.size = size;
    for (const which of ["off", "on"]) {
      const image = byId(`${which}-picture`);
      image.setAttribute("width", size[0]);
      image.setAttribute("height", size[1]);
      image.setAttribute("href", `picture/${which}?v=${version}`);
    }
    byId("empty").hidden = true;
    byId("bar").hidden = false;
    byId("ends").hidden = false;
    if (fresh) this.fit();
  }

  toPhoto(event) {
    const box = this.box;
    return this.fromScreen([event.clientX - box.left, event.clientY - box.top]);
  }

  fromScreen([x, y]) {
    return [(x - this.shift[0]) / this.zoom, (y - this.shift[1]) / this.zoom];
  }

  toScreen([x, y]) {
    return [x * this.zoom + this.shift[0], y * this.zoom + this.shift[1]];
  }

  fit() {
    if (!this.size) return;
    const { width, height } = this.box;
    this.zoom = Math.min((width - 2 * MARGIN) / this.size[0], (height - 2 * MARGIN) / this.size[1]);
    this.shift = [(width - this.size[0] * this.zoom) / 2, (height - this.size[1] * this.zoom) / 2];
    this.#whole = true;
    this.#place();
  }

  zoomBy(factor, at = [this.box.width / 2, this.box.height / 2]) {
    if (!this.size) return;
    const least = Math.min(this.box.width / this.size[0], this.box.height / this.size[1]) / 2;
    const zoom = Math.min(MOST_ZOOM, Math.max(least, this.zoom * factor));
    const change = zoom / this.zoom;
    this.shift = this.shift.map((s, k) => at[k] - (at[k] - s) * change);
    this.zoom = zoom;
    this.#whole = false;
    this.#place();
  }

  panBy(dx, dy) {
    this.shift = [this.shift[0] + dx, this.shift[1] + dy];
    this.#whole = false;
    this.#place();
  }

  /** Bring a box of the photo into view, closer when it is small. */
  lookAt(box) {
    if (!this.size) return;
    const { width, height } = this.box;
    const span = Math.max(box[2] - box[0], box[3] - box[1], 1);
    const close = Math.min(4, Math.max(this.zoom, (Math.min(width, height) * 0.25) / span));
    this.zoom = Math.min(close, (Math.min(width, height) * 0.8) / span);
    this.shift = [width / 2 - ((box[0] + box[2]) / 2) * this.zoom, height / 2 - ((box[1] + box[3]) / 2) * this.zoom];
    this.#whole = false;
    this.#place();
  }

  /** Move the view only where a place of the photo lies outside. */
  keepInView(point) {
    const [x, y] = this.toScreen(point);
    const { width, height } = this.box;
    const out = (value, most) => (value < 30 ? 30 - value : value > most - 30 ? most - 30 - value : 0);
    const [dx, dy] = [out(x, width), out(y, height)];
    if (dx || dy) this.panBy(dx, dy);
  }

  draw() {
    if (this.#waiting) return;
    this.#waiting = true;
    requestAnimationFrame(() => {
      this.#waiting = false;
      this.#draw();
    });
  }

  /** What is in the middle stays there. */
  #resized() {
    const { width, height } = this.box;
    const [was, high] = this.#seen;
    this.#seen = [width, height];
    if (this.#whole) return this.fit();
    this.shift = [this.shift[0] + (width - was) / 2, this.shift[1] + (height - high) / 2];
    return this.#place();
  }

  #place() {
    const matrix = `matrix(${this.zoom} 0 0 ${this.zoom} ${this.shift[0]} ${this.shift[1]})`;
    for (const view of this.views) view.setAttribute("transform", matrix);
    this.element.classList.toggle("close", this.zoom > 3);
    this.#divide();
    this.draw();
  }

  #divide() {
    const { width, height } = this.box;
    const x = (width * byId("lights").value) / 100;
    const right = byId("right-rect"); // the lights-off photo lies over the other one, right of it
    right.setAttribute("x", x);
    right.setAttribute("width", Math.max(0, width - x));
    right.setAttribute("height", height);
    const divider = byId("divider");
    divider.setAttribute("transform", `translate(${x} 0)`);
    const inside = Math.min(width - 20, Math.max(20, x)) - x; // the grip stays whole at both ends
    byId("ends").dataset.shown = x < 60 ? "off" : x > width - 60 ? "on" : "both";
    divider.querySelector(".rail").setAttribute("d", `M0 0V${height}`);
    for (const part of divider.querySelectorAll(".grip, .arrows")) part.setAttribute("transform", `translate(${inside} ${height - 70})`);
    divider.setAttribute("display", this.size ? "inline" : "none");
  }

  #draw() {
    const seeOpenings = byId("see-openings").checked;
    const order = this.store.shapes.map((shape, k) => [LAYERS[shape.kind], -areaOf(shape), k]).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const parts = seeOpenings ? order.flatMap(([, , k]) => this.#shape(this.store.shapes[k], k)) : [];
    for (const ghost of this.ghosts) parts.push(...lined(pathOf(ghost), "ghost"));
    this.over.replaceChildren(...parts, ...this.#leakLines(), ...this.#drawing());
    byId("marks").replaceChildren(...(seeOpenings ? this.#names() : []), ...this.#badges());
    byId("handles").replaceChildren(...(seeOpenings ? this.#handles() : []), ...this.#cursor());
  }

  #shape(shape, k) {
    const path = pathOf(shape);
    const chosen = k === this.store.selected;
    const lamp = this.result?.lamps.find((each) => each.name === shape.name && each.fault);
    const kind = `${shape.kind}${chosen ? " chosen" : ""}${lamp ? " faulty" : ""}`;
    return [...lined(path, kind), svg("path", { d: path, class: `hit ${shape.kind}`, "data-k": k })];
  }

  #names() {
    const all = byId("see-names").checked;
    const faulty = new Map((this.result?.lamps || []).filter((lamp) => lamp.fault).map((lamp) => [lamp.name, lamp.found]));
    return this.store.shapes.flatMap((shape, k) => {
      const chosen = k === this.store.selected;
      const found = faulty.size <= MOST_FAULTS ? faulty.get(shape.name) : null;
      if (!all && !chosen && !found) return [];
      const [l, t, r] = boxOf(shape);
      const [x, y] = this.toScreen([(l + r) / 2, t]);
      const text = svg("text", { class: chosen ? "chosen" : "", x, y: y - (chosen ? 12 : 6) });
      text.textContent = found ? `▲ ${shape.name}: ${found}` : shape.name;
      return [text];
    });
  }

  #handles() {
    const { shape, point } = this.store;
    if (!shape || this.drawn) return [];
    const points = pointsOf(shape);
    const middles = points.length <= MOST_MIDDLES ? middlesOf(shape) : [];
    const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]) * this.zoom;
    const usual = points.map((p, k) => far(p, points[(k + 1) % points.length])).sort((a, b) => a - b)[points.length >> 1];
    const size = Math.min(5, Math.max(1.8, usual / 4)); // so that neighbours can be told apart
    const reach = Math.min(COARSE.matches ? 22 : 12, Math.max(5, usual / 2));
    return [
      ...middles
        .filter(([x, y, r, i]) => far([x, y], shape.rings[r][i - 1]) > 16)
        .map(([x, y, r, i]) => handle(this.toScreen([x, y]), "middle", r, i, 4, reach)),
      ...points.map(([x, y, r, i]) => {
        const here = point && point[0] === r && point[1] === i;
        return handle(this.toScreen([x, y]), here ? "point here" : "point", r, i, here ? size + 2 : size, reach);
      }),
    ];
  }

  #drawing() {
    if (!this.drawn) return [];
    const parts = [];
    if (this.drawn.box) parts.push(...lined(pathOf(this.drawn.box), "ghost"));
    if (this.drawn.points?.length) {
      const all = this.drawn.end ? [...this.drawn.points, this.drawn.end] : this.drawn.points;
      parts.push(...lined(`M${all.map((point) => point.join(" ")).join("L")}`, "ghost open"));
    }
    return parts;
  }

  #cursor() {
    const parts = (this.drawn?.points || []).map((point, k) => handle(this.toScreen(point), k ? "point" : "point first", 0, k, k ? 4 : 7));
    if (this.drawn?.cursor) {
      const [x, y] = this.toScreen(this.drawn.cursor);
      parts.push(svg("path", { class: "case", d: cross(x, y) }), svg("path", { class: "cursor", d: cross(x, y) }));
    }
    return parts;
  }

  #marks() {
    if (!this.result) return [];
    const wanted = [["leaks", byId("see-leaks").checked], ["likely", byId("see-leaks").checked && !this.store.shapes.length], ["spill", byId("see-spill").checked]];
    return wanted.filter(([, see]) => see).flatMap(([list]) => this.result[list].map((leak, index) => ({ list, index, leak })));
  }

  #leakLines() {
    return this.#marks().reverse().flatMap(({ list, index, leak }) => {
      const d = `M${leak.outline.map((point) => point.join(" ")).join("L")}Z`;
      const chosen = this.leak?.list === list && this.leak.index === index;
      return [
        ...lined(d, `${list}${chosen ? " chosen" : ""}`),
        svg("path", { d, class: "hit mark", "data-list": list, "data-index": index }),
      ];
    });
  }

  /** Numbers beside their leaks, each where there is room. */
  #badges() {
    const taken = [];
    const { width, height } = this.box;
    return this.#marks().flatMap(({ list, index, leak }) => {
      const chosen = this.leak?.list === list && this.leak.index === index;
      if (list === "spill" && !chosen && this.result.spill.length > 12) return [];
      const box = boxOfPoints(leak.outline);
      const [l, t] = this.toScreen([box[0], box[1]]);
      const [r, b] = this.toScreen([box[2], box[3]]);
      if (r < 0 || b < 0 || l > width || t > height) return [];
      const text = `${{ leaks: "", likely: "O", spill: "S" }[list]}${leak.number}`;
      const half = 8 + 4.2 * text.length;
      const [x, y] = freePlace([l, t, r, b], half, taken, [width, height]);
      taken.push([x - half, y - 12, x + half, y + 12]);
      const at = [Math.min(r, Math.max(l, x)), Math.min(b, Math.max(t, y))];
      const label = svg("text", { x, y: y + 4.5 });
      label.textContent = text;
      return [svg("g", { class: `badge ${list}${chosen ? " chosen" : ""}`, "data-list": list, "data-index": index },
        svg("path", { class: "case", d: `M${at}L${x} ${y}` }), svg("path", { class: "leader", d: `M${at}L${x} ${y}` }),
        svg("rect", { x: x - half, y: y - 11, width: 2 * half, height: 22, rx: 7 }), label)];
    });
  }
}

function lined(d, kind) {
  return [svg("path", { d, class: `case ${kind}` }), svg("path", { d, class: `line ${kind}` })];
}

function handle([x, y], kind, ring, index, r, reach = 12) {
  return svg("g", { class: `handle ${kind}`, "data-ring": ring, "data-index": index, transform: `translate(${x} ${y})` },
    svg("circle", { class: "reach", r: reach }),
    kind === "middle" ? svg("path", { d: `M${-r} 0H${r}M0 ${-r}V${r}` }) : svg("circle", { r }));
}

const cross = (x, y) => `M${x - 14} ${y}H${x - 3}M${x + 3} ${y}H${x + 14}M${x} ${y - 14}V${y - 3}M${x} ${y + 3}V${y + 14}`;

function freePlace([l, t, r, b], half, taken, [width, height]) {
  const gap = 18;
  const [cx, cy] = [(l + r) / 2, (t + b) / 2];
  for (const far of [gap, gap + 24, gap + 52, gap + 84]) {
    const places = [[r + far, t - far], [cx, t - far], [r + far + half, cy], [l - far, t - far], [l - far - half, cy], [cx, b + far], [r + far, b + far], [l - far, b + far]];
    const free = places.find(([x, y]) => x > half && y > 12 && x < width - half && y < height - 12
      && taken.every(([tl, tt, tr, tb]) => x + half < tl || x - half > tr || y + 12 < tt || y - 12 > tb));
    if (free) return free;
  }
  return [r + gap, t - gap];
}
