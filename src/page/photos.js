// Bringing photos in: what gives the size, the photos, how the tracing stands, what could be better.

import { ask, send } from "./ask.js";
import { advice, capital, h, icon, inWords as sayHere, many, pretty, say, trouble, typedLength, units } from "./words.js";
import { desk, go, hurry, look, onDesk, tell } from "./main.js";

const KINDS = [
  { id: "grid", name: "A gridded mat", hint: "a cutting mat, a sheet with squares, a chessboard, floor tiles" },
  { id: "card", name: "Printed cards", hint: "three or more, better five, laid all around the garment" },
  { id: "ruler", name: "Rulers", hint: "one, or better two laid as an L" },
  { id: "sheet", name: "A sheet of paper", hint: "A4 or Letter; good within about 0.6 %" },
];

const CLOTHS = ["lining", "voile", "lawn", "shirting", "linen", "jersey", "twill", "flannel", "denim", "canvas", "rib", "sweatshirt", "corduroy", "knitwear", "fleece", "coating", "quilted"];

// HEIC too: the program reads it, or says how to get a JPEG.
const KNOWN_ENDS = /\.(jpe?g|png|tiff?|webp|hei[cf]|hif)$/i;

// What is said stays said while the page is open.
const said = JSON.parse(sessionStorage.getItem("said") || "null") || { kind: "", grid: "", squares: "", tape: "", card: "", ruler: "", rulers: "1", paper: "A4", thick: "unknown", thickness: "", layers: "4", cloth: "jersey", together: false };
let begun = false;

function remember() {
  sessionStorage.setItem("said", JSON.stringify(said));
}

function fromReference(r) {
  said.kind = r.grid ? "grid" : r.card ? "card" : r.rulers?.length ? "ruler" : r.sheet ? "sheet" : "";
  said.grid = pretty(r.grid || "");
  said.card = r.card || "";
  if (r.measured) Object.assign(said, { squares: String(r.measured.squares), tape: r.measured.length });
  if (r.rulers?.length) Object.assign(said, { ruler: r.rulers[0], rulers: String(r.rulers.length) });
  if (r.sheet) said.paper = r.sheet;
  if (r.thickness) Object.assign(said, { thick: "measured", thickness: r.thickness });
  if (r.layers) Object.assign(said, { thick: "layers", layers: String(r.layers), cloth: r.cloth });
}

// The reference as the engine wants it, or what is missing, in words.
function reference() {
  const r = {};
  const missing = (what) => ({ missing: what });
  if (!said.kind) return missing("Say first what gives the size.");
  if (said.kind === "grid") {
    if (!said.grid.trim()) return missing("Say how wide the mat's squares are.");
    r.grid = typedLength(said.grid);
    if (said.squares && said.tape) r.measured = { squares: Number(said.squares), length: typedLength(said.tape) };
  }
  if (said.kind === "card") {
    if (!said.card.trim()) return missing("Measure the black square of a card and say how wide it is.");
    r.card = typedLength(said.card);
  }
  if (said.kind === "ruler") {
    if (!said.ruler.trim()) return missing("Say how long the ruler is.");
    r.rulers = Array(said.rulers === "2" ? 2 : 1).fill(typedLength(said.ruler));
  }
  if (said.kind === "sheet") r.sheet = said.paper;
  if (said.thick === "measured" && said.thickness.trim()) r.thickness = typedLength(said.thickness);
  if (said.thick === "layers") Object.assign(r, { layers: Number(said.layers), cloth: said.cloth });
  return { reference: r };
}

export function plainName(name) {
  const dot = name.lastIndexOf(".");
  const end = dot > 0 ? name.slice(dot).toLowerCase() : "";
  const stem = (dot > 0 ? name.slice(0, dot) : name).normalize("NFC").replace(/[^\p{L}\p{N}_ -]+/gu, "-").replace(/^[^\p{L}\p{N}_]+|[^\p{L}\p{N}_]+$/gu, "");
  return (stem || "photo").slice(0, 40) + end;
}

