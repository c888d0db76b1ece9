// What the pointer (or the cross of the keyboard) does on the board. A tool has press, drag, release, hover, cancel, key,
// draw; `points` says that it works at places, `holds` that it goes on between press and release.

import { ask } from "./ask.js";
import { far, nearest } from "./board.js";
import { say, trouble } from "./words.js";

const REACH = 16; // px within which a point is taken hold of

export class Look {
  hint = "Drag to move the photo, wheel or pinch to enlarge. Tap an edge's line to choose it.";
  constructor(on) {
    this.on = on;
  }
  press() {
    return "pan";
  }
  tap(p) {
    const { board } = this.on;
    const v = board.view;
    let best = null, least = 18 / board.scale;
    for (const edge of v.edges) {
      const d = Math.min(far(edge.middle, p) - 10 / board.scale, far(edge.path[nearest(edge.path, p)], p));
      if (d < least) [least, best] = [d, edge];
    }
    this.on.choose(best ? best.number : null);
  }
}

// Moving, adding and removing points and corners.
export class Move {
  points = true;
  holds = true;
  hint = "Drag a point; tap the outline between points to add one; Delete removes the chosen one. Diamonds are corners.";
  keys = "N and B: next and last point. Enter takes hold of it, arrows move it, Enter lets go. A adds a point at the cross.";
  constructor(on) {
    this.on = on;
  }
  near(p) {
    const { board } = this.on;
    const list = board.view.handles;
    let best = -1, least = REACH / board.scale;
    list.forEach((h, i) => {
      const d = far(h.at, p);
      if (d < least) [least, best] = [d, i];
    });
    return best;
  }
  hover(p) {
    const near = this.near(p);
    if (near !== this.hovered) {
      this.hovered = near;
      this.on.board.canvas.style.cursor = near >= 0 ? "grab" : "";
      this.on.board.draw();
    }
  }
  press(p, e) {
    const near = this.near(p);
    if (near < 0) {
      this.chosen = null;
      const { board } = this.on;
      const on = board.view.outline[nearest(board.view.outline, p)];
      if (far(on, p) * board.scale < 10) {
        this.adding = on;
        return "tool";
      }
      return "pan";
    }
    this.take(near, p);
    return "tool";
  }
  take(index, p) {
    const { board } = this.on;
    const list = board.view.handles;
    const n = list.length;
    this.chosen = index;
    const handle = list[index];
    this.held = { handle, by: [p[0] - handle.at[0], p[1] - handle.at[1]], from: list[(index + n - 1) % n].at, until: list[(index + 1) % n].at, to: handle.at };
    this.show(handle.at);
  }
  show(to) {
    const { board } = this.on;
    this.held.to = to;
    board.preview = bent(board.view.outline, this.held);
    board.loupe = to;
    board.draw();
  }
  drag(p) {
    if (!this.held) return;
    this.adding = null;
    this.show([p[0] - this.held.by[0], p[1] - this.held.by[1]]);
  }
  release(p) {
    const { board } = this.on;
    board.loupe = null;
    if (this.adding) {
      const at = this.adding;
      this.adding = null;
      return this.on.change({ step: "add-point", at });
    }
    const held = this.held;
    this.held = null;
    if (!held || far(held.to, held.handle.at) * board.scale < 1.5) {
      board.preview = null;
      return board.draw();
    }
    this.on.change({ step: "move", at: held.handle.at, to: held.to, from: held.from, until: held.until, corner: held.handle.corner });
  }
  cancel() {
    this.held = this.adding = null;
    const { board } = this.on;
    board.preview = board.loupe = null;
    board.draw();
  }
  remove() {
    const { board } = this.on;
    const list = board.view.handles;
    const handle = list[this.chosen];
    if (!handle) return say("Choose a point first.");
    const n = list.length;
    if (handle.corner) this.on.change({ step: "corner", at: handle.at, corner: false });
    else this.on.change({ step: "remove-point", at: handle.at, from: list[(this.chosen + n - 1) % n].at, until: list[(this.chosen + 1) % n].at });
    this.chosen = null;
  }
  key(e) {
    const { board } = this.on;
    const n = board.view.handles.length;
    if (e.key === "Delete" || e.key === "Backspace") this.remove();
    else if ((e.key === "n" || e.key === "b") && !this.held) {
      this.chosen = ((this.chosen ?? (e.key === "n" ? -1 : 0)) + (e.key === "n" ? 1 : n - 1) + n) % n;
      const h = board.view.handles[this.chosen];
      board.cross = [...h.at];
      board.step(0, 0, 0);
      say(`${h.corner ? "Corner" : "Point"} ${this.chosen + 1} of ${n}`);
    } else if (e.key === "a") {
      const at = board.cross || board.place([board.width / 2, board.height / 2]);
      this.on.change({ step: "add-point", at: board.view.outline[nearest(board.view.outline, at)] });
    } else return false;
    return true;
  }
  draw(c, board) {
    board.view.handles.forEach((h, i) => {
      if (this.held && i === this.chosen) board.handle(c, { ...h, at: this.held.to }, "held");
      else board.handle(c, h, i === this.chosen ? "held" : i === this.hovered ? "near" : null);
    });
  }
}

