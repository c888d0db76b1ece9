// Making the pattern: what the edges are, allowances, notches, what is sewn to what, bands, variations, the tape.
// The set's own file is changed and sent whole; the engine makes the set of it or says why it cannot.

import { ask } from "./ask.js";
import { desk, look } from "./main.js";
import { advice, capital, h, icon, inHere, inSeam, length, many, pretty, redrawn, say, trouble, typedLength, units } from "./words.js";

const ROLES = [["fold", "fold"], ["hem", "hem"], ["side-seam", "side seam"], ["shoulder", "shoulder"], ["neckline", "neckline"], ["armhole", "armhole"], ["sleeve-cap", "sleeve cap"], ["underarm-seam", "underarm seam"], ["waist", "waist"], ["rise", "rise"], ["inseam", "inseam"], ["outseam", "outseam"], ["opening", "opening"], ["plain", "plain"]];
const KINDS = [["", "guessed"], ["half-front", "front, half on the fold"], ["half-back", "back, half on the fold"], ["half-sleeve", "sleeve, folded"], ["trouser-front", "trouser front"], ["trouser-back", "trouser back"], ["half-skirt", "skirt, half on the fold"], ["half-body-with-sleeve", "body with sleeve, half"]];
// Changes that a form can ask for: the word of the file, what people call it, and what has to be said.
const CHANGES = [
  ["move-edge", "Move an edge outwards", [["edge", "edge"], ["out", "length"]]],
  ["move-edge", "Move an edge inwards", [["edge", "edge"], ["in", "length"]]],
  ["lengthen", "Lengthen, spread across the grain", [["by", "length"]]],
  ["shorten", "Shorten, folded away across the grain", [["by", "length"]]],
  ["shorten-leg", "Shorten the leg to an inseam of", [["inseam", "length"]]],
  ["neckline", "Another neckline", [["shape", ["round", "v"]], ["depth", "length"]]],
  ["let-out", "Let elastic out to its stretched length", [["edge", "edge"], ["stretched", "length"]]],
  ["scale", "Larger or smaller, per cent", [["length", "percent"], ["width", "percent"]]],
  ["unfold", "Unfold to a whole piece", []],
  ["square-at-fold", "Square the edges at the fold", []],
];
const SVG = "http://www.w3.org/2000/svg";

let chosen = null;

export async function showPattern(work, wanted) {
  work.className = "patternwork";
  if (!desk.pieces.some((p) => p.traced)) {
    work.replaceChildren(h("p", { class: "plain" }, "There is no piece yet. ", h("a", { href: "#photos" }, "Bring in a photo first.")));
    return null;
  }
  const pattern = new Pattern(work, wanted);
  await pattern.open();
  return () => pattern.close();
}

class Pattern {
  constructor(work, wanted) {
    chosen = wanted || chosen;
    this.work = work;
    this.stage = h("section", { class: "papers", "aria-label": "The piece" });
    this.side = h("aside", { class: "side", "aria-label": "What is wanted of it" });
    this.list = h("nav", { class: "piecelist", "aria-label": "Pieces" });
    work.replaceChildren(h("div", { class: "paperside" }, this.list, this.stage), this.side);
    this.edge = null;
    this.tab = "piece";
    this.keys = (e) => this.key(e);
    addEventListener("keydown", this.keys);
  }

  close() {
    removeEventListener("keydown", this.keys);
  }