const stem = (photo) => photo.replace(/\.[^.]+$/, "");

function freePiece(name) {
  const taken = new Set(desk.pieces.map((p) => p.name));
  let free = name;
  for (let n = 2; taken.has(free); n++) free = `${name}-${n}`;
  return free;
}

async function describe(photos) {
  const { reference: r, missing } = reference();
  if (missing) {
    say(missing, "trouble");
    document.querySelector(".size input")?.focus();
    return false;
  }
  const groups = said.together && photos.length > 1 ? [photos] : photos.map((p) => [p]);
  for (const group of groups) {
    const again = desk.pieces.find((p) => p.photos.join() === group.join());
    await tell({ ask: "describe", piece: again ? again.name : freePiece(stem(group[0])), photos: group, reference: r });
  }
  hurry();
  return true;
}

const sending = new Map();

async function bring(files, redraw) {
  const photos = [...files].filter((f) => KNOWN_ENDS.test(f.name) || f.type.startsWith("image/"));
  if (photos.length < files.length) {
    say(photos.length ? "Some files are no photos and were left out." : "These files are no photos. Bring in JPEG, PNG, TIFF or WebP.", "trouble");
  }
  const arrived = [];
  for (const file of photos) {
    const name = plainName(file.name);
    sending.set(name, 0);
    redraw();
    try {
      arrived.push(await send(file, name, (share) => {
        sending.set(name, share);
        redraw();
      }));
    } catch (error) {
      trouble(error);
    }
    sending.delete(name);
    redraw();
  }
  if (!arrived.length) return;
  try {
    if (!(await describe(arrived))) hurry();
  } catch (error) {
    trouble(error);
    hurry();
  }
}

function sizeForm(redraw) {
  const changed = () => {
    remember();
    redraw();
  };
  const field = (label, key, props = {}, note) => {
    const id = `f-${key}`;
    const input = h("input", { id, type: "text", autocomplete: "off", value: said[key], "aria-describedby": note ? id + "-n" : null, oninput: (e) => { said[key] = e.target.value; remember(); }, ...props });
    return h("div", { class: "field" }, h("label", { for: id }, label), input, note ? h("p", { class: "note", id: id + "-n" }, note) : null);
  };
  const choose = (label, key, options) => {
    const id = `f-${key}`;
    const select = h("select", { id, onchange: (e) => { said[key] = e.target.value; changed(); } },
      options.map(([value, name]) => h("option", { value, selected: said[key] === value }, name)));
    return h("div", { class: "field" }, h("label", { for: id }, label), select);
  };
  const quick = (key, values) =>
    h("div", { class: "quick", role: "group", "aria-label": "Common sizes" }, values.map((v) =>
      h("button", { type: "button", class: "chip", "aria-pressed": String(said[key] === v), onclick: () => { said[key] = v; changed(); } }, v)));
  const more = {
    grid: () => [
      field("One square of the mat is", "grid", { placeholder: units() === "in" ? "1in" : "1cm" }),
      quick("grid", ["1cm", "5cm", "1/2in", "1in"]),
      h("details", { class: "more" }, h("summary", {}, "I measured the mat with a tape"),
        h("p", { class: "note" }, "Printed grids are off by up to one per cent. Measured once over 20 squares or more, every length becomes as sure as the tape."),
        h("div", { class: "row" }, field("Squares", "squares", { inputmode: "numeric", placeholder: "20" }), field("measure together", "tape", { placeholder: units() === "in" ? "20in" : "507mm" }))),
    ],
    card: () => [field("The black square of a card measures", "card", { placeholder: "79.4mm" }, "Measure a printed one with a steel rule: printers rarely print 80.0 mm."),
      h("p", { class: "note" }, "No cards yet? ", h("a", { href: `/take/cards-${units() === "in" ? "Letter" : "A4"}.pdf`, download: "cards.pdf" }, "Print them"), " at 100 %.")],
    ruler: () => [h("div", { class: "row" }, field("Each ruler is", "ruler", { placeholder: units() === "in" ? "18in" : "450mm" }), choose("How many", "rulers", [["1", "one"], ["2", "two alike, as an L"]]))],
    sheet: () => [choose("The paper is", "paper", [["A4", "A4"], ["Letter", "Letter"]])],
    "": () => [],
  };
  return h("form", { class: "card size", onsubmit: (e) => e.preventDefault() },
    h("h2", {}, h("span", { class: "num", "aria-hidden": "true" }, "1"), "What gives the size?"),
    h("fieldset", { class: "kinds" }, h("legend", { class: "hidden" }, "What of known size lies in the photos"),
      KINDS.map((k) => h("label", { class: "kind" },
        h("input", { type: "radio", name: "kind", value: k.id, checked: said.kind === k.id, onchange: () => { said.kind = k.id; changed(); document.querySelector(`input[name=kind][value=${k.id}]`)?.focus(); } }),
        h("span", {}, h("b", {}, k.name), h("small", {}, k.hint))))),
    h("div", { class: "fields" }, more[said.kind]()),
    h("details", { class: "more", open: said.thick !== "unknown" }, h("summary", {}, "How thick the folded garment lies"),
      h("p", { class: "note" }, "Thick cloth is nearer to the camera and looks larger. Left unsaid, 2.5 mm is assumed."),
      choose("Thickness", "thick", [["unknown", "I do not know"], ["measured", "measured"], ["layers", "so many layers of a cloth"]]),
      said.thick === "measured" ? field("It is", "thickness", { placeholder: "3mm" }) : null,
      said.thick === "layers" ? h("div", { class: "row" }, field("Layers", "layers", { inputmode: "numeric" }), choose("of", "cloth", CLOTHS.map((c) => [c, c]))) : null));
}