// How the outline follows a moved point: as the engine does it, for the eye while dragging.
function bent(ring, { handle, from, until, to }) {
  const n = ring.length;
  const at = nearest(ring, handle.at);
  let a = nearest(ring, from), z = nearest(ring, until);
  if (a === z) a = z = (at + Math.floor(n / 2)) % n;
  const by = [to[0] - handle.at[0], to[1] - handle.at[1]];
  const out = ring.slice();
  const side = (end, sense) => {
    const index = (k) => (at + sense * k + n * 2) % n;
    const count = ((sense > 0 ? end - at : at - end) + n) % n;
    const along = [0];
    for (let k = 1; k <= count; k++) along.push(along[k - 1] + far(ring[index(k - 1)], ring[index(k)]));
    const total = along[count] || 1;
    for (let k = sense > 0 ? 1 : 0; k <= count; k++) {
      const s = 1 - along[k] / total;
      const w = handle.corner ? s : s * s * (3 - 2 * s);
      const p = ring[index(k)];
      out[index(k)] = [p[0] + by[0] * w, p[1] + by[1] * w];
    }
  };
  side(a, -1);
  side(z, 1);
  return out;
}

// Drawing a path: a stretch of the outline anew, or a seam inside.
export class Draw {
  points = true;
  constructor(on, what) {
    this.on = on;
    this.what = what;
    this.places = [];
    this.path = [];
    this.follow = what === "seam" ? "seam" : "edge";
    this.keys = "Arrows move the cross, Enter puts a place, F finishes, Escape starts over.";
  }
  get hint() {
    return this.what === "seam"
      ? "Tap along the seam, from end to end; then Finish."
      : "Tap where the new stretch leaves the outline, tap along it, and tap the outline where it comes back.";
  }
  press(p) {
    const { board } = this.on;
    const ring = board.view.outline;
    const on = ring[nearest(ring, p)];
    const near = far(on, p) * board.scale < 14;
    if (this.what === "stretch" && !this.places.length && !near) {
      say("Begin on the outline: tap nearer to it.");
      return "pan";
    }
    const place = near && (this.what === "stretch" || this.follow === "hand") ? on : p;
    if (this.places.length && far(this.places[this.places.length - 1], place) * board.scale < 4) return "tool";
    const ends = this.what === "stretch" && this.places.length > 0 && near;
    this.add(place).then(() => ends && this.finish());
    return "tool";
  }
  async add(place) {
    const last = this.places[this.places.length - 1];
    this.places.push(place);
    const mine = this.places;
    if (!last) this.path = [place];
    else if (this.follow === "hand") this.path.push(place);
    else {
      try {
        const told = await ask({ ask: "snap", piece: this.on.piece, places: [last, place], to: this.follow });
        if (mine !== this.places) return;
        this.path.push(...told.path.slice(1));
      } catch (error) {
        this.places.pop();
        trouble(error);
      }
    }
    this.on.board.draw();
  }
  hover(p) {
    this.at = p;
    if (this.places.length) this.on.board.draw();
  }
  finish() {
    if (this.path.length < 2) return say("Put at least two places first.");
    const path = this.path;
    const by = this.follow;
    this.cancel();
    this.on.change(this.what === "seam" ? { step: "seam", path } : { step: "redraw", path, by });
  }
  cancel() {
    this.places = [];
    this.path = [];
    this.on.board.draw();
  }
  key(e) {
    if (e.key === "f") this.finish();
    else return false;
    return true;
  }
  draw(c, board) {
    if (!this.path.length) return;
    board.trail(c, this.path, false);
    board.cased(c, "#ffffff", 2.4, this.follow === "hand" ? [] : [10, 3]);
    if (this.at) {
      board.trail(c, [this.path[this.path.length - 1], this.at], false);
      c.strokeStyle = "rgba(255,255,255,.7)";
      c.lineWidth = 1.2;
      c.setLineDash([3, 4]);
      c.stroke();
      c.setLineDash([]);
    }
    this.places.forEach((at) => board.handle(c, { at }, "near"));
  }
}

