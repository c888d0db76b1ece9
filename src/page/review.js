// Review and correct: the board with its tools, what is worth a look, edges, changes, the size as it was understood.

import { ask } from "./ask.js";
import { Board, DOUBT, far, nearest } from "./board.js";
import { desk, go, hurry, onDesk } from "./main.js";
import { Draw, Look, Move, Paint, Split } from "./tools.js";
import { advice, capital, doubt, h, icon, length, many, say, trouble, typedLength, units } from "./words.js";

export async function showReview(work, wanted) {
  const traced = desk.pieces.filter((p) => p.traced);
  const piece = traced.find((p) => p.name === wanted) || traced[0];
  work.className = "review";
  if (!piece) {
    work.replaceChildren(h("p", { class: "plain" }, "There is no outline yet. ", h("a", { href: "#photos" }, "Bring in a photo first.")));
    return null;
  }
  const review = new Review(work, piece.name, traced);
  await review.open();
  return () => review.close();
}

class Review {
  constructor(work, piece, all) {
    this.piece = piece;
    this.canvas = h("canvas", { class: "board", tabindex: "0", role: "application", "aria-label": `The flat photo of ${piece} with its outline. Arrows move, plus and minus enlarge, 0 shows all.`, "aria-describedby": "hint" });
    this.hint = h("p", { class: "hint", id: "hint" });
    this.bar = h("div", { class: "tools", role: "toolbar", "aria-label": "Tools", "aria-orientation": "vertical" });
    this.options = h("div", { class: "options" });
    this.panel = h("div", { class: "panel" });
    this.busy = h("div", { class: "busy", role: "status" });
    const choose = all.length > 1
      ? h("label", { class: "choose" }, h("span", { class: "hidden" }, "Piece"), h("select", { onchange: (e) => go("review", e.target.value) }, all.map((p) => h("option", { value: p.name, selected: p.name === piece }, p.name))))
      : h("span", { class: "choose" }, piece);
    this.head = h("div", { class: "panelhead" }, h("h1", {}, choose));
    work.replaceChildren(
      h("section", { class: "stage", "aria-label": "Photo and outline" }, this.canvas, this.bar, this.options, this.zoomBar(), this.busy, this.hint),
      h("aside", { class: "side", "aria-label": "About this piece" }, this.head, this.panel));
    this.board = new Board(this.canvas);
    this.board.inches = () => units() === "in";
    globalThis.board = this.board; // measured by the tests
    this.tools = {
      look: new Look(this), move: new Move(this), draw: new Draw(this, "stretch"), split: new Split(this), seam: new Draw(this, "seam"), paint: new Paint(this),
    };
    this.at = -1;
    this.keys = (e) => this.key(e);
    addEventListener("keydown", this.keys);
    this.off = onDesk((before) => this.desked(before));
  }

  async open() {
    this.busy.textContent = "Opening the outline \u2026";
    this.busy.classList.add("on");
    this.take(await ask({ ask: "piece", piece: this.piece }));
    this.board.resize();
    this.board.fit();
    this.use("look");
    await this.picture();
  }

  async picture() {
    const b = this.view.backdrop;
    if (!b || b.version === this.shown) return;
    this.shown = b.version;
    await this.board.load(`/picture?piece=${encodeURIComponent(this.piece)}&v=${b.version}`, b);
  }

  close() {
    removeEventListener("keydown", this.keys);
    this.off();
    this.board.close();
  }

  take(told) {
    told.backdrop ??= this.view?.backdrop;
    this.view = told;
    this.board.view = told;
    this.board.spotlight = null;
    this.board.preview = null;
    this.board.draw();
    this.drawPanel();
    this.drawBusy();
  }

  // A change goes to the engine; what comes back is what holds.
  async change(step) {
    try {
      this.take(await ask({ ask: "change", piece: this.piece, step }));
      say(`${capital(this.view.undo)}. ${this.view.stale ? "Tracing again." : "Saved."}`);
      if (this.view.stale) hurry();
    } catch (error) {
      this.board.preview = null;
      this.board.draw();
      trouble(error);
    }
  }

  async step(which) {
    const was = which === "undo" ? this.view.undo : this.view.redo;
    if (!was) return;
    try {
      this.take(await ask({ ask: which, piece: this.piece }));
      say(which === "undo" ? `Taken back: ${was}.` : `Made again: ${was}.`);
      if (this.view.stale) hurry();
    } catch (error) {
      trouble(error);
    }
  }