function dropCard(redraw) {
  const input = h("input", { type: "file", id: "files", multiple: true, accept: "image/jpeg,image/png,image/tiff,image/webp", class: "hidden", onchange: (e) => { bring(e.target.files, redraw); e.target.value = ""; } });
  const over = (on) => zone.classList.toggle("over", on);
  const zone = h("div", { class: "card drop",
    ondragover: (e) => { e.preventDefault(); over(true); },
    ondragleave: () => over(false),
    ondrop: (e) => { e.preventDefault(); over(false); bring(e.dataTransfer.files, redraw); } },
    h("h2", {}, h("span", { class: "num", "aria-hidden": "true" }, "2"), "Bring in the photos"),
    h("div", { class: "zone" }, icon("photo"),
      h("p", {}, "Drop photos here, several at once if you like."),
      h("label", { for: "files", class: "button main" }, "Choose photos"), input,
      h("p", { class: "note" }, "The photo as the camera wrote it (JPEG, PNG, TIFF, WebP). It stays on this computer.")),
    h("label", { class: "tick" }, h("input", { type: "checkbox", checked: said.together, onchange: (e) => { said.together = e.target.checked; remember(); } }),
      h("span", {}, "The photos I bring in together show one long garment and overlap by a third or more")));
  // The label stands for the hidden field, so it must answer the keyboard as a button does.
  const button = zone.querySelector("label.button");
  button.tabIndex = 0;
  button.setAttribute("role", "button");
  button.addEventListener("keydown", (e) => {
    if (e.key === "Enter" || e.key === " ") {
      e.preventDefault();
      input.click();
    }
  });
  return zone;
}

function stages(tracing) {
  const last = tracing.stages.length - 1;
  return h("ol", { class: "stages", "aria-label": "Stages of the tracing" }, tracing.stages.map((s, i) =>
    h("li", { class: i < last ? "past" : "now" }, i < last ? icon("check") : h("span", { class: "turning", "aria-hidden": "true" }), h("span", {}, capital(s)))));
}

