"""Pictures painted at true size: mats with printed grids, tables, cloth. All 8-bit BGR, row 0 = largest y."""
from dataclasses import dataclass

import cv2
import numpy as np

FONT = cv2.FONT_HERSHEY_SIMPLEX


@dataclass
class Sheet:
    """A picture covering x0..x1, y0..y1 (mm)."""
    picture: np.ndarray
    x0: float
    x1: float
    y0: float
    y1: float

    @property
    def px_per_mm(self):
        return self.picture.shape[1] / (self.x1 - self.x0)

    def pixel(self, x, y):
        """mm -> picture coordinates, first pixel's centre at (0, 0)."""
        s = self.px_per_mm
        return (x - self.x0)*s - 0.5, (self.y1 - y)*s - 0.5


def srgb(rgb):
    return np.array(rgb[::-1], np.float32)


def mottle(rng, shape, scales=((256, 1.0), (64, 0.6), (16, 0.35), (3, 0.25))):
    """Zero-mean, unit-ish smooth noise; `scales` in pixels."""
    h, w = shape
    out = np.zeros(shape, np.float32)
    for size, weight in scales:
        small = rng.normal(size=(max(2, h//size + 2), max(2, w//size + 2))).astype(np.float32)
        out += weight * cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    return out


def _coverage(n, centres, width_px):
    """Exact share of each pixel covered by lines of `width_px` around `centres` (pixel coordinates)."""
    out = np.zeros(n, np.float32)
    for c in centres:
        lo, hi = c - width_px/2, c + width_px/2
        a, b = max(0, int(np.floor(lo - 0.5))), min(n - 1, int(np.ceil(hi + 0.5)))
        if b < a:
            continue
        i = np.arange(a, b + 1)
        out[a:b+1] = np.maximum(out[a:b+1], np.clip(np.minimum(hi, i + 0.5) - np.maximum(lo, i - 0.5), 0, 1))
    return out


def _lattice(sheet, pitch, width_mm, rim):
    h, w = sheet.picture.shape[:2]
    s = sheet.px_per_mm
    ks = lambda lo, hi: np.arange(np.ceil((lo+rim)/pitch - 1e-6), np.floor((hi-rim)/pitch + 1e-6) + 1)*pitch
    cx = _coverage(w, [sheet.pixel(x, 0)[0] for x in ks(sheet.x0, sheet.x1)], width_mm*s)
    cy = _coverage(h, [sheet.pixel(0, y)[1] for y in ks(sheet.y0, sheet.y1)], width_mm*s)
    if rim > 0:
        gx, gy = ks(sheet.x0, sheet.x1), ks(sheet.y0, sheet.y1)
        left, right = sheet.pixel(gx[0], 0)[0], sheet.pixel(gx[-1], 0)[0]
        up, down = sheet.pixel(0, gy[-1])[1], sheet.pixel(0, gy[0])[1]
        inx = ((np.arange(w) >= left-1) & (np.arange(w) <= right+1)).astype(np.float32)
        iny = ((np.arange(h) >= up-1) & (np.arange(h) <= down+1)).astype(np.float32)
        return np.maximum(cx[None, :]*iny[:, None], cy[:, None]*inx[None, :])
    return np.maximum(cx[None, :], cy[:, None])


def _blend(picture, cover, colour, strength):
    """In place, in strips to spare memory."""
    ink = srgb(colour)
    for a in range(0, picture.shape[0], 512):
        c = (cover[a:a+512, :, None] * strength).astype(np.float32)
        p = picture[a:a+512]
        p[:] = np.clip(p*(1 - c) + ink*c + 0.5, 0, 255).astype(np.uint8)


def _base(rng, x0, x1, y0, y1, s, colour, grain):
    w, h = int(round((x1-x0)*s)), int(round((y1-y0)*s))
    coarse = (h//3 + 1, w//3 + 1)
    n = mottle(rng, coarse, ((int(20*s), 1.0), (int(3*s), 0.5), (max(2, int(0.2*s)), 0.5)))
    n = cv2.resize(n, (w, h), interpolation=cv2.INTER_LINEAR)
    picture = np.empty((h, w, 3), np.uint8)
    for a in range(0, h, 512):
        picture[a:a+512] = np.clip(srgb(colour) * (1 + grain*n[a:a+512, :, None]) + 0.5, 0, 255).astype(np.uint8)
    return Sheet(picture, x0, x1, y0, y1)


def mat(rng, spec, detail=1.0):
    """spec: box, base, layers [(pitch, width, colour, strength)], rim, numerals, diagonals, arcs, px_per_mm."""
    x0, x1, y0, y1 = spec["box"]
    s = spec.get("px_per_mm", 8)*detail
    sheet = _base(rng, x0, x1, y0, y1, s, spec["base"], spec.get("grain", 0.02))
    rim = spec.get("rim", 15.0)
    for pitch, width, colour, strength in spec["layers"]:
        _blend(sheet.picture, _lattice(sheet, pitch, width, rim), colour, strength)
    ink = spec["ink"] if "ink" in spec else spec["layers"][-1][2]
    over = np.zeros(sheet.picture.shape[:2], np.uint8)
    stroke = max(1, round(spec.get("stroke", 0.35)*s))
    for angle in spec.get("diagonals", ()):
        _ray(over, sheet, rim, angle, stroke)
    for radius in spec.get("arcs", ()):
        _arc(over, sheet, spec.get("arc_at", (0, 0)), radius, stroke)
    if spec.get("numerals"):
        _numerals(over, sheet, rim, spec["numerals"], stroke)
    if over.any():
        _blend(sheet.picture, over.astype(np.float32)/255, ink, spec.get("over_strength", 0.8))
    if spec.get("chess"):
        _chess(sheet, spec["chess"], spec["chess_colour"], rim)
    if spec.get("wear"):
        _scratches(rng, sheet, spec["wear"])
    return sheet


def _fixed(x, y):
    return int(round(x*16)), int(round(y*16))


def _ray(over, sheet, rim, angle, stroke):
    """A printed guide line through the printed field's lower left corner."""
    a = np.radians(angle)
    x, y = sheet.x0 + rim, sheet.y0 + rim
    length = min((sheet.x1-rim-x)/max(np.cos(a), 1e-6), (sheet.y1-rim-y)/max(np.sin(a), 1e-6))
    p, q = sheet.pixel(x, y), sheet.pixel(x + length*np.cos(a), y + length*np.sin(a))
    cv2.line(over, _fixed(*p), _fixed(*q), 255, stroke, cv2.LINE_AA, 4)


def _arc(over, sheet, at, radius, stroke):
    a = np.radians(np.arange(0, 181, 0.25))
    px = np.array([_fixed(*sheet.pixel(at[0] + radius*np.cos(t), at[1] + radius*np.sin(t))) for t in a], np.int32)
    cv2.polylines(over, [px], False, 255, stroke, cv2.LINE_AA, 4)


def _numerals(over, sheet, rim, pitch, stroke):
    s = sheet.px_per_mm
    size = min(rim*0.55, 9) * s / 22
    for k in range(int(np.ceil((sheet.x0+rim)/pitch - 1e-6)), int(np.floor((sheet.x1-rim)/pitch + 1e-6)) + 1):
        n = str(k - int(np.ceil((sheet.x0+rim)/pitch - 1e-6)))
        (w, h), _ = cv2.getTextSize(n, FONT, size, stroke)
        for y in (sheet.y0 + rim*0.45, sheet.y1 - rim*0.45):
            px, py = sheet.pixel(k*pitch, y)
            cv2.putText(over, n, (int(px - w/2), int(py + h/2)), FONT, size, 255, stroke, cv2.LINE_AA)
    for k in range(int(np.ceil((sheet.y0+rim)/pitch - 1e-6)), int(np.floor((sheet.y1-rim)/pitch + 1e-6)) + 1):
        n = str(k - int(np.ceil((sheet.y0+rim)/pitch - 1e-6)))
        (w, h), _ = cv2.getTextSize(n, FONT, size, stroke)
        for x in (sheet.x0 + rim*0.5, sheet.x1 - rim*0.5):
            px, py = sheet.pixel(x, k*pitch)
            cv2.putText(over, n, (int(px - w/2), int(py + h/2)), FONT, size, 255, stroke, cv2.LINE_AA)


def _chess(sheet, pitch, colour, rim):
    h, w = sheet.picture.shape[:2]
    s = sheet.px_per_mm
    sub = np.arange(4)/4 + 0.125
    odd = lambda mm: np.floor(mm/pitch) % 2
    x = odd(sheet.x0 + (np.arange(w)[:, None] + sub)/s).mean(1)
    y = odd(sheet.y1 - (np.arange(h)[:, None] + sub)/s).mean(1)
    cover = (x[None, :]*(1-y[:, None]) + (1-x[None, :])*y[:, None]).astype(np.float32)
    xs, ys = sheet.x0 + (np.arange(w)+0.5)/s, sheet.y1 - (np.arange(h)+0.5)/s
    lo = lambda a: np.ceil((a+rim)/pitch - 1e-6)*pitch
    hi = lambda a: np.floor((a-rim)/pitch + 1e-6)*pitch
    cover *= ((xs > lo(sheet.x0)) & (xs < hi(sheet.x1)))[None, :]
    cover *= ((ys > lo(sheet.y0)) & (ys < hi(sheet.y1)))[:, None]
    _blend(sheet.picture, cover, colour, 1.0)


def _scratches(rng, sheet, count):
    h, w = sheet.picture.shape[:2]
    over = np.zeros((h, w), np.uint8)
    for _ in range(count):
        x, y, a, l = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, np.pi), rng.uniform(20, 200)*sheet.px_per_mm
        cv2.line(over, _fixed(x, y), _fixed(x + l*np.cos(a), y + l*np.sin(a)), 255, 2, cv2.LINE_AA, 4)
    _blend(sheet.picture, over.astype(np.float32)/255, (200, 200, 195), 0.10)


def tiles(rng, spec, detail=1.0):
    """Square floor tiles with grout; every tile its own shade."""
    x0, x1, y0, y1 = spec["box"]
    s, pitch = spec.get("px_per_mm", 4)*detail, spec["pitch"]
    sheet = _base(rng, x0, x1, y0, y1, s, spec["base"], 0.035)
    p = sheet.picture
    for i in range(int(np.floor(x0/pitch)), int(np.ceil(x1/pitch))):
        for j in range(int(np.floor(y0/pitch)), int(np.ceil(y1/pitch))):
            a, b = (max(0, int(v)) for v in (sheet.pixel(i*pitch, 0)[0], sheet.pixel(0, (j+1)*pitch)[1]))
            c, d = (max(0, int(v)) for v in (sheet.pixel((i+1)*pitch, 0)[0], sheet.pixel(0, j*pitch)[1]))
            if c > a and d > b:
                p[b:d, a:c] = np.clip(p[b:d, a:c].astype(np.float32)*rng.uniform(0.94, 1.05), 0, 255)
    cover = _lattice(sheet, pitch, spec["grout"], 0)
    cover *= np.clip(0.92 + 0.06*mottle(rng, cover.shape, ((40, 1.0), (6, 1.0))), 0, 1)
    _blend(p, cover, spec["grout_colour"], 1.0)
    return sheet


def wood(rng, x0, x1, y0, y1, colour, s=2.0, plank=140.0):
    w, h = int((x1-x0)*s), int((y1-y0)*s)
    fibre = mottle(rng, (h, w // 60 + 2), ((40, 0.8), (9, 0.8), (2, 0.5)))
    fibre = cv2.resize(fibre, (w, h), interpolation=cv2.INTER_CUBIC)
    cloud = mottle(rng, (h, w), ((300, 1.0),))
    yy = (np.arange(h)/s)[:, None] + 10*cloud
    rings = np.sin(yy/7 + 3*cloud)*0.5
    board = np.floor(np.arange(h)/s/plank).astype(int)
    shade = rng.uniform(-0.10, 0.10, board.max() + 1)[board][:, None]
    value = 1 + 0.07*fibre + 0.06*rings + shade
    gap = (np.arange(h)/s) % plank < 1.2
    value[gap] *= 0.45
    return Sheet(np.clip(srgb(colour)*value[..., None], 0, 255).astype(np.uint8), x0, x1, y0, y1)


def stone(rng, x0, x1, y0, y1, colour, s=2.0):
    w, h = int((x1-x0)*s), int((y1-y0)*s)
    value = 1 + 0.07*mottle(rng, (h, w), ((300, 1.0), (60, 0.8), (12, 0.8), (3, 1.0), (2, 0.8)))
    return Sheet(np.clip(srgb(colour)*value[..., None], 0, 255).astype(np.uint8), x0, x1, y0, y1)


# ---------------------------------------------------------------- cloth, painted in the garment's own frame

def cloth(rng, garment, spec, s=7.0):
    """spec: base colour, kind plain|heather|stripes|check|print|denim, and where seams lie."""
    lo, hi = garment.outline.min(0) - 6, garment.outline.max(0) + 6
    w, h = int(np.ceil((hi[0]-lo[0])*s)), int(np.ceil((hi[1]-lo[1])*s))
    sheet = Sheet(np.zeros((h, w, 3), np.uint8), lo[0], lo[0] + w/s, hi[1] - h/s, hi[1])
    x = (sheet.x0 + (np.arange(w) + 0.5)/s)[None, :].astype(np.float32)
    y = (sheet.y1 - (np.arange(h) + 0.5)/s)[:, None].astype(np.float32)
    wave = spec.get("wave", 1.5)
    drift = lambda: wave * mottle(rng, (h, w), ((int(120*s), 1.0),))
    xx, yy = x + drift(), y + drift()
    colour = np.ones((h, w, 3), np.float32) * srgb(spec["base"])
    _pattern(rng, colour, xx, yy, spec, s)
    value = 1 + spec.get("weave", 0.05)*mottle(rng, (h, w), ((3, 0.7), (int(2*s), 0.4), (int(20*s), 0.3)))
    _seams(garment, sheet, spec, colour, value, x, y)
    _marks(sheet, spec, colour, value)
    sheet.picture = np.clip(colour*value[..., None], 0, 255).astype(np.uint8)
    return sheet


def _marks(sheet, spec, colour, value):
    """Round stickers lying on the cloth, given in the garment's own frame."""
    for x, y in spec.get("marks", ()):
        u, v = sheet.pixel(x, y)
        cover = np.zeros(value.shape, np.uint8)
        cv2.circle(cover, _fixed(u, v), int(spec["mark_mm"]/2*sheet.px_per_mm*16), 255, -1, cv2.LINE_AA, 4)
        _mix(colour, cover.astype(np.float32)/255, spec["mark_colour"])
        value[cover > 0] = 1


def _soft_band(v, period, width, edge=0.25):
    """1 inside the stripe, 0 outside, softened over `edge` mm."""
    d = np.abs((v + period/2) % period - period/2)
    return np.clip((width/2 - d)/edge + 0.5, 0, 1)


def _mix(colour, cover, rgb, strength=1.0):
    c = (cover*strength)[..., None]
    colour *= 1 - c
    colour += srgb(rgb)*c


def _pattern(rng, colour, x, y, spec, s):
    kind = spec.get("kind", "plain")
    if kind == "heather":
        h, w = colour.shape[:2]
        flecks = mottle(rng, (h, max(2, w//12)), ((3, 1.0), (8, 0.6)))
        colour *= (1 + 0.10*cv2.resize(flecks, (w, h), interpolation=cv2.INTER_LINEAR))[..., None]
    elif kind == "stripes":
        for period, width, rgb in spec["stripes"]:
            _mix(colour, _soft_band(y + 0*x, period, width), rgb)
    elif kind == "check":
        for period, width, rgb, strength in spec["checks"]:
            _mix(colour, _soft_band(x + 0*y, period, width), rgb, strength)
            _mix(colour, _soft_band(y + 0*x, period, width), rgb, strength)
    elif kind == "print":
        _print(rng, colour, spec, s)
    elif kind == "denim":
        twill = np.sin((x + y)*2*np.pi/1.1)
        colour *= (1 + 0.10*twill)[..., None]


def _print(rng, colour, spec, s):
    h, w = colour.shape[:2]
    step = spec.get("print_step", 15)
    stamp = np.zeros((h, w), np.uint8)
    dots = np.zeros((h, w), np.uint8)
    for j, cy in enumerate(np.arange(0, h/s, step*0.87)):
        for cx in np.arange(0, w/s, step) + (j % 2)*step/2:
            a0 = rng.uniform(0, 2*np.pi)
            px, py = (cx + rng.normal(0, 0.5))*s, (cy + rng.normal(0, 0.5))*s
            for k in range(5):
                a = a0 + k*2*np.pi/5
                cv2.circle(stamp, _fixed(px + 2.0*s*np.cos(a), py + 2.0*s*np.sin(a)), int(1.5*s*16), 255, -1, cv2.LINE_AA, 4)
            cv2.circle(dots, _fixed(px, py), int(1.1*s*16), 255, -1, cv2.LINE_AA, 4)
    _mix(colour, stamp.astype(np.float32)/255, spec["print_colour"])
    _mix(colour, dots.astype(np.float32)/255, spec["dot_colour"])


def _distance_to(sheet, points):
    small = 3.0
    w, h = int((sheet.x1-sheet.x0)*small), int((sheet.y1-sheet.y0)*small)
    m = np.full((h, w), 255, np.uint8)
    px = np.array([_fixed((p[0]-sheet.x0)*small - 0.5, (sheet.y1-p[1])*small - 0.5) for p in points], np.int32)
    cv2.polylines(m, [px], False, 0, 1, cv2.LINE_8, 4)
    d = cv2.distanceTransform(m, cv2.DIST_L2, 5) / small
    return cv2.resize(d, sheet.picture.shape[1::-1], interpolation=cv2.INTER_LINEAR)


HEMS = {"hem": (20, 24), "sleeve_hem": (18, 21), "waist": (32, 8)}
SEAMS = ("side", "inseam", "crotch", "seat", "underarm", "oversleeve", "shoulder", "hip", "cap", "scoop", "armhole",
         "strap_side", "strap_in", "rise", "outseam")


def _seams(garment, sheet, spec, colour, value, x, y):
    thread = spec.get("thread")
    ring = garment.outline
    dash = (np.sin((x*0.9 + y*0.8)*2*np.pi/2.6) > -0.5).astype(np.float32)
    for name, (first, last) in garment.edges.items():
        run = ring[np.arange(first, last + 1) % len(ring)]
        if name in HEMS:
            d = _distance_to(sheet, run)
            for at in HEMS[name]:
                _stitch(colour, value, d, at, dash, thread)
            value *= 1 - 0.10*np.clip(1 - np.abs(d - HEMS[name][0] - 1.2)/0.8, 0, 1)
        elif name == "neck" and spec.get("rib", True):
            d = _distance_to(sheet, run)
            inside = d < 17
            angle = np.arctan2(y - (run[:, 1].max() + 10), x - 0.0)
            value *= np.where(inside, 1 + 0.10*np.sin(angle*95), 1)
            value *= 1 - 0.35*np.clip(1 - np.abs(d - 17)/0.7, 0, 1)
            _stitch(colour, value, d, 20, dash, thread)
        elif name in SEAMS and spec.get("topstitch"):
            _stitch(colour, value, _distance_to(sheet, run), 5.0, dash, thread)
    for line in spec.get("inner_seams", ()):
        d = _distance_to(sheet, line)
        value *= 1 - 0.30*np.clip(1 - np.abs(d)/0.7, 0, 1)
        _stitch(colour, value, d, 2.5, dash, thread)


def _stitch(colour, value, d, at, dash, thread):
    on = np.clip((0.35 - np.abs(d - at))/0.15 + 0.5, 0, 1)
    if thread:
        _mix(colour, on*dash, thread, 0.85)
    value *= 1 - 0.14*np.clip(1 - np.abs(d - at)/1.1, 0, 1)