  async desked(before) {
    this.drawBusy();
    if (before && desk.tracing.done > before.done) {
      const mine = desk.pieces.find((p) => p.name === this.piece);
      if (!mine || (mine.picture === this.shown && !this.view.stale)) return;
      try {
        this.take(await ask({ ask: "piece", piece: this.piece }));
        await this.picture();
        say(mine.refused ? capital(mine.refused.seen) + ". " + capital(mine.refused.advice) + "." : "Traced again.", mine.refused ? "trouble" : "note");
      } catch (error) {
        trouble(error);
      }
    }
  }

  drawBusy() {
    const t = desk.tracing;
    const on = t?.piece === this.piece;
    this.busy.textContent = on ? capital(t.stages[t.stages.length - 1] || "reading the photo") + " …" : "";
    this.busy.classList.toggle("on", on);
  }

  key(e) {
    const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName);
    if ((e.ctrlKey || e.metaKey) && !typing) {
      const k = e.key.toLowerCase();
      if (k === "z" && !e.shiftKey) this.step("undo");
      else if (k === "y" || (k === "z" && e.shiftKey)) this.step("redo");
      else return;
      e.preventDefault();
    }
  }

  zoomBar() {
    const button = (name, words, act) => h("button", { type: "button", "aria-label": words, title: words, onclick: act }, icon(name));
    return h("div", { class: "zoom", role: "group", "aria-label": "Size of the picture" },
      button("plus", "Larger", () => this.board.zoom(1.4)), button("minus", "Smaller", () => this.board.zoom(1 / 1.4)), button("fit", "Show all", () => this.board.fit()));
  }

  use(name) {
    this.tools[this.using]?.cancel?.();
    this.using = name;
    this.board.tool = this.tools[name];
    this.board.held = false;
    this.canvas.dataset.tool = name;
    const kinds = [["look", "Look"], ["move", "Move points"], ["draw", "Redraw a stretch"], ["split", "Split an edge"], ["seam", "Draw an inside seam"], ["paint", "Paint cloth or mat"]];
    const focus = this.bar.contains(document.activeElement);
    this.bar.replaceChildren(...kinds.map(([id, words]) =>
      h("button", { type: "button", "aria-pressed": String(id === name), "aria-label": words, title: words, tabindex: id === name ? "0" : "-1", onclick: () => this.use(id),
        onkeydown: (e) => {
          const by = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }[e.key];
          if (!by) return;
          e.preventDefault();
          const all = kinds.map((k) => k[0]);
          this.use(all[(all.indexOf(id) + by + all.length) % all.length]);
        } }, icon(id), h("span", { class: "toolname" }, words.split(" ")[0]))),
      h("span", { class: "bar" }),
      this.undoButton("undo"), this.undoButton("redo"));
    if (focus) this.bar.querySelector("[aria-pressed=true]").focus();
    this.drawOptions();
    this.board.draw();
  }

  undoButton(which) {
    const what = this.view[which];
    const words = which === "undo" ? "Take back" : "Make again";
    return h("button", { type: "button", class: which, "aria-label": what ? `${words}: ${what}` : words, title: what ? `${words}: ${what}` : words, "aria-disabled": what ? null : "true", onclick: () => this.step(which) },
      icon(which), h("span", { class: "toolname" }, which === "undo" ? "Back" : "Again"));
  }

  drawOptions() {
    const tool = this.board.tool;
    const pick = (words, options, now, set) => h("div", { class: "pick", role: "group", "aria-label": words }, options.map(([id, name]) =>
      h("button", { type: "button", "aria-pressed": String(id === now), onclick: () => { set(id); this.drawOptions(); this.board.draw(); } }, name)));
    const parts = [];
    if (tool instanceof Draw) {
      parts.push(pick("The path follows", [["edge", "the cloth's edge"], ["seam", "a seam"], ["hand", "my hand"]], tool.follow, (id) => { tool.follow = id; }));
      parts.push(h("button", { type: "button", class: "button main", onclick: () => tool.finish() }, "Finish"), h("button", { type: "button", class: "button", onclick: () => tool.cancel() }, "Start over"));
    }
    if (tool instanceof Paint) {
      parts.push(pick("This is", [[true, "cloth"], [false, "mat"]], tool.cloth, (id) => { tool.cloth = id; }));
      parts.push(h("label", { class: "slide" }, "Brush ", h("input", { type: "range", min: 4, max: 80, value: tool.width, oninput: (e) => { tool.width = Number(e.target.value); this.board.draw(); } })));
    }
    if (tool instanceof Move) parts.push(h("button", { type: "button", class: "button", onclick: () => tool.remove() }, "Remove the chosen point"));
    this.options.replaceChildren(...parts);
    this.options.hidden = !parts.length;
    this.hint.replaceChildren(tool.hint, tool.keys ? h("span", { class: "keys" }, ` ${tool.keys}`) : "");
  }

  drawPanel() {
    const v = this.view;
    const focus = this.panel.contains(document.activeElement) ? document.activeElement.dataset.keep : null;
    this.panel.replaceChildren(...[this.doubtful(), this.size(), this.edges(), this.changes(), this.advised(), this.legend()].filter(Boolean));
    for (const which of ["undo", "redo"]) this.bar.querySelector("." + which)?.replaceWith(this.undoButton(which));
    if (focus) this.panel.querySelector(`[data-keep="${CSS.escape(focus)}"]`)?.focus();
    this.head.dataset.area = v.area_cm2;
  }

  section(title, ...parts) {
    return h("section", { class: "part" }, h("h2", {}, title), parts);
  }

  // The doubtful stretches, offered one after another.
  doubtful() {
    const list = this.view.doubtful;
    if (!list.length) return this.section("Worth a look", h("p", { class: "verdict" }, icon("check"), "The whole edge was seen well."));
    this.at = Math.min(this.at, list.length - 1);
    const d = list[this.at];
    const show = (by) => {
      this.at = this.at < 0 ? 0 : (this.at + by + list.length) % list.length;
      const part = list[this.at];
      const n = this.view.outline.length;
      const points = Array.from({ length: part.count }, (_, k) => this.view.outline[(part.from + k) % n]);
      this.board.spotlight = part;
      this.board.frame(points, Math.min(this.board.width, this.board.height) / 4);
      this.drawPanel();
      say(this.doubtWords(part));
    };
    return this.section("Worth a look",
      h("p", {}, d ? h("b", {}, `${this.at + 1} of ${list.length}: `) : `${many(list.length, "stretch", "stretches")} of the edge ${list.length === 1 ? "is" : "are"} doubtful. `, d ? this.doubtWords(d) : ""),
      h("div", { class: "buttons" },
        d ? h("button", { type: "button", class: "button", "data-keep": "last", onclick: () => show(-1) }, icon("back"), "Previous") : null,
        h("button", { type: "button", class: "button main", "data-keep": "next", onclick: () => show(d ? 1 : 0) }, d ? "Next" : "Show the first", icon("next"))),
      d ? h("p", { class: "note" }, "If it is wrong, move its points, redraw it, or paint what is cloth and what is mat.") : null);
  }

  doubtWords(d) {
    return `${length(d.length_mm)} of edge ${d.seen ? "seen weakly" : "not seen and bridged"}, give or take ${doubt(d.worst_mm)}.`;
  }

  size() {
    const b = this.view.backdrop;
    if (!b) return null;
    return this.section("The size, as it was understood",
      b.size_words.map((w) => h("p", {}, w)),
      h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": "grid", checked: this.board.showGrid, onchange: (e) => { this.board.showGrid = e.target.checked; this.board.draw(); } }),
        h("span", {}, b.grid_mm ? "Show the grid on the photo" : "Show what was measured")),
      this.view.traced ? h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": "ghost", checked: this.board.showGhost, onchange: (e) => { this.board.showGhost = e.target.checked; this.board.draw(); } }), h("span", {}, "Show what was traced, under what was changed")) : null);
  }

  choose(number) {
    this.chosen = this.chosen === number ? null : number;
    this.board.bright = this.chosen;
    this.board.draw();
    this.drawPanel();
    if (this.chosen) this.panel.querySelector(".edge.open")?.scrollIntoView({ block: "nearest" });
  }

  edges() {
    const v = this.view;
    const fold = v.fold;
    return this.section("Edges",
      fold ? h("p", { class: "note" }, fold.guessed ? `The fold is a guess: edge ${fold.edge}. Choose the right edge and mark it.` : `Edge ${fold.edge} is on the fold.`) : h("p", { class: "note" }, "No edge is on a fold."),
      h("ul", { class: "plainlist edges" }, v.edges.map((e) => this.edge(e))));
  }

  edge(e) {
    const open = this.chosen === e.number;
    const v = this.view;
    const next = v.edges[e.number % v.edges.length];
    const from = e.path[0], to = e.path[e.path.length - 1];
    const on = e.path[Math.floor(e.path.length / 2)];
    const middle = e.path.length > 2 ? on : [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
    const row = h("button", { type: "button", class: "edgerow", "aria-expanded": String(open), "data-keep": `edge${e.number}`, onclick: () => this.choose(e.number) },
      h("span", { class: "edgenum" }, e.number), h("span", { class: "edgekind" }, e.fold ? "fold" : e.kind === "line" ? "straight" : "curved"),
      h("span", { class: "edgelength" }, length(e.length_mm, units() === "in" ? 3 : 2)));
    if (!open) return h("li", { class: "edge" }, row);
    const input = h("input", { id: "exact", type: "text", autocomplete: "off", value: length(e.length_mm, units() === "in" ? 3 : 2).replace(" ", ""), "data-keep": "exact" });
    const set = (ev) => {
      ev.preventDefault();
      const n = v.edges.length;
      const last = v.edges[(e.number + n - 2) % n];
      // The end on the fold stays where it is.
      const keeps_end = next.fold;
      const fades = keeps_end ? last.path[0] : next.path[next.path.length - 1];
      this.change({ step: "length", at: middle, from, until: to, keeps_end, fades, length: typedLength(input.value) });
    };
    return h("li", { class: "edge open" }, row, h("div", { class: "edgebody" },
      h("form", { class: "row", onsubmit: set }, h("div", { class: "field" }, h("label", { for: "exact" }, "Exact length"), input), h("button", { class: "button", type: "submit" }, "Set")),
      h("p", { class: "note" }, `Within ${doubt(e.doubt_mm)} as traced.`),
      h("div", { class: "buttons" },
        e.fold ? h("button", { type: "button", class: "button", "data-keep": "nofold", onclick: () => this.change({ step: "fold", at: null }) }, "Not on a fold")
          : h("button", { type: "button", class: "button", "data-keep": "fold", onclick: () => this.change({ step: "fold", at: middle }) }, "This is the fold"),
        e.kind === "line" ? null : h("button", { type: "button", class: "button", "data-keep": "straight", onclick: () => this.change({ step: "redraw", path: [from, to], by: "straight" }) }, "Make it straight"),
        v.edges.length > 1 ? h("button", { type: "button", class: "button", "data-keep": "join", onclick: () => this.change({ step: "corner", at: to, corner: false }) }, `Join with edge ${next.number}`) : null,
        h("button", { type: "button", class: "button", "data-keep": "split", onclick: () => this.change({ step: "corner", at: v.outline[nearest(v.outline, e.middle)], corner: true }) }, "Split in the middle"))));
  }

  changes() {
    const v = this.view;
    const list = v.history.map((words, i) => h("li", {}, `${i + 1}. ${capital(words)}`));
    return this.section("Changes",
      list.length ? h("ol", { class: "plainlist history" }, list.slice(-12).reverse()) : h("p", { class: "note" }, "None yet. What was traced is kept as it is; every change can be taken back."),
      v.seams.length ? h("div", { class: "buttons" }, v.seams.map((s, i) => h("button", { type: "button", class: "button", "data-keep": `seam${i}`, onclick: () => this.change({ step: "remove-seam", at: s[Math.floor(s.length / 2)] }) }, `Remove inside seam ${i + 1}`))) : null);
  }

  advised() {
    return advice(this.view.warnings, "Notes");
  }

  legend() {
    const sample = (d) => {
      const dash = d.dash.length ? ` stroke-dasharray="${d.dash.join(" ")}"` : "";
      const span = h("span", { class: "sample", "aria-hidden": "true" });
      span.innerHTML = `<svg viewBox="0 0 60 12" width="60" height="12"><path d="M2 6h56" stroke="#191423" stroke-width="${d.width + 2.6}"${dash}/><path d="M2 6h56" stroke="${d.colour}" stroke-width="${d.width}"${dash}/></svg>`;
      return span;
    };
    const lines = [...DOUBT, { colour: "#a5f596", dash: [14, 4, 3, 4], width: 2.4, words: "fold" }, { colour: "#ffffff", dash: [], width: 1.2, words: "cut line" }];
    return h("details", { class: "advice legend", open: true }, h("summary", {}, "What the lines mean"), h("ul", { class: "plainlist" }, lines.map((d) => h("li", {}, sample(d), d.words))));
  }
}