// Splitting an edge at a place.
export class Split {
  points = true;
  hint = "Tap the outline where one edge should end and the next begin. To join two edges, choose an edge in the list.";
  keys = "Arrows move the cross, Enter splits at the place of the outline nearest to it.";
  constructor(on) {
    this.on = on;
  }
  press(p) {
    const { board } = this.on;
    const at = board.view.outline[nearest(board.view.outline, p)];
    if (far(at, p) * board.scale > 30) return "pan";
    this.on.change({ step: "corner", at, corner: true });
    return "tool";
  }
  hover(p) {
    const { board } = this.on;
    const at = board.view.outline[nearest(board.view.outline, p)];
    this.at = far(at, p) * board.scale < 30 ? at : null;
    board.draw();
  }
  draw(c, board) {
    board.view.handles.filter((h) => h.corner).forEach((h) => board.handle(c, h, null));
    if (this.at) board.handle(c, { at: this.at, corner: true }, "near");
  }
}

// Painting what is cloth or mat.
export class Paint {
  points = true;
  holds = true;
  cloth = true;
  width = 20;
  hint = "Paint over cloth that was taken for mat, or mat that was taken for cloth. The photo is traced again at once.";
  keys = "Arrows move the cross, Enter begins and ends a stroke.";
  constructor(on) {
    this.on = on;
  }
  press(p) {
    this.line = [p];
    this.on.board.draw();
    return "tool";
  }
  drag(p) {
    const { board } = this.on;
    if (this.line && far(this.line[this.line.length - 1], p) > 1.5) this.line.push(p);
    board.draw();
  }
  release() {
    const stroke = this.line;
    this.line = null;
    if (stroke) this.on.change({ step: "paint", cloth: this.cloth, stroke, width_mm: this.width });
  }
  cancel() {
    this.line = null;
    this.on.board.draw();
  }
  hover(p) {
    this.at = p;
    this.on.board.draw();
  }
  draw(c, board) {
    if (this.line) board.stroke(c, this.line, this.width, this.cloth);
    else if (this.at) {
      const s = board.screen(this.at);
      c.beginPath();
      c.arc(s[0], s[1], (this.width * board.scale) / 2, 0, 7);
      c.strokeStyle = "#fff";
      c.lineWidth = 1.5;
      c.setLineDash(this.cloth ? [] : [4, 3]);
      c.stroke();
      c.setLineDash([]);
    }
  }
}