function pieceCard(piece) {
  const at = desk.tracing?.piece === piece.name ? desk.tracing : null;
  const waits = piece.stale && !piece.refused && !at;
  const head = h("h3", {}, piece.name);
  const parts = [];
  if (at) {
    parts.push(stages(at), advice(at.noticed, "Already seen in the photo"));
  } else if (piece.refused) {
    parts.push(h("div", { class: "stop", role: "note" }, h("p", {}, h("b", {}, "Not traced: "), capital(piece.refused.seen) + "."), h("p", {}, h("b", {}, "What to do: "), sayHere({ text: piece.refused.advice }) + ".")));
  } else if (waits) {
    parts.push(h("p", { class: "note" }, "Waits to be traced."));
  } else {
    parts.push(h("p", { class: piece.doubtful ? "verdict look" : "verdict" }, icon(piece.doubtful ? "look" : "check"),
      piece.doubtful ? `${many(piece.doubtful, "stretch", "stretches")} worth a look` : "The whole edge was seen well"));
    parts.push(advice(piece.warnings));
  }
  const buttons = [];
  if (piece.traced) buttons.push(h("a", { class: "button main", href: `#review/${encodeURIComponent(piece.name)}` }, "Review the outline"));
  buttons.push(h("button", { type: "button", class: "button quiet", "aria-label": `Take ${piece.name} off the set`, onclick: () => remove(piece) }, icon("bin")));
  if (!at && !waits) buttons.push(h("button", { type: "button", class: "button", onclick: () => describe(piece.photos).catch(trouble) }, "Trace again as said on this page"));
  if (!at && !waits) parts.push(further(piece));
  const seen = piece.picture
    ? h("img", { class: "thumb", alt: `${piece.name}, seen from straight above`, loading: "lazy", src: `/picture?piece=${encodeURIComponent(piece.name)}&v=${piece.picture}` })
    : h("img", { class: "thumb", alt: `Photo ${piece.photos[0]}`, loading: "lazy", src: `/photo?name=${encodeURIComponent(piece.photos[0] || "")}` });
  return h("li", { class: "card piece" }, seen, h("div", { class: "about" }, head,
    h("p", { class: "note" }, `${piece.photos.join(" and ")} · ${inWords(piece.reference)}`), parts, h("div", { class: "buttons" }, buttons)));
}

const COLOURS = ["red", "orange", "yellow", "green", "blue", "purple", "pink"];

// What helps with difficult photos: stickers on hidden seams, and the mat photographed without the garment.
function further(piece) {
  const r = piece.reference;
  const tellMore = (key, value) => {
    const reference = { ...r };
    value ? (reference[key] = value) : delete reference[key];
    tell({ ask: "describe", piece: piece.name, photos: piece.photos, reference }).then(hurry).catch(trouble);
  };
  const photos = [...new Set([...desk.loose, ...desk.pieces.flatMap((p) => p.photos), r.bare].filter((p) => p && !piece.photos.includes(p)))];
  const id = "more-" + piece.name;
  return h("details", { class: "advice" }, h("summary", {}, "More about this photo"),
    h("div", { class: "fields" },
      h("div", { class: "field" }, h("label", { for: id + "-m" }, "Round stickers mark hidden seams, in"), h("select", { id: id + "-m", onchange: (e) => tellMore("marks", e.target.value) },
        h("option", { value: "" }, "no colour: there are none"), COLOURS.map((c) => h("option", { value: c, selected: r.marks === c }, c)))),
      photos.length ? h("div", { class: "field" }, h("label", { for: id + "-b" }, "The bare mat, photographed from the same place"), h("select", { id: id + "-b", onchange: (e) => tellMore("bare", e.target.value) },
        h("option", { value: "" }, "there is no such photo"), photos.map((p) => h("option", { value: p, selected: r.bare === p }, p)))) : h("p", { class: "note" }, "Cloth of the mat's own colour: bring in a photo of the bare mat from about the same place, then choose it here.")));
}

