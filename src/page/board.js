// The board: the flat photo under the outline, moved and enlarged by wheel, pinch, keys and buttons.
// Places are millimetres, y up; the board alone knows the screen.

const SURE = "#ff5c28", WEAK = "#ffb02e", POOR = "#fae13c", UNSEEN = "#ff6fe0", CASING = "rgba(25,20,35,.82)";
export const DOUBT = [
  { colour: SURE, dash: [], width: 2.4, words: "seen well, within 0.75 mm" },
  { colour: WEAK, dash: [14, 4], width: 2.6, words: "weak, within 1.5 mm" },
  { colour: POOR, dash: [6, 4], width: 2.8, words: "poor: more than 1.5 mm" },
  { colour: UNSEEN, dash: [2, 5], width: 3.4, words: "not seen: bridged" },
];
const GRID = "#46e1eb", FOLD = "#a5f596", GHOST = "rgba(255,255,255,.75)", SEAM = "#b9a4ff";
const LOUPE = 66, LOUPE_TIMES = 4;
const FINEST = 30;

const lerp = (a, b, t) => a + (b - a) * t;
export const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

export class Board {
  constructor(canvas) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false });
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.levels = [];
    this.view = null;
    this.tool = null;
    this.showGrid = true;
    this.showGhost = true;
    this.cross = null;
    this.loupe = null;
    this.bright = null;
    this.wanted = false;
    this.calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
    this.pointers = new Map();
    this.listen();
    this.sized = new ResizeObserver(() => this.resize());
    this.sized.observe(canvas);
  }

  close() {
    this.sized.disconnect();
    this.levels.forEach((l) => l.bitmap.close?.());
    this.closed = true;
  }

  // The photo at full, half and quarter size: small views do not touch every pixel of the large one.
  async load(address, backdrop) {
    const response = await fetch(address);
    if (!response.ok) throw { seen: "the flat photo could not be loaded", advice: "trace the photo again" };
    const full = await createImageBitmap(await response.blob());
    const levels = [{ bitmap: full, share: 1 }];
    for (let share = 0.5; full.width * share > 500 && share > 0.1; share /= 2) {
      const size = { resizeWidth: Math.round(full.width * share), resizeHeight: Math.round(full.height * share), resizeQuality: "medium" };
      levels.push({ bitmap: await createImageBitmap(levels[levels.length - 1].bitmap, size), share });
    }
    if (this.closed) return levels.forEach((l) => l.bitmap.close?.());
    this.levels.forEach((l) => l.bitmap.close?.());
    this.levels = levels;
    this.backdrop = backdrop;
    this.draw();
  }

  resize() {
    const box = this.canvas.getBoundingClientRect();
    const ratio = Math.min(devicePixelRatio || 1, 2);
    const [w, h] = [Math.max(1, Math.round(box.width * ratio)), Math.max(1, Math.round(box.height * ratio))];
    if (w === this.canvas.width && h === this.canvas.height) return;
    const before = [this.width || 0, this.height || 0];
    this.ratio = ratio;
    this.width = box.width;
    this.height = box.height;
    this.canvas.width = w;
    this.canvas.height = h;
    // The middle stays in the middle; a window of another shape shows all again.
    const other = Math.abs(Math.log(((before[0] || 1) / (before[1] || 1)) * (this.height / this.width))) > 0.25;
    if (before[0] === 0 || other) this.fit();
    else this.pan((this.width - before[0]) / 2, (this.height - before[1]) / 2);
    this.draw();
  }

  screen(p) {
    return [p[0] * this.scale + this.x, this.y - p[1] * this.scale];
  }

  place(s) {
    return [(s[0] - this.x) / this.scale, (this.y - s[1]) / this.scale];
  }

  spot(e) {
    const box = this.canvas.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  fit() {
    if (!this.view || !this.width) return;
    const points = this.view.cut_line.length ? this.view.cut_line : this.view.outline;
    this.frame(points, 28, true);
  }

  // Shows these places with a rim of so many screen pixels.
  frame(points, rim, at_once) {
    const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
    const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    // What lies over the picture's rim (tools, hint) covers nothing of it.
    const [left, foot, top] = this.inset();
    const [w, h] = [this.width - left, this.height - foot - top];
    const scale = Math.min((w - 2 * rim) / Math.max(x1 - x0, 1), (h - 2 * rim) / Math.max(y1 - y0, 1), FINEST);
    const to = { scale, x: left + w / 2 - (scale * (x0 + x1)) / 2, y: top + h / 2 + (scale * (y0 + y1)) / 2 };
    if (at_once || this.calm) {
      // A move still under way would carry the picture off again.
      this.moving = null;
      Object.assign(this, to);
      this.draw();
      return;
    }
    const from = { scale: this.scale, x: this.x, y: this.y };
    const began = performance.now();
    const step = (now) => {
      if (this.closed || this.moving !== step) return;
      const t = Math.min(1, (now - began) / 260);
      const eased = 1 - (1 - t) ** 3;
      for (const k of ["scale", "x", "y"]) this[k] = lerp(from[k], to[k], eased);
      this.draw();
      if (t < 1) requestAnimationFrame(step);
    };
    this.moving = step;
    requestAnimationFrame(step);
  }

  inset() {
    return this.width > 620 ? [92, 52, 0] : [0, 48, 64];
  }

  zoom(times, about) {
    this.moving = null;
    const [sx, sy] = about || [this.width / 2, this.height / 2];
    const scale = Math.min(Math.max(this.scale * times, 0.05), FINEST);
    const k = scale / this.scale;
    this.x = sx - (sx - this.x) * k;
    this.y = sy - (sy - this.y) * k;
    this.scale = scale;
    this.draw();
  }

  pan(dx, dy) {
    this.moving = null;
    this.x += dx;
    this.y += dy;
    this.draw();
  }

  listen() {
    const c = this.canvas;
    c.addEventListener("wheel", (e) => {
      e.preventDefault();
      // A pinch on a touch pad comes as a wheel with ctrl held.
      if (e.ctrlKey || !e.shiftKey) this.zoom(Math.exp(-e.deltaY * (e.ctrlKey ? 0.01 : 0.0016) * (e.deltaMode ? 30 : 1)), this.spot(e));
      else this.pan(-e.deltaY, 0);
    }, { passive: false });
    c.addEventListener("pointerdown", (e) => {
      c.setPointerCapture(e.pointerId);
      this.pointers.set(e.pointerId, this.spot(e));
      this.cross = null;
      if (this.pointers.size === 2) {
        this.tool?.cancel?.();
        this.work = null;
        this.pinch = this.pinched();
        return;
      }
      const pans = e.button === 1 || this.space || !this.tool;
      this.work = pans || this.tool.press(this.place(this.spot(e)), e) === "pan" ? "pan" : "tool";
      this.pressed = this.spot(e);
    });
    c.addEventListener("pointermove", (e) => {
      const now = this.spot(e);
      const before = this.pointers.get(e.pointerId);
      if (!before) return this.tool?.hover?.(this.place(now), e);
      this.pointers.set(e.pointerId, now);
      if (this.pointers.size === 2 && this.pinch) {
        const next = this.pinched();
        this.pan(next.at[0] - this.pinch.at[0], next.at[1] - this.pinch.at[1]);
        this.zoom(next.gap / this.pinch.gap, next.at);
        this.pinch = next;
      } else if (this.work === "pan") this.pan(now[0] - before[0], now[1] - before[1]);
      else if (this.work === "tool") this.tool.drag?.(this.place(now), e);
    });
    const up = (e) => {
      const at = this.pointers.get(e.pointerId);
      this.pointers.delete(e.pointerId);
      if (this.pointers.size) return;
      if (at && this.work === "tool") this.tool.release?.(this.place(at), e);
      if (at && this.work === "pan" && far(at, this.pressed) < 4) this.tool?.tap?.(this.place(at), e);
      this.work = this.pinch = null;
    };
    c.addEventListener("pointerup", up);
    c.addEventListener("pointercancel", (e) => {
      this.tool?.cancel?.();
      this.work = null;
      up(e);
    });
    c.addEventListener("dblclick", (e) => this.tool?.finish?.(this.place(this.spot(e))));
    c.addEventListener("keydown", (e) => this.key(e));
    c.addEventListener("keyup", (e) => { if (e.key === " ") this.space = false; });
    c.addEventListener("blur", () => { this.space = false; });
  }

  pinched() {
    const [a, b] = [...this.pointers.values()];
    return { at: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], gap: Math.max(far(a, b), 1) };
  }

  // By keyboard a cross stands for the pointer: arrows move it, Enter presses where it is.
  key(e) {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (this.tool?.key?.(e)) return e.preventDefault();
    if (e.key === "+" || e.key === "=") this.zoom(1.25, this.cross && this.screen(this.cross));
    else if (e.key === "-") this.zoom(0.8, this.cross && this.screen(this.cross));
    else if (e.key === "0") this.fit();
    else if (e.key in arrows) {
      const [dx, dy] = arrows[e.key];
      if (!this.tool?.points) {
        const step = e.shiftKey ? 160 : 48;
        this.pan(-dx * step, dy * step);
      } else this.step(dx, dy, (e.shiftKey ? 40 : 8) / this.scale);
    } else if (e.key === "Enter" && this.tool?.points) {
      this.cross ??= this.place([this.width / 2, this.height / 2]);
      if (this.tool.holds && this.held) {
        this.held = false;
        this.tool.release(this.cross, e);
      } else if (this.tool.press(this.cross, e) !== "pan" && this.tool.holds) this.held = true;
      else this.tool.release?.(this.cross, e);
    } else if (e.key === "Escape") {
      this.held = false;
      this.tool?.cancel?.();
      this.cross = null;
    } else if (e.key === " ") this.space = true;
    else return;
    this.draw();
    e.preventDefault();
  }

  step(dx, dy, mm) {
    this.cross ??= this.place([this.width / 2, this.height / 2]);
    this.cross = [this.cross[0] + dx * mm, this.cross[1] + dy * mm];
    const s = this.screen(this.cross);
    const rim = 40;
    this.pan(s[0] < rim ? rim - s[0] : s[0] > this.width - rim ? this.width - rim - s[0] : 0, s[1] < rim ? rim - s[1] : s[1] > this.height - rim ? this.height - rim - s[1] : 0);
    if (this.held) this.tool.drag?.(this.cross, {});
    else this.tool.hover?.(this.cross, {});
  }

  draw() {
    if (this.wanted || this.closed) return;
    this.wanted = true;
    requestAnimationFrame(() => {
      this.wanted = false;
      if (!this.closed && this.width) this.paint();
    });
  }

  paint() {
    const c = this.context;
    c.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    c.fillStyle = "#2b2d33";
    c.fillRect(0, 0, this.width, this.height);
    this.photo(c, this.scale, this.x, this.y, [0, 0, this.width, this.height]);
    if (!this.view) return;
    if (this.showGrid) this.grid(c);
    this.things(c);
    this.tool?.draw?.(c, this);
    if (this.cross) this.crosshair(c, this.screen(this.cross));
    this.scaleBar(c);
    if (this.loupe) this.magnify(c);
    this.frames = (this.frames || 0) + 1;
  }

  photo(c, scale, x, y, [left, top, width, height]) {
    if (!this.levels.length) return;
    const b = this.backdrop;
    const per = scale / b.px_per_mm;
    const wanted = per * this.ratio;
    const level = [...this.levels].reverse().find((l) => l.share >= Math.min(1, wanted * 0.9)) || this.levels[0];
    const { bitmap, share } = level;
    const [px, py] = [b.min[0] * scale + x, y - b.max[1] * scale];
    const k = per / share;
    const s0 = [Math.max(0, Math.floor((left - px) / k)), Math.max(0, Math.floor((top - py) / k))];
    const s1 = [Math.min(bitmap.width, Math.ceil((left + width - px) / k)), Math.min(bitmap.height, Math.ceil((top + height - py) / k))];
    if (s1[0] <= s0[0] || s1[1] <= s0[1]) return;
    c.imageSmoothingEnabled = k < 6;
    c.drawImage(bitmap, s0[0], s0[1], s1[0] - s0[0], s1[1] - s0[1], px + s0[0] * k, py + s0[1] * k, (s1[0] - s0[0]) * k, (s1[1] - s0[1]) * k);
  }

  trail(c, points, closed) {
    c.beginPath();
    points.forEach((p, i) => {
      const s = this.screen(p);
      i ? c.lineTo(s[0], s[1]) : c.moveTo(s[0], s[1]);
    });
    if (closed) c.closePath();
  }

  // A line that shows on any cloth: a dark casing under its colour.
  cased(c, colour, width, dash) {
    c.setLineDash([]);
    c.lineJoin = "round";
    c.lineCap = "butt";
    c.strokeStyle = CASING;
    c.lineWidth = width + 2.6;
    c.setLineDash(dash);
    c.stroke();
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.stroke();
    c.setLineDash([]);
  }

  grid(c) {
    const b = this.view.backdrop;
    if (!b) return;
    c.lineWidth = 1;
    c.strokeStyle = GRID;
    if (b.grid_mm) {
      const [px, py] = b.grid_mm;
      // Close lines would hide the photo.
      c.globalAlpha = Math.min(Math.max((Math.min(px, py) * this.scale) / 90, 0.18), 0.5);
      c.beginPath();
      const a = this.screen([b.min[0], b.max[1]]), z = this.screen([b.max[0], b.min[1]]);
      for (let k = Math.ceil(b.min[0] / px); k * px <= b.max[0]; k++) {
        const x = this.screen([k * px, 0])[0];
        c.moveTo(x, a[1]);
        c.lineTo(x, z[1]);
      }
      for (let k = Math.ceil(b.min[1] / py); k * py <= b.max[1]; k++) {
        const y = this.screen([0, k * py])[1];
        c.moveTo(a[0], y);
        c.lineTo(z[0], y);
      }
      c.setLineDash([3, 5]);
      c.stroke();
      c.setLineDash([]);
    }
    c.globalAlpha = b.grid_mm ? Math.min(Math.max((b.grid_mm[0] * this.scale) / 60, 0.3), 0.8) : 0.9;
    c.lineWidth = 1;
    c.beginPath();
    for (const [p, q] of b.ticks) {
      const s = this.screen(p), t = this.screen(q);
      c.moveTo(s[0], s[1]);
      c.lineTo(t[0], t[1]);
    }
    c.stroke();
    for (const ring of b.rings) {
      this.trail(c, ring, true);
      c.setLineDash([8, 4]);
      c.stroke();
      c.setLineDash([]);
    }
    c.globalAlpha = 1;
  }

  things(c) {
    const v = this.view;
    for (const hint of v.paint) this.stroke(c, hint.stroke, hint.width_mm, hint.cloth);
    if (v.cut_line.length) {
      this.trail(c, v.cut_line, true);
      c.strokeStyle = "rgba(255,255,255,.85)";
      c.lineWidth = 1.2;
      c.stroke();
    }
    if (v.traced && this.showGhost) {
      this.trail(c, v.traced, true);
      c.strokeStyle = GHOST;
      c.lineWidth = 1.4;
      c.setLineDash([1.5, 3.500]);
      c.stroke();
      c.setLineDash([]);
    }
    const points = this.preview || v.outline;
    const kind = this.preview ? () => 0 : (i) => v.doubt[i];
    const n = points.length;
    for (let i = 0; i < n;) {
      let j = i + 1;
      while (j < n && kind(j) === kind(i)) j++;
      const part = points.slice(i, j);
      part.push(points[j % n]);
      this.trail(c, part, false);
      const style = DOUBT[kind(i)];
      this.cased(c, style.colour, style.width, style.dash);
      i = j;
    }
    for (const seam of v.seams) {
      this.trail(c, seam, false);
      this.cased(c, SEAM, 2.2, [9, 5]);
    }
    for (const edge of v.edges) {
      if (edge.fold) {
        this.trail(c, edge.path, false);
        this.cased(c, FOLD, 2.4, [14, 4, 3, 4]);
      }
      if (edge.number === this.bright) {
        this.trail(c, edge.path, false);
        c.strokeStyle = "rgba(255,255,255,.55)";
        c.lineWidth = 9;
        c.stroke();
      }
    }
    v.edges.forEach((edge) => this.number(c, edge));
    const lit = this.spotlight;
    if (lit && !this.preview) {
      const part = Array.from({ length: lit.count }, (_, k) => points[(lit.from + k) % n]);
      // Beside the line, not over it: what is doubtful stays to be seen.
      this.trail(c, part, false);
      c.strokeStyle = "rgba(255,255,255,.34)";
      c.lineCap = "round";
      c.lineWidth = 26;
      c.stroke();
      c.lineCap = "butt";
      for (const p of [part[0], part[part.length - 1]]) {
        const s = this.screen(p);
        c.beginPath();
        c.arc(s[0], s[1], 6, 0, 7);
        c.strokeStyle = "#fff";
        c.lineWidth = 2;
        c.stroke();
      }
    }
  }

  number(c, edge) {
    const s = this.screen(edge.middle);
    const at = [s[0] + edge.inward[0] * 19, s[1] - edge.inward[1] * 19];
    const on = edge.number === this.bright;
    c.beginPath();
    c.arc(at[0], at[1], 11, 0, 7);
    c.fillStyle = on ? "#ffffff" : "rgba(23,26,33,.86)";
    c.fill();
    c.lineWidth = 1.5;
    c.strokeStyle = on ? "#17404a" : "#f4ead6";
    c.stroke();
    c.fillStyle = on ? "#17404a" : "#f4ead6";
    c.font = "600 12px system-ui, sans-serif";
    c.textAlign = "center";
    c.textBaseline = "middle";
    c.fillText(edge.number, at[0], at[1] + 0.5);
  }

  stroke(c, points, width_mm, cloth) {
    if (!points.length) return;
    this.trail(c, points.length > 1 ? points : [points[0], points[0]], false);
    c.lineCap = "round";
    c.lineJoin = "round";
    c.lineWidth = width_mm * this.scale;
    c.strokeStyle = cloth ? "rgba(255,140,70,.38)" : "rgba(80,170,255,.38)";
    c.stroke();
    c.lineCap = "butt";
    const s = this.screen(points[Math.floor(points.length / 2)]);
    c.font = "600 12px system-ui, sans-serif";
    c.textAlign = "center";
    c.fillStyle = "#fff";
    c.strokeStyle = CASING;
    c.lineWidth = 3;
    const words = cloth ? "cloth" : "mat";
    c.strokeText(words, s[0], s[1]);
    c.fillText(words, s[0], s[1]);
  }

  handle(c, handle, state) {
    const s = this.screen(handle.at);
    const r = state === "held" ? 9 : state === "near" ? 8 : 6;
    c.beginPath();
    if (handle.corner) {
      c.moveTo(s[0], s[1] - r - 1);
      c.lineTo(s[0] + r + 1, s[1]);
      c.lineTo(s[0], s[1] + r + 1);
      c.lineTo(s[0] - r - 1, s[1]);
      c.closePath();
    } else c.arc(s[0], s[1], r - 1, 0, 7);
    c.fillStyle = state ? "#17404a" : "#fff";
    c.fill();
    c.lineWidth = state === "held" ? 3 : 2;
    c.strokeStyle = state ? "#fff" : "#201a2a";
    c.stroke();
    if (handle.added) {
      c.beginPath();
      c.arc(s[0], s[1], 2, 0, 7);
      c.fillStyle = state ? "#fff" : "#201a2a";
      c.fill();
    }
  }

  crosshair(c, s) {
    for (const [colour, width] of [["#000", 4], ["#fff", 2]]) {
      c.strokeStyle = colour;
      c.lineWidth = width;
      c.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        c.moveTo(s[0] + dx * 5, s[1] + dy * 5);
        c.lineTo(s[0] + dx * 17, s[1] + dy * 17);
      }
      c.stroke();
    }
  }

  scaleBar(c) {
    const inches = this.inches?.() ?? false;
    const unit = inches ? 25.4 : 10;
    const steps = [0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 50];
    const n = steps.find((k) => k * unit * this.scale >= 60) || 50;
    const long = n * unit * this.scale;
    const y = this.height - 18;
    c.fillStyle = "rgba(23,26,33,.72)";
    c.beginPath();
    c.roundRect(10, y - 22, long + 20, 32, 7);
    c.fill();
    c.strokeStyle = "#f4ead6";
    c.lineWidth = 2;
    c.beginPath();
    c.moveTo(20, y - 5);
    c.lineTo(20, y);
    c.lineTo(20 + long, y);
    c.lineTo(20 + long, y - 5);
    c.stroke();
    c.fillStyle = "#f4ead6";
    c.font = "12px system-ui, sans-serif";
    c.textAlign = "center";
    c.textBaseline = "alphabetic";
    c.fillText(`${n} ${inches ? "in" : "cm"}`, 20 + long / 2, y - 7);
  }

  // A round glass in the corner away from the finger: what lies under the point, enlarged.
  magnify(c) {
    const s = this.screen(this.loupe);
    const [inset] = this.inset();
    const left = s[0] > this.width / 2;
    const at = [left ? inset + LOUPE + 14 : this.width - LOUPE - 14, LOUPE + 72];
    const scale = Math.max(this.scale * LOUPE_TIMES, 8);
    const x = at[0] - this.loupe[0] * scale, y = at[1] + this.loupe[1] * scale;
    c.save();
    c.beginPath();
    c.arc(at[0], at[1], LOUPE, 0, 7);
    c.clip();
    c.fillStyle = "#2b2d33";
    c.fillRect(at[0] - LOUPE, at[1] - LOUPE, 2 * LOUPE, 2 * LOUPE);
    this.photo(c, scale, x, y, [at[0] - LOUPE, at[1] - LOUPE, 2 * LOUPE, 2 * LOUPE]);
    const kept = [this.scale, this.x, this.y];
    [this.scale, this.x, this.y] = [scale, x, y];
    this.trail(c, this.preview || this.view.outline, true);
    this.cased(c, SURE, 1.6, []);
    [this.scale, this.x, this.y] = kept;
    c.strokeStyle = "#fff";
    c.lineWidth = 1;
    c.beginPath();
    c.moveTo(at[0] - 12, at[1]);
    c.lineTo(at[0] + 12, at[1]);
    c.moveTo(at[0], at[1] - 12);
    c.lineTo(at[0], at[1] + 12);
    c.stroke();
    c.restore();
    c.beginPath();
    c.arc(at[0], at[1], LOUPE, 0, 7);
    c.strokeStyle = "#f4ead6";
    c.lineWidth = 3;
    c.stroke();
  }
}

// Index of the point of a ring nearest to a place.
export function nearest(ring, p) {
  let best = 0, least = Infinity;
  for (let i = 0; i < ring.length; i++) {
    const d = (ring[i][0] - p[0]) ** 2 + (ring[i][1] - p[1]) ** 2;
    if (d < least) [least, best] = [d, i];
  }
  return best;
}
