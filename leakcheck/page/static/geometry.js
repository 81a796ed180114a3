// Shapes as plain objects: {name, kind, colour, rings: [[[x, y], ...]]} or with ellipse: [x, y, rx, ry].
// Positions are in photo pixels as SVG counts them. Nothing here touches the page.

export const copyOf = (shape) => structuredClone(shape);

const round = (number) => Math.round(number * 100) / 100;

export function pathOf(shape) {
  if (shape.ellipse) {
    const [x, y, rx, ry] = shape.ellipse;
    return `M${x - rx} ${y}a${rx} ${ry} 0 1 0 ${2 * rx} 0a${rx} ${ry} 0 1 0 ${-2 * rx} 0Z`;
  }
  return shape.rings.map((ring) => `M${ring.map(([x, y]) => `${x} ${y}`).join("L")}Z`).join("");
}

/** Left, top, right and bottom. */
export function boxOf(shape) {
  if (shape.ellipse) {
    const [x, y, rx, ry] = shape.ellipse;
    return [x - rx, y - ry, x + rx, y + ry];
  }
  return boxOfPoints(shape.rings.flat());
}

export function boxOfPoints(points) {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of points) {
    box[0] = Math.min(box[0], x);
    box[1] = Math.min(box[1], y);
    box[2] = Math.max(box[2], x);
    box[3] = Math.max(box[3], y);
  }
  return box;
}

export function moved(shape, dx, dy) {
  const copy = copyOf(shape);
  if (copy.ellipse) {
    copy.ellipse[0] = round(copy.ellipse[0] + dx);
    copy.ellipse[1] = round(copy.ellipse[1] + dy);
  } else copy.rings = copy.rings.map((ring) => ring.map(([x, y]) => [round(x + dx), round(y + dy)]));
  return copy;
}

export const rectangle = ([ax, ay], [bx, by]) => {
  const [l, t, r, b] = [Math.min(ax, bx), Math.min(ay, by), Math.max(ax, bx), Math.max(ay, by)].map(round);
  return { rings: [[[l, t], [r, t], [r, b], [l, b]]] };
};

export const ellipseIn = ([ax, ay], [bx, by]) => ({
  ellipse: [(ax + bx) / 2, (ay + by) / 2, Math.abs(bx - ax) / 2, Math.abs(by - ay) / 2].map(round),
});

/** Places that can be moved: [x, y, ring, index]; of an ellipse its four sides. */
export function pointsOf(shape) {
  if (shape.ellipse) {
    const [x, y, rx, ry] = shape.ellipse;
    return [[x, y - ry, 0, 0], [x + rx, y, 0, 1], [x, y + ry, 0, 2], [x - rx, y, 0, 3]];
  }
  return shape.rings.flatMap((ring, r) => ring.map(([x, y], i) => [x, y, r, i]));
}

/** Middles of a polygon's sides, where points can be added: [x, y, ring, index of the new point]. */
export function middlesOf(shape) {
  if (shape.ellipse) return [];
  return shape.rings.flatMap((ring, r) =>
    ring.map(([x, y], i) => {
      const [nx, ny] = ring[(i + 1) % ring.length];
      return [(x + nx) / 2, (y + ny) / 2, r, i + 1];
    }));
}

export function withPointAt(shape, ring, index, [x, y]) {
  const copy = copyOf(shape);
  if (copy.ellipse) {
    const [cx, cy] = copy.ellipse;
    if (index % 2) copy.ellipse[2] = Math.max(0.5, round(Math.abs(x - cx)));
    else copy.ellipse[3] = Math.max(0.5, round(Math.abs(y - cy)));
  } else copy.rings[ring][index] = [round(x), round(y)];
  return copy;
}

export function withNewPoint(shape, ring, index, [x, y]) {
  const copy = copyOf(shape);
  copy.rings[ring].splice(index, 0, [round(x), round(y)]);
  return copy;
}

/** The shape without a point; null where too little would be left of it. */
export function withoutPoint(shape, ring, index) {
  if (shape.ellipse || shape.rings[ring].length <= 3) return null;
  const copy = copyOf(shape);
  copy.rings[ring].splice(index, 1);
  return copy;
}

export function areaOf(shape) {
  if (shape.ellipse) return Math.PI * shape.ellipse[2] * shape.ellipse[3];
  return shape.rings.reduce((sum, ring) => {
    const twice = ring.reduce((total, [x, y], i) => {
      const [nx, ny] = ring[(i + 1) % ring.length];
      return total + x * ny - nx * y;
    }, 0);
    return sum + Math.abs(twice) / 2;
  }, 0);
}

/** A name that no shape has: window-a3 after window-a2, else with a number behind. */
export function freeName(wanted, taken) {
  if (!taken.has(wanted)) return wanted;
  const [, stem, digits] = /^(.*?)(\d*)$/.exec(wanted);
  let number = digits ? Number(digits) : 1;
  let name;
  do {
    number += 1;
    name = digits ? `${stem}${number}` : `${stem}-${number}`;
  } while (taken.has(name));
  return name;
}

/** Copies of a shape in a row, each with a name of its own; the shape itself is not among them. */
export function rowOf(shape, count, dx, dy, taken) {
  const names = new Set(taken);
  return Array.from({ length: count }, (_, k) => {
    const copy = moved(shape, dx * (k + 1), dy * (k + 1));
    copy.name = freeName(shape.name, names);
    names.add(copy.name);
    return copy;
  });
}