  key(e) {
    if (!(e.ctrlKey || e.metaKey) || /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName)) return;
    const k = e.key.toLowerCase();
    if (k === "z" && !e.shiftKey) this.step("undo");
    else if (k === "y" || (k === "z" && e.shiftKey)) this.step("redo");
    else return;
    e.preventDefault();
  }

  async open() {
    this.take(await ask({ ask: "pattern" }));
  }

  take(told) {
    this.told = told;
    this.set = told.recipe;
    const names = this.set.pieces.map((p) => p.name);
    if (!names.includes(chosen)) chosen = names[0];
    this.draw();
  }

  get recipe() {
    return this.set.pieces.find((p) => p.name === chosen);
  }

  get made() {
    return this.told.pieces.find((p) => p.name === chosen);
  }

  // A changed set goes out whole, with what was changed in words; the engine keeps what was there before.
  // One after another: each is made on what the one before left.
  save(change, words) {
    const of = chosen;
    const make = async () => {
      const next = structuredClone(this.set);
      change(next, next.pieces.find((p) => p.name === of));
      try {
        this.take(await ask({ ask: "recipe", set: next, words }));
        say(`${capital(words)}. Saved.`);
      } catch (error) {
        this.draw();
        trouble(error);
      }
    };
    this.turn = (this.turn || Promise.resolve()).then(make);
    return this.turn;
  }

  async step(which) {
    const words = this.told[which];
    if (!words) return;
    try {
      this.take(await ask({ ask: `${which}-set` }));
      say(which === "undo" ? `Taken back: ${words}.` : `Made again: ${words}.`);
      await look();
    } catch (error) {
      trouble(error);
    }
  }

  draw() {
    redrawn(this.work, () => this.drawAll());
  }

  drawAll() {
    this.work.dataset.tab = this.tab;
    this.drawList();
    this.drawPiece();
    const tabs = [["piece", "This piece"], ["set", "The set"], ["fit", `Fit${this.unfit() ? ` (${this.unfit()})` : ""}`]];
    this.side.replaceChildren(
      h("div", { class: "tabs", role: "group", "aria-label": "What is shown" }, tabs.map(([id, name]) => h("button", { type: "button", "data-keep": `tab-${id}`, "aria-pressed": String(id === this.tab), onclick: () => { this.tab = id; this.draw(); } }, name))),
      h("div", { class: "panel" }, this.told.refused ? this.refused() : null, ...(this.tab === "piece" ? this.piece() : this.tab === "set" ? this.whole() : this.fit()).filter(Boolean)));
  }

  unfit() {
    return this.told.seams.filter((s) => !s.fits || s.corners.some((c) => !c.smooth)).length + this.told.tape.filter((t) => !t.agrees).length;
  }

  refused() {
    const r = this.told.refused;
    return h("div", { class: "stop", role: "note" }, h("p", {}, h("b", {}, "Not made: "), capital(r.seen) + "."), h("p", {}, h("b", {}, "What to do: "), r.advice + "."));
  }

  drawList() {
    this.list.replaceChildren(h("h1", { class: "hidden" }, "Pattern"), ...this.set.pieces.map((p) => h("button", { type: "button", class: "chip", "data-keep": `piece-${p.name}`, "aria-pressed": String(p.name === chosen), onclick: () => { chosen = p.name; this.edge = null; this.tab = "piece"; this.draw(); } }, p.name)),
      h("span", { class: "grow" }),
      this.stepButton("undo", "Take back"), this.stepButton("redo", "Make again"));
  }

  stepButton(which, name) {
    const words = this.told[which] ? `${name}: ${this.told[which]}` : name;
    return h("button", { type: "button", class: "button quiet", "aria-label": words, title: words, "data-keep": which, "aria-disabled": this.told[which] ? null : "true", onclick: () => this.step(which) }, icon(which));
  }

  drawPiece() {
    if (this.walking && this.tab === "fit") {
      const picture = h("img", { src: `/take/truing.svg?at=${Date.now()}`, alt: "The pieces of every seam walked along each other: at its start, middle and end" });
      return this.stage.replaceChildren(h("div", { class: "walked", tabindex: "0", role: "group", "aria-label": "Seams walked" }, picture));
    }
    const m = this.made;
    if (!m) return this.stage.replaceChildren(h("p", { class: "plain" }, "This piece is only a shape that others are made from, or the set cannot be made yet."));
    this.stage.replaceChildren(picture(m, this.edge, (number) => { this.edge = number; this.tab = "piece"; this.draw(); this.side.querySelector(".edge.open")?.scrollIntoView({ block: "nearest" }); }));
  }

  section(title, ...parts) {
    return h("section", { class: "part" }, h("h2", {}, title), parts);
  }

  select(label, keep, options, now, set) {
    const id = `s-${keep}`;
    return h("div", { class: "field" }, h("label", { for: id }, label), h("select", { id, "data-keep": keep, onchange: (e) => set(e.target.value) }, options.map(([value, name]) => h("option", { value, selected: value === now }, name))));
  }

  input(label, keep, now, set, props = {}) {
    const id = `i-${keep}`;
    return h("div", { class: "field" }, h("label", { for: id }, label), h("input", { id, type: "text", autocomplete: "off", "data-keep": keep, value: now ?? "", onchange: (e) => set(e.target.value.trim()), ...props }));
  }

  piece() {
    const r = this.recipe, m = this.made;
    const parts = [];
    const cut = r.cut || { count: m?.cut.count ?? 1, mirrored: m?.cut.mirrored ?? false, cloth: m?.cut.cloth ?? "self" };
    parts.push(this.section("The piece",
      r.band ? null : this.select("It is a", "kind", KINDS, r.kind || "", (v) => this.save((_, p) => { v ? (p.kind = v) : delete p.kind; delete p.roles; }, `what kind of piece ${chosen} is`)),
      h("div", { class: "row" },
        this.input("Cut", "count", cut.count, (v) => this.save((_, p) => { p.cut = { ...cut, count: Number(v) || 1 }; }, `how often ${chosen} is cut`), { inputmode: "numeric" }),
        this.input("of the cloth", "cloth", cut.cloth, (v) => this.save((_, p) => { p.cut = { ...cut, cloth: v || "self" }; }, `the cloth of ${chosen}`))),
      h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": "mirrored", checked: cut.mirrored, onchange: (e) => this.save((_, p) => { p.cut = { ...cut, mirrored: e.target.checked }; }, `${chosen} cut left and right`) }), h("span", {}, "every second one turned over (left and right)")),
      m?.fold ? h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": "whole", checked: r.draw === "whole", onchange: (e) => this.save((_, p) => { e.target.checked ? (p.draw = "whole") : delete p.draw; }, `${chosen} drawn ${e.target.checked ? "whole" : "as a half"}`) }), h("span", {}, "drawn whole, not as a half on the fold")) : null,
      m?.warnings.length ? advice(m.warnings, "Notes") : null));
    if (m) {
      parts.push(this.section("Edges", h("p", { class: "note" }, "In order, anticlockwise. Choose one here or on the drawing."), h("ul", { class: "plainlist edges" }, m.edges.map((e) => this.edgeRow(e)))));
      parts.push(this.notches(r, m));
      parts.push(this.variations(r, m));
      if (m.inside.length) parts.push(this.insideSeams(r, m));
    }
    return parts;
  }

  edgeRow(e) {
    const open = this.edge === e.number;
    const row = h("button", { type: "button", class: "edgerow", "aria-expanded": String(open), "data-keep": `row-${e.number}`, onclick: () => { this.edge = open ? null : e.number; this.draw(); } },
      h("span", { class: "edgenum" }, e.number), h("span", { class: "edgekind" }, inSeam(e.called)), h("span", { class: "edgelength" }, length(e.length_mm, units() === "in" ? 3 : 2)));
    if (!open) return h("li", { class: "edge" }, row);
    const key = String(e.number);
    const r = this.recipe;
    const after = (r.changes || []).length > 0;
    const [roles, names] = after ? ["roles_after", "names_after"] : ["roles", "names"];
    return h("li", { class: "edge open" }, row, h("div", { class: "edgebody" },
      this.select("It is the", `role-${key}`, ROLES, e.role, (v) => this.save((_, p) => { (p[roles] ??= {})[key] = v; if (v === "fold" && !after) { p.fold = e.number; delete p[roles][key]; } }, `edge ${key} of ${chosen} is the ${v.replaceAll("-", " ")}`)),
      this.input("A name of its own", `name-${key}`, e.name, (v) => this.save((_, p) => { p[names] ??= {}; v ? (p[names][key] = v) : delete p[names][key]; }, `the name of edge ${key} of ${chosen}`)),
      e.role === "fold" ? h("p", { class: "note" }, "No allowance on the fold.") :
        this.input("Allowance", `allowance-${key}`, tidy(e.allowance_mm), (v) => this.save((_, p) => { p.allowances ??= {}; v ? (p.allowances[key] = typedLength(v)) : delete p.allowances[key]; }, v ? `allowance of ${typedLength(v)} on edge ${key} of ${chosen}` : `the usual allowance on edge ${key} of ${chosen}`)),
      h("p", { class: "note" }, "Empty: as the set has it for this kind of edge.")));
  }

  notches(r, m) {
    const list = r.notches || [];
    const edges = m.edges.filter((e) => e.role !== "fold").map((e) => [String(e.number), `${e.number} ${e.called}`]);
    const edge = h("select", { "aria-label": "Edge of the notch", "data-keep": "n-edge" }, edges.map(([v, n]) => h("option", { value: v, selected: v === String(this.edge) }, n)));
    const at = h("input", { type: "text", value: "middle", "aria-label": "How far along: a length, middle or 25%", "data-keep": "n-at" });
    const kind = h("select", { "aria-label": "Kind of the notch", "data-keep": "n-kind" }, [["single", "single"], ["double", "double"]].map(([v, n]) => h("option", { value: v }, n)));
    const add = () => this.save((_, p) => {
      const place = /^middle$|%$/.test(at.value.trim()) ? at.value.trim() : typedLength(at.value);
      (p.notches ??= []).push({ edge: edge.value, at: place, kind: kind.value });
    }, `added a notch to ${chosen}`);
    return this.section("Notches",
      h("ul", { class: "plainlist rows" }, list.map((n, i) => h("li", {}, h("span", {}, `${capital(n.kind || "single")} on edge ${n.edge} at ${n.at}`), h("button", { type: "button", class: "button quiet", "aria-label": `Remove notch ${i + 1}`, onclick: () => this.save((_, p) => { p.notches.splice(i, 1); }, `took a notch off ${chosen}`) }, icon("bin"))))),
      h("div", { class: "row tight" }, edge, at, kind, h("button", { type: "button", class: "button", "data-keep": "n-add", onclick: add }, "Add")),
      h("p", { class: "note" }, "Notches that must meet on two pieces belong to their seam: see Fit."));
  }

  // Lines drawn inside the piece: printed dashed, and places at which it can be cut in two.
  insideSeams(r, m) {
    const list = m.inside.map((seam, k) => h("li", {}, h("div", {}, h("b", {}, `Inside seam ${k + 1}`),
      seam.sides ? h("button", { type: "button", class: "button", "data-keep": `part-${k}`, onclick: () => this.cutInTwo(r, seam, k) }, "Cut in two along it")
        : h("p", { class: "note" }, "It does not run from edge to edge, so the piece cannot be cut along it."))));
    return this.section("Inside seams", h("p", { class: "note" }, "Printed as dashed lines. Draw them on the Review step."), h("ul", { class: "plainlist rows" }, list));
  }

  // The piece keeps one side; the other becomes a piece of its own, sewn to it along the seam.
  cutInTwo(r, seam, k) {
    const names = new Set(this.set.pieces.map((p) => p.name.toLowerCase()));
    let count = 2;
    while (names.has(`${chosen} ${count}`.toLowerCase())) count++;
    const other = `${chosen} ${count}`;
    const edge = `inside seam ${k + 1} of ${r.of || chosen}`;
    const part = (side) => ({ part: { line: Array.from({ length: seam.marks[1] }, (_, i) => ({ mark: seam.marks[0] + i })), holding: String(seam.sides[side][0]), name: edge } });
    this.save((set, p) => {
      const second = { name: other, of: p.of || p.name, changes: [...structuredClone(p.changes || []), part(1)], ...(p.variation ? { variation: p.variation } : {}) };
      // What was said of an edge goes to the piece that the edge is on.
      for (const kind of ["roles_after", "names_after", "allowances", "corners"]) {
        for (const key of Object.keys(p[kind] || {})) {
          if (seam.sides[0].includes(Number(key))) continue;
          (second[kind] ??= {})[key] = p[kind][key];
          if (seam.sides[1].includes(Number(key))) delete p[kind][key];
        }
      }
      const theirs = (p.notches || []).filter((n) => seam.sides[1].includes(Number(n.edge)));
      if (theirs.length) {
        second.notches = theirs;
        p.notches = p.notches.filter((n) => !theirs.includes(n));
      }
      (p.changes ??= []).push(part(0));
      set.pieces.splice(set.pieces.indexOf(p) + 1, 0, second);
      if (set.pairs) set.pairs.push({ sew: [`${p.name}/${edge}`, `${other}/${edge}`] });
    }, `cut ${chosen} in two along inside seam ${k + 1}`);
  }

  variations(r, m) {
    const list = r.changes || [];
    const say_ = (c) => {
      const [word, what] = typeof c === "string" ? [c, {}] : Object.entries(c)[0];
      const said = Object.entries(what || {}).map(([k, v]) => `${k} ${typeof v === "object" ? JSON.stringify(v) : v}`).join(", ");
      return `${capital(word.replaceAll("-", " "))}${said ? `: ${said}` : ""}`;
    };
    const kinds = CHANGES;
    this.change = Math.min(this.change || 0, kinds.length - 1);
    const kind = h("select", { id: "c-kind", "data-keep": "c-kind", onchange: (e) => { this.change = Number(e.target.value); this.draw(); } }, kinds.map(([, name], i) => h("option", { value: i, selected: i === this.change }, name)));
    const [word, , fields] = kinds[this.change];
    const inputs = fields.map(([name, type]) => {
      const label = { edge: "edge", out: "by", in: "by", by: "by", inseam: "inseam", depth: "depth", stretched: "stretched", shape: "shape", length: "along the grain", width: "across it" }[name];
      const options = type === "edge" ? m.edges.map((e) => [String(e.number), `${e.number} ${e.called}`]) : Array.isArray(type) ? type.map((t) => [t, t]) : null;
      const input = options ? h("select", { "aria-label": label }, options.map(([v, n]) => h("option", { value: v }, n))) : h("input", { type: "text", "aria-label": label, placeholder: type === "percent" ? "2" : units() === "in" ? "1/2in" : "1cm" });
      return [name, type, label, input];
    });
    const add = () => this.save((_, p) => {
      const what = {};
      for (const [name, type, , input] of inputs) if (input.value.trim()) what[name] = type === "length" ? typedLength(input.value) : type === "percent" ? Number(input.value) : input.value;
      (p.changes ??= []).push({ [word]: what });
    }, `changed ${chosen}: ${word.replaceAll("-", " ")}`);
    const [name, belongs] = [["Name of the new piece", "v-name", `${chosen} short`], ["Variation it belongs to", "v-of", "short"]].map(([label, keep, example]) => {
      const id = `i-${keep}`;
      return [h("div", { class: "field" }, h("label", { for: id }, label), h("input", { id, type: "text", autocomplete: "off", "data-keep": keep, placeholder: example })), () => this.side.querySelector(`#${id}`).value.trim()];
    });
    const vary = () => {
      const [called, of] = [name[1](), belongs[1]()];
      if (!called) {
        say("Give the new piece a name first.", "trouble");
        return this.side.querySelector("#i-v-name").focus();
      }
      const from = chosen;
      this.save((set) => {
        set.pieces.push({ name: called, of: from, ...(r.kind ? { kind: r.kind } : {}), ...(of ? { variation: of } : {}) });
      }, `made ${called} from ${from}`).then(() => { if (this.set.pieces.some((p) => p.name === called)) { chosen = called; this.draw(); } });
    };
    return this.section("Changes to the shape",
      h("ol", { class: "plainlist rows" }, list.map((c, i) => h("li", {}, h("span", {}, say_(c)), h("button", { type: "button", class: "button quiet", "aria-label": `Remove change ${i + 1}`, onclick: () => this.save((_, p) => { p.changes.splice(i, 1); }, `took a change off ${chosen}`) }, icon("bin"))))),
      r.band ? null : h("div", { class: "changeform" }, h("label", { for: "c-kind" }, "Change"), kind, inputs.map(([, , label, input]) => h("div", { class: "row" }, h("span", { class: "lab", "aria-hidden": "true" }, label), input)), h("button", { type: "button", class: "button", "data-keep": "c-add", onclick: add }, "Make this change")),
      r.band ? null : h("details", { class: "more" }, h("summary", { "data-keep": "vary" }, "Make a variation of it"),
        h("p", { class: "note" }, "A piece of its own, made from this one, to be changed apart: another neckline, a shorter leg."),
        name[0], belongs[0], h("div", { class: "buttons" }, h("button", { type: "button", class: "button", "data-keep": "v-make", onclick: vary }, "Make it"))));
  }

  whole() {
    const s = this.set;
    const roles = [["seam", "every other seam"], ...ROLES.filter(([r]) => !["fold", "plain"].includes(r))];
    const shown = roles.filter(([r]) => r === "seam" || r in (s.allowances || {}) || this.told.pieces.some((p) => p.edges.some((e) => e.role === r)));
    const width = (a) => (a === undefined ? "" : typeof a === "object" ? `casing for ${a.elastic}` : typeof a === "number" ? pretty(`${a}mm`) : pretty(a));
    const pieces = this.told.pieces.filter((p) => p.edges.length);
    const places = pieces.flatMap((p) => p.edges.filter((e) => e.role !== "fold").map((e) => [JSON.stringify({ piece: p.name, edge: String(e.number) }), `${p.name}, ${e.called}`]));
    const bandOf = h("select", { multiple: true, size: 4, "aria-label": "Edges that the band is sewn to", id: "b-of" }, places.map(([v, n]) => h("option", { value: v }, n)));
    const [bandName, height, ratio] = [["Name", "waistband"], ["Finished height", units() === "in" ? "1in" : "3cm"], ["Length, as a share of the edges", "1"]].map(([label, value], i) => h("input", { type: "text", autocomplete: "off", value, id: `b-${i}`, "aria-label": label }));
    const band = () => this.save((set) => {
      const of = [...bandOf.selectedOptions].map((o) => JSON.parse(o.value));
      set.pieces.push({ name: bandName.value, band: { of, height: typedLength(height.value), doubled: "height", ratio: Number(ratio.value.replace(",", ".")) || 1 } });
    }, `added ${bandName.value}`);
    return [
      this.section("The set",
        this.input("Name", "set-name", s.name, (v) => this.save((set) => { set.name = v || set.name; }, "the set's name")),
        this.input("Size, or the person it is for", "set-size", s.size, (v) => this.save((set) => { v ? (set.size = v) : delete set.size; }, "the size"))),
      this.section("Allowances", h("p", { class: "note" }, "For every piece; an edge can have its own."),
        shown.map(([r, name]) => this.input(capital(name), `all-${r}`, width(s.allowances?.[r]), (v) => this.save((set) => { set.allowances ??= {}; v ? (set.allowances[r] = typedLength(v)) : delete set.allowances[r]; }, `the allowance of ${name}`), { placeholder: "as usual" }))),
      this.section("Add a band", h("p", { class: "note" }, "A waistband, neckband or cuff: a rectangle as long as the edges it is sewn to, doubled along its height."),
        h("label", { for: "b-of", class: "labelled" }, "Sewn to"), bandOf,
        [bandName, height, ratio].map((input) => h("div", { class: "field" }, h("label", { for: input.id }, input.getAttribute("aria-label")), input)), h("div", { class: "buttons" }, h("button", { type: "button", class: "button", "data-keep": "band", onclick: band }, "Add the band"))),
    ];
  }

  fit() {
    const t = this.told;
    const places = t.pieces.flatMap((p) => p.edges.filter((e) => e.role !== "fold").map((e) => `${p.name}/${e.called.startsWith("edge ") ? e.number : e.called}`));
    const side = (keep, example) => h("input", { type: "text", list: "places", autocomplete: "off", id: `i-${keep}`, "data-keep": keep, placeholder: example });
    const [a, b] = [side("sew-a", "front/side-seam"), side("sew-b", "back/side-seam")];
    const now = () => (this.set.pairs ? structuredClone(this.set.pairs) : t.seams.map((s) => ({ sew: s.seam.split(" to ") })));
    const add = () => this.save((set) => { set.pairs = [...now(), { sew: [a.value.trim(), b.value.trim()] }]; }, `${a.value.trim()} is sewn to ${b.value.trim()}`);
    const bad = (s) => !s.fits || s.corners.some((c) => !c.smooth);
    const measures = [...new Set([...t.measures.map((m) => m.name), ...places])];
    const measure = h("input", { type: "text", list: "measures", "aria-label": "What was measured", placeholder: measures[0] || "chest" });
    const by = h("input", { type: "text", "aria-label": "By the tape", placeholder: units() === "in" ? "20in" : "50cm" });
    return [
      h("datalist", { id: "places" }, places.map((p) => h("option", { value: p }))), h("datalist", { id: "measures" }, measures.map((p) => h("option", { value: p }))),
      this.section("Sewn together", t.seams.length ? null : h("p", { class: "note" }, "No edges are known to be sewn together. Say what the edges are, or add a seam."),
        this.set.pairs || !t.seams.length ? null : h("p", { class: "note" }, "Found from what the edges are."),
        h("ul", { class: "plainlist rows" }, t.seams.map((s, i) => h("li", { class: bad(s) ? "bad" : "" }, h("div", {},
          h("b", {}, icon(bad(s) ? "look" : "check"), h("span", {}, capital(inSeam(s.seam)))),
          h("p", { class: "note" }, `${length(s.lengths_mm[0], 2)} and ${length(s.lengths_mm[1], 2)}${s.fits ? ": they fit." : "."}`),
          s.remedy ? h("p", {}, capital(inSeam(inHere(s.remedy))) + ".") : null,
          s.corners.filter((c) => !c.smooth).map((c) => h("p", {}, `Where they meet, the ${c.run} makes ${c.angle_deg.toFixed(0)}° instead of 180°.`)),
          bad(s) ? h("button", { type: "button", class: "button", "data-keep": `show-${i}`, onclick: () => this.showSeam(s) }, "Show it") : null),
          h("button", { type: "button", class: "button quiet", "aria-label": `Remove the seam ${inSeam(s.seam)}`, onclick: () => this.save((set) => { set.pairs = now().filter((_, k) => k !== i); }, `took off the seam ${inSeam(s.seam)}`) }, icon("bin"))))),
        h("div", { class: "addseam" }, h("div", { class: "field" }, h("label", { for: a.id }, "This edge"), a), h("div", { class: "field" }, h("label", { for: b.id }, "is sewn to"), b), h("button", { type: "button", class: "button", "data-keep": "pair", onclick: add }, "Add the seam"))),
      t.seams.length ? this.truing() : null,
      this.section("Tape check", h("p", { class: "note" }, "Measure something on the garment with a tape: it proves the scale."),
        h("ul", { class: "plainlist rows" }, t.tape.map((c, i) => h("li", { class: c.agrees ? "" : "bad" }, h("div", {}, h("b", {}, icon(c.agrees ? "check" : "look"), c.measure), h("p", { class: "note" }, `${length(c.tape_mm)} by the tape, ${length(c.pattern_mm)} on the pattern: ${c.agrees ? "they agree." : "more apart than both can be off."}`)),
          h("button", { type: "button", class: "button quiet", "aria-label": `Remove the tape check ${c.measure}`, onclick: () => this.save((set) => { set.tape.splice(i, 1); }, `took off the tape check of ${c.measure}`) }, icon("bin"))))),
        h("div", { class: "row tight" }, measure, by, h("button", { type: "button", class: "button", "data-keep": "tape", onclick: () => this.save((set) => { (set.tape ??= []).push({ measure: measure.value.trim(), length: typedLength(by.value) }); }, `${measure.value.trim()} measures ${typedLength(by.value)} by the tape`) }, "Add"))),
      t.measures.length ? this.section("Finished measurements", h("ul", { class: "plainlist rows" }, t.measures.map((m) => h("li", {}, h("span", {}, `${capital(m.name)}${m.variation ? ` (${m.variation})` : ""}`), h("span", { class: "edgelength" }, length(m.length_mm)))))) : null,
      advice(t.warnings, "Notes"),
    ];
  }

  // Small differences shared out; what was moved is told and drawn.
  truing() {
    const { moved } = this.told, { trued } = this.set;
    const change = (to) => this.save((set) => { to ? (set.trued = true) : delete set.trued; }, to ? "trued the pairs" : "left the pairs as they were traced");
    const walk = () => { this.walking = !this.walking; this.draw(); if (this.walking) this.stage.scrollIntoView({ block: "nearest" }); };
    return this.section("True the pairs",
      trued
        ? [h("p", { class: "verdict" }, icon("check"), moved.length ? "The pairs are trued." : "The pairs are trued: nothing had to be moved."),
          moved.length ? h("details", { class: "advice", open: moved.length <= 6 }, h("summary", { "data-keep": "moved" }, `What was moved (${moved.length})`), h("ul", { class: "plainlist rows moved" }, moved.map((m) => h("li", {}, inMoved(m))))) : null,
          moved.length ? h("p", { class: "note" }, "On the drawing, the stitching line as it was before is dotted.") : null]
        : h("p", { class: "note" }, "Small differences (up to 6 mm) are shared out, half on each piece, and what runs on across a seam, such as a hem, is bent so that it runs on smoothly. It can be taken back."),
      h("div", { class: "buttons" }, h("button", { type: "button", class: trued ? "button" : "button main", "data-keep": "true", onclick: () => change(!trued) }, trued ? "Leave them as traced" : "True the pairs"),
        h("button", { type: "button", class: "button", "data-keep": "walk", "aria-pressed": String(!!this.walking), onclick: walk }, this.walking ? "Show the piece again" : "Walk the seams")),
      h("p", { class: "note" }, "Walking the seams lays the pieces along each other, as one does on the table: at the start, the middle and the end of every seam."));
  }

  // Goes to the piece and edge that a seam begins with.
  showSeam(s) {
    const first = s.seam.split(" to ")[0].split(" + ")[0].replace(/^\d+ x /, "");
    const [name, word] = [first.slice(0, first.lastIndexOf("/")), first.slice(first.lastIndexOf("/") + 1)];
    chosen = name;
    const edge = this.made?.edges.find((e) => e.called === word || String(e.number) === word || e.role === word);
    this.edge = edge ? edge.number : null;
    this.draw();
    say(edge ? `${name}: edge ${edge.number}, ${edge.called}` : name);
  }
}