function inWords(r) {
  if (r.grid) return r.measured ? `mat of ${pretty(r.grid)}, ${r.measured.squares} squares measure ${r.measured.length}` : `mat of ${pretty(r.grid)}`;
  if (r.card) return `cards of ${r.card}`;
  if (r.rulers?.length) return r.rulers.length > 1 ? `two rulers of ${r.rulers[0]}` : `a ruler of ${r.rulers[0]}`;
  return r.sheet ? `a sheet of ${r.sheet}` : "";
}

// The last change to the set, photos brought in and pieces taken off among them.
function stepButton(which, name) {
  const words = desk[which] ? `${name}: ${desk[which]}` : name;
  const step = async () => {
    if (!desk[which]) return;
    const was = desk[which];
    try {
      await ask({ ask: `${which}-set` });
      await look();
      say(which === "undo" ? `Taken back: ${was}.` : `Made again: ${was}.`);
      hurry();
    } catch (error) {
      trouble(error);
    }
  };
  return h("button", { type: "button", class: "button quiet", "aria-label": words, title: words, "aria-disabled": desk[which] ? null : "true", onclick: step }, icon(which));
}

async function remove(piece) {
  try {
    await tell({ ask: "remove", piece: piece.name });
    say(`${piece.name} was taken off; it can be taken back. The photo stays in the set's folder.`);
    hurry();
  } catch (error) {
    trouble(error);
  }
}

export function showPhotos(work) {
  if (!begun && !said.kind && desk.pieces.length) fromReference(desk.pieces[0].reference);
  begun = true;
  const form = h("div", { class: "slot" });
  const list = h("section", { class: "pieces", "aria-label": "Pieces of this set" });
  const drawForm = () => form.replaceChildren(sizeForm(drawForm));
  let last = "";
  const drawList = () => {
    const state = JSON.stringify([desk.pieces, desk.tracing, [...sending], desk.loose, desk.undo, desk.redo]);
    if (state === last) return;
    last = state;
    const focused = document.activeElement?.closest?.(".pieces") ? document.activeElement.getAttribute("href") || document.activeElement.textContent : null;
    const cards = desk.pieces.map(pieceCard);
    for (const [name, share] of sending) {
      cards.unshift(h("li", { class: "card piece" }, h("div", { class: "about" }, h("h3", {}, name), h("progress", { max: 1, value: share, "aria-label": `Bringing in ${name}` }))));
    }
    const loose = desk.loose.filter((p) => !sending.has(p));
    list.replaceChildren(
      cards.length || desk.undo || desk.redo ? h("div", { class: "listhead" }, h("h2", {}, cards.length ? "Pieces" : "No pieces"), stepButton("undo", "Take back"), stepButton("redo", "Make again")) : "",
      h("ul", { class: "plainlist" }, cards),
      loose.length ? h("div", { class: "card loose" }, h("p", {}, `In the folder, but not used: ${loose.join(", ")}.`),
        h("button", { type: "button", class: "button", onclick: () => describe(loose).catch(trouble) }, "Trace as said on this page")) : "");
    if (focused) [...list.querySelectorAll("a, button")].find((b) => b.getAttribute("href") === focused || b.textContent === focused)?.focus();
  };
  drawForm();
  drawList();
  work.className = "photos";
  // A set that is there is looked at first; one that begins, with what to do first.
  const begin = h("div", { class: "two" }, form, dropCard(drawList));
  work.replaceChildren(h("h1", { class: "hidden" }, "Photos"), ...(desk.pieces.length ? [list, h("h2", { class: "addmore" }, "Bring in more"), begin] : [begin, list]));
  const off = onDesk((before) => {
    drawList();
    if (before && desk.tracing.done > before.done) say(desk.pieces.some((p) => p.refused) ? "A photo could not be traced; the reason is told beside it." : "Traced. Review the outline next.");
  });
  return off;
}
