// Words, lengths and small pieces of page.

export function h(tag, props = {}, ...children) {
  const el = document.createElement(tag);
  for (const [name, value] of Object.entries(props || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) el.addEventListener(name.slice(2), value);
    else if (name === "class") el.className = value;
    else if (name === "value") el.value = el.shown = value;
    else if (value === true) el.setAttribute(name, "");
    else el.setAttribute(name, value);
  }
  el.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return el;
}

const ICONS = {
  look: '<circle cx="10.500" cy="10.500" r="5.500"/><path d="M15 15l5 5"/>',
  move: '<path d="M4 18C8 18 8 7 12 7s4 11 8 11"/><rect x="9.500" y="4.500" width="5" height="5" transform="rotate(45 12 7)" fill="currentColor"/>',
  draw: '<path d="M5 19l1-4L16 5l3 3L9 18z"/><path d="M14 7l3 3"/>',
  split: '<path d="M3 16c4-6 7-7 9-7"/><path d="M12 9c3 0 6 2 9 7"/><path d="M12 4v10"/>',
  seam: '<path d="M4 6c5 1 11 5 16 12" stroke-dasharray="3.500 2.500"/>',
  paint: '<path d="M14 4l6 6-7 5-4-4z"/><path d="M9 11l4 4c-1 4-4 5-9 5 3-2 2-6 5-9z"/>',
  undo: '<path d="M9 6L4 11l5 5"/><path d="M4 11h10a5 5 0 010 10h-3"/>',
  redo: '<path d="M15 6l5 5-5 5"/><path d="M20 11H10a5 5 0 000 10h3"/>',
  plus: '<path d="M12 5v14M5 12h14"/>',
  minus: '<path d="M5 12h14"/>',
  fit: '<path d="M4 9V4h5M20 9V4h-5M4 15v5h5M20 15v5h-5"/>',
  next: '<path d="M9 5l7 7-7 7"/>',
  back: '<path d="M15 5l-7 7 7 7"/>',
  photo: '<rect x="3" y="6" width="18" height="14" rx="2"/><circle cx="12" cy="13" r="4"/><path d="M8 6l1.500-2h5L16 6"/>',
  pattern: '<path d="M5 20V4h8c.3 3.500 2.500 5.500 6 6v10z"/><path d="M9 16V9" stroke-dasharray="2 2"/>',
  sheet: '<path d="M6 3h9l4 4v14H6z"/><path d="M15 3v4h4M9 12h6M9 16h6"/>',
  check: '<path d="M5 12.500l4.500 4.500L19 7"/>',
  bin: '<path d="M5 7h14M10 7V4h4v3M7 7l1 13h8l1-13"/>',
  down: '<path d="M12 4v12M7 11l5 5 5-5M5 20h14"/>',
};

export function icon(name) {
  const span = h("span", { class: "icon", "aria-hidden": "true" });
  span.innerHTML = `<svg viewBox="0 0 24 24" width="22" height="22" fill="none" stroke="currentColor" stroke-width="1.800" stroke-linecap="round" stroke-linejoin="round">${ICONS[name]}</svg>`;
  return span;
}

let unit = localStorage.getItem("unit") || "cm";
export const units = () => unit;

// Until a person chooses, the unit is that of what is of known size in the set's photos.
export function unitsOf(references) {
  const inches = (r) => [r.grid, r.card, ...(r.rulers || [])].some((l) => /in$/.test(l || "")) || r.sheet === "Letter";
  if (!localStorage.getItem("unit")) unit = references.some(inches) ? "in" : "cm";
}
export function setUnits(to) {
  unit = to;
  localStorage.setItem("unit", to);
}

// Millimetres as the person reads them.
export function length(mm, digits) {
  return unit === "in" ? `${(mm / 25.4).toFixed(digits ?? 2)} in` : `${(mm / 10).toFixed(digits ?? 1)} cm`;
}

export function doubt(mm) {
  return unit === "in" ? `${(mm / 25.4).toFixed(3)} in` : `${mm.toFixed(1)} mm`;
}

