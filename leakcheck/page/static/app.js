// The page: asks the program how things stand and keeps the parts of the page in step with it.

import { byId, get, send } from "./api.js";
import { Keys } from "./keys.js";
import { OpeningsPanel } from "./openings.js";
import { PhotosPanel } from "./photos.js";
import { ResultPanel } from "./result.js";
import { Stage } from "./stage.js";
import { Store } from "./store.js";
import { Tools } from "./tools.js";

const STEPS = ["photos", "openings", "test"];
const SOON_MS = 400; // while something is measured
const LATER_MS = 3000;

const store = new Store();
const stage = new Stage(store);
const tools = new Tools(store, stage);
const photos = new PhotosPanel({ open, fail });
const openings = new OpeningsPanel({ store, stage, tools, open });
const result = new ResultPanel({ store, stage, tools, fail });
new Keys({ store, stage, tools, toStep, rename: () => (toStep("openings"), openings.rename()) });

let pair = ""; // that is shown
let pictures = -1;
let job = null; // of the last state
let closed = false;
let timer = null;

function fail(sentence) {
  byId("error").textContent = sentence;
  byId("error").hidden = !sentence;
}

function toStep(step) {
  for (const each of STEPS) {
    const tab = byId(`tab-${each}`);
    tab.setAttribute("aria-selected", each === step);
    tab.tabIndex = each === step ? 0 : -1;
    byId(`panel-${each}`).hidden = each !== step;
  }
  if (step === "test") tools.use("select");
}

async function open(off, on, drawing = undefined) {
  fail("");
  try {
    await send("POST", "open", { off, on, drawing });
    toStep("openings");
    await look();
  } catch (fault) {
    fail(fault.message);
  }
}

/** Ask how things stand, now and again later. */
async function look() {
  clearTimeout(timer);
  if (closed) return;
  try {
    await show(await get("state"));
    byId("banner").hidden = true;
  } catch (fault) {
    if (closed) return;
    byId("banner").textContent = fault.status ? fault.message : "The program does not answer any more. Start leakcheck page again.";
    byId("banner").hidden = false;
  }
  clearTimeout(timer);
  timer = setTimeout(look, job ? SOON_MS : LATER_MS);
}

async function show(state) {
  const { work } = state;
  byId("where").textContent = work ? `${work.off} and ${work.on}` : state.folder;
  const before = job;
  showJob(state.job);
  if (state.error) fail(state.error);
  if (work) await showWork(work);
  photos.update(state);
  openings.update(state);
  await result.update(state);
  if (before?.name === "check" && !state.job && !state.error) toStep("test");
}

async function showWork(work) {
  const fresh = `${work.off}\n${work.on}` !== pair;
  if (fresh) {
    pair = `${work.off}\n${work.on}`;
    photos.opened(work.off, work.on);
    store.load([], -1); // what the program has comes below
    toStep("openings");
  }
  if (work.pictures !== pictures && work.pictures && work.size) {
    pictures = work.pictures;
    stage.show(work.size, work.pictures);
  }
  if (work.ready && work.revision !== store.revision && !store.busy) {
    const { shapes, revision } = await get("shapes");
    if (!store.busy) store.load(shapes, revision, { keepHistory: !fresh && store.shapes.length > 0 });
  }
}

function showJob(now) {
  job = now;
  byId("job").hidden = !now;
  if (!now) return;
  byId("job-step").textContent = `${now.step}…`;
  byId("job-time").textContent = now.seconds > 2 ? `${now.seconds} s` : "";
  byId("job-bar").value = now.share;
}

function wireSteps() {
  STEPS.forEach((step, k) => {
    const tab = byId(`tab-${step}`);
    tab.addEventListener("click", () => toStep(step));
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: k + 1, ArrowLeft: k - 1 + STEPS.length }[event.key];
      if (to === undefined) return;
      toStep(STEPS[to % STEPS.length]);
      byId(`tab-${STEPS[to % STEPS.length]}`).focus();
    });
  });
}

async function close() {
  if (!confirm("Close the page and end the program? The openings are saved.")) return;
  closed = true;
  clearTimeout(timer);
  await send("POST", "close").catch(() => {});
  for (const part of document.body.children) part.hidden = part.id !== "closed";
}

wireSteps();
byId("close-page").addEventListener("click", close);
byId("job-stop").addEventListener("click", () => send("POST", "stop").then(look, look));
document.addEventListener("begun", look);
document.addEventListener("wanted", () => toStep("test"));
store.addEventListener("saved", () => clearTimeout(timer) || look());
window.addEventListener("beforeunload", (event) => store.busy && event.preventDefault());
look();
