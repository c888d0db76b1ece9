// The page: which step is shown, what is on the desk, how the tracing stands.

import { ask } from "./ask.js";
import { h, icon, setUnits, trouble, units, unitsOf } from "./words.js";
import { showPhotos } from "./photos.js";
import { showReview } from "./review.js";
import { showPattern } from "./pattern.js";
import { showSheets } from "./sheets.js";

export const desk = { set: "", pieces: [], loose: [], tracing: null, undo: null, redo: null };

const STEPS = [
  { id: "photos", name: "Photos", icon: "photo", show: showPhotos },
  { id: "review", name: "Review", icon: "look", show: showReview },
  { id: "pattern", name: "Pattern", icon: "pattern", show: showPattern },
  { id: "sheets", name: "Sheets", icon: "sheet", show: showSheets },
];

let shown = null;
let leave = () => {};

export function go(step, piece) {
  location.hash = piece ? `${step}/${encodeURIComponent(piece)}` : step;
}

function place() {
  const [step, piece] = location.hash.slice(1).split("/");
  return { step: STEPS.find((s) => s.id === step) || STEPS[0], piece: piece ? decodeURIComponent(piece) : null };
}

function steps(current) {
  const list = document.getElementById("steps");
  const traced = desk.pieces.some((p) => p.traced);
  list.replaceChildren(...STEPS.map((s, i) => {
    const ready = i === 0 || traced;
    const link = ready
      ? h("a", { href: "#" + s.id, "aria-current": s === current ? "step" : null }, icon(s.icon), h("span", {}, s.name))
      : h("span", { class: "later", title: "after a photo is traced" }, icon(s.icon), h("span", {}, s.name));
    return h("li", {}, link);
  }));
}

async function show() {
  const { step, piece } = place();
  leave();
  leave = () => {};
  const work = document.getElementById("work");
  steps(step);
  document.title = `${step.name} · ${desk.set || "Clothline"}`;
  const moved = shown !== null && shown !== step;
  shown = step;
  try {
    leave = (await step.show(work, piece)) || (() => {});
  } catch (error) {
    trouble(error);
  }
  if (moved) work.focus({ preventScroll: false });
}

const listeners = new Set();
export function onDesk(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

function took(told) {
  const before = desk.tracing;
  Object.assign(desk, { set: told.set, tracing: told.tracing });
  if (told.answer === "overview") {
    Object.assign(desk, { pieces: told.pieces, undo: told.undo, redo: told.redo });
    if (told.loose || before === null) desk.loose = told.loose || [];
    unitsOf(desk.pieces.map((p) => p.reference));
    markUnits();
  }
  document.getElementById("set").textContent = told.set;
  steps(place().step);
  listeners.forEach((l) => l(before));
}

export async function look() {
  took(await ask({ ask: "overview" }));
}

export async function tell(request) {
  const told = await ask(request);
  took(told);
  return told;
}

// While something is traced the desk is looked at often; otherwise now and then.
async function watch() {
  let pause = 4000;
  try {
    await look();
    const busy = desk.tracing.piece || desk.pieces.some((p) => p.stale && !p.refused);
    pause = busy ? 150 : 4000;
  } catch (error) {
    trouble(error);
    pause = 8000;
  }
  timer = setTimeout(watch, pause);
}
let timer = 0;

// Something was asked that is traced now: do not wait.
export function hurry() {
  clearTimeout(timer);
  watch();
}

function markUnits() {
  document.querySelectorAll("[data-unit]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.unit === units())));
}

for (const button of document.querySelectorAll("[data-unit]")) {
  button.addEventListener("click", () => {
    setUnits(button.dataset.unit);
    markUnits();
    show();
  });
}
markUnits();

addEventListener("hashchange", show);
look().catch(trouble).then(show).then(() => { timer = setTimeout(watch, 400); });