// What was typed, with the unit at work where none was given.
export function typedLength(text) {
  const t = text.trim();
  return /[a-z"]$/i.test(t) ? t : t + unit;
}

let saidTimer = 0;
export function say(text, kind = "note") {
  const said = document.getElementById("said");
  said.className = `said shown ${kind}`;
  said.textContent = text;
  clearTimeout(saidTimer);
  saidTimer = setTimeout(() => said.classList.remove("shown"), kind === "trouble" ? 12000 : 4500);
}

export function trouble(error) {
  if (error && error.seen) say(error.advice ? `${capital(error.seen)}. ${capital(error.advice)}.` : `${capital(error.seen)}.`, "trouble");
  else {
    console.error(error);
    say("Something on this page went wrong. Load it again; everything done so far is saved.", "trouble");
  }
}

export const capital = (text) => (text ? text[0].toUpperCase() + text.slice(1) : "");
export const many = (n, one, more) => `${n} ${n === 1 ? one : more || one + "s"}`;

// Advice, each in one line that can be read on its own.
export function advice(warnings, title = "What could be better") {
  if (!warnings.length) return null;
  return h("details", { class: "advice", open: warnings.length <= 3 },
    h("summary", {}, `${title} (${warnings.length})`),
    h("ul", {}, warnings.map((w) => h("li", {}, sentence(/^(seam-|corner-)/.test(w.code) ? inSeam(inWords(w)) : inWords(w))))));
}

// What the program says to those who type commands, said for those who click.
const HERE = {
  "thickness-assumed": "How thick the garment lies was not said, so 2.5 mm was assumed. Pinch the folded garment against a ruler and say it on the Photos step",
  "mat-unmeasured": "Nobody has measured this mat, so every length is only as true as its print. Lay a steel tape along 20 squares and say it on the Photos step, under \u201cI measured the mat with a tape\u201d",
};

// What is said for those who type commands, said for those who click.
export const inHere = (text) => text.replace(/make with --true/g, "true the pairs, under Fit,");

// The names of seams as people say them: "front/side-seam to back/side-seam" is front side seam to back side seam.
const HYPHENED = /\b(side|underarm)-seam\b|\bsleeve-cap\b/g;
export const inSeam = (text) => text.replace(HYPHENED, (role) => role.replace("-", " ")).replaceAll("/", " ").replace(/(\d+) x /g, "$1 \u00d7 ").replace(/\b(\w+) \1\b/g, "$1");

export const inWords = (w) => inHere(HERE[w.code] || w.text).replace(/ with --bare/g, "").replace(/give --measured or --mat/g, "say so on the Photos step").replace(/such as --grid (\S+)/g, "such as $1").replace(/give --[a-z-]+( or --[a-z-]+)*/g, "say it on the Photos step");

const sentence = (text) => {
  const t = capital(text);
  return /[.!?]$/.test(t) ? t : t + ".";
};

// A length as it stands in the set's file, as a person would write it: 10mm is 1cm, 0.5in is 1/2in.
export const pretty = (text) => String(text)
  .replace(/^(\d+(?:\.\d+)?)mm$/, (all, mm) => (mm >= 10 && mm % 5 === 0 ? `${mm / 10}cm` : all))
  .replace(/^(\d+)\.(\d+)in$/, (all, whole, part) => {
    const sixteenths = 16 * Number(`0.${part}`);
    if (!Number.isInteger(sixteenths)) return all;
    const bottom = [2, 4, 8, 16].find((b) => Number.isInteger((sixteenths * b) / 16));
    return `${whole > 0 ? `${whole} ` : ""}${(sixteenths * bottom) / 16}/${bottom}in`;
  });

// Draws a part of the page anew while someone works on it: what has the focus keeps it, and what is being typed stays.
export function redrawn(part, draw) {
  const before = part.contains(document.activeElement) ? document.activeElement : null;
  const keep = before?.dataset.keep;
  draw();
  if (!keep) return;
  const after = part.querySelector(`[data-keep="${CSS.escape(keep)}"]`);
  if (!after || after === document.activeElement) return;
  after.focus({ preventScroll: true });
  if (before.matches("input[type=text]") && before.value !== String(before.shown ?? "")) {
    const [from, to] = [before.selectionStart, before.selectionEnd];
    after.value = before.value;
    after.setSelectionRange(from, to);
  }
}
