// Requests to the program that serves this page, and small helpers to build the page with.
// Names come from files: they get onto the page as text only, never as markup.

export class Refused extends Error {
  constructor(sentence, status) {
    super(sentence);
    this.status = status;
  }
}

async function answered(request) {
  const answer = await request;
  const content = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(content.error || `The program answered ${answer.status}.`, answer.status);
  return content;
}

export const get = (path) => answered(fetch(`api/${path}`));

export const send = (method, path, content = {}) =>
  answered(fetch(`api/${path}`, {
    method,
    headers: { "X-Leakcheck": "page", "Content-Type": "application/json" },
    body: JSON.stringify(content),
  }));

export const upload = (file) =>
  answered(fetch(`api/photo?name=${encodeURIComponent(file.name)}`, {
    method: "POST",
    headers: { "X-Leakcheck": "page", "Content-Type": "application/octet-stream" },
    body: file,
  }));

export const byId = (id) => document.getElementById(id);

/** An HTML element. Attributes starting with "on" are listeners, others are set as properties or attributes. */
export function el(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** The same for SVG. */
export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else element.setAttribute(name, String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Say something to people who cannot see the photo, and to everybody below it. */
export function say(text) {
  byId("said").textContent = text;
}