// What truing moved, in the unit at work.
const inMoved = (text) => capital(inSeam(text).replace(/([\d.]+) mm/g, (_, mm) => (units() === "in" ? `${(mm / 25.4).toFixed(3)} in` : `${mm} mm`))) + ".";

const tidy = (mm) => (units() === "in" ? `${+(mm / 25.4).toFixed(3)}in` : `${+(mm / 10).toFixed(2)}cm`);

// A finished piece on paper.
function picture(m, chosenEdge, choose) {
  const el = (tag, props, text) => {
    const e = document.createElementNS(SVG, tag);
    for (const [k, v] of Object.entries(props)) e.setAttribute(k, v);
    if (text !== undefined) e.textContent = text;
    return e;
  };
  const all = m.cut_line;
  const xs = all.map((p) => p[0]), ys = all.map((p) => p[1]);
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const rim = 0.06 * Math.max(x1 - x0, y1 - y0);
  const unit = Math.max(x1 - x0, y1 - y0) / 100;
  const d = (points, closed) => "M" + points.map((p) => `${p[0].toFixed(2)} ${(-p[1]).toFixed(2)}`).join("L") + (closed ? "Z" : "");
  const svg = el("svg", { viewBox: `${x0 - rim} ${-y1 - rim} ${x1 - x0 + 2 * rim} ${y1 - y0 + 2 * rim}`, class: "paper", role: "img", "aria-label": `${m.name}: cut line, stitching line, ${many(m.edges.length, "edge")}, ${many(m.notches.length, "notch", "notches")}` });
  const line = (points, cls, closed) => svg.append(el("path", { d: d(points, closed), class: cls, "vector-effect": "non-scaling-stroke" }));
  line(m.cut_line, "cut", true);
  line(m.stitching_line, "stitch", true);
  if (m.fold) line(m.fold, "foldline", false);
  m.notches.forEach((s) => line(s, "notch", false));
  line(m.grainline, "grain", false);
  m.lines.forEach((l) => line(l, "inside", false));
  if (m.untrued) line(m.untrued, "untrued", true);
  for (const e of m.edges) {
    const on = e.number === chosenEdge;
    if (on) line(e.path, "chosen", false);
    const hit = el("path", { d: d(e.path, false), class: "hit", "vector-effect": "non-scaling-stroke" });
    hit.addEventListener("click", () => choose(e.number));
    svg.append(hit);
    const at = [e.middle[0] + e.inward[0] * 4.2 * unit, -(e.middle[1] + e.inward[1] * 4.2 * unit)];
    svg.append(el("circle", { cx: at[0], cy: at[1], r: 1.9 * unit, class: on ? "num on" : "num" }), el("text", { x: at[0], y: at[1] + 0.75 * unit, "font-size": 2.1 * unit, class: on ? "numtext on" : "numtext" }, e.number));
  }
  m.label.forEach((text, i) => svg.append(el("text", { x: m.label_at[0], y: -m.label_at[1] + (i - (m.label.length - 1) / 2) * m.label_line_mm, "font-size": 0.72 * m.label_line_mm, class: "words" }, text)));
  return svg;
}
