"""Garment outlines (mm) and the slab mesh made from them.

A garment is described in its own frame: the fold lies on x = 0, the cloth to the right of it, y up.
`Garment.outline` is the plan silhouette: the mesh touches it exactly at half its thickness.
"""
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import Delaunay
from shapely.geometry import Point, Polygon
import shapely

SPACING_MM = 0.5


@dataclass
class Garment:
    outline: np.ndarray                 # (n, 2) closed ring without the repeated point, counter-clockwise
    corners: list                       # indices into outline
    fold: np.ndarray                    # (2, 2)
    edges: dict = field(default_factory=dict)   # edge name -> (first, last) index
    marks: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))     # middles of stickers, once placed
    from_own: np.ndarray = field(default_factory=lambda: np.eye(2, 3))      # mat_from_own, once placed


def _line(a, b):
    return lambda n: np.linspace(a, b, n + 1), np.hypot(*np.subtract(b, a))


def _cubic(a, b, c, d):
    a, b, c, d = (np.array(p, float) for p in (a, b, c, d))

    def at(n):
        dense = np.linspace(0, 1, 2001)[:, None]
        p = (1-dense)**3*a + 3*(1-dense)**2*dense*b + 3*(1-dense)*dense**2*c + dense**3*d
        s = np.r_[0, np.cumsum(np.hypot(*np.diff(p, axis=0).T))]
        want = np.linspace(0, s[-1], n + 1)
        return np.c_[np.interp(want, s, p[:, 0]), np.interp(want, s, p[:, 1])]
    dense = np.linspace(0, 1, 2001)[:, None]
    p = (1-dense)**3*a + 3*(1-dense)**2*dense*b + 3*(1-dense)*dense**2*c + dense**3*d
    return at, np.hypot(*np.diff(p, axis=0).T).sum()


def from_path(path, scale=1.0, grow=(1.0, 1.0)):
    """`path`: start point, then (edge name, end) for a line or (edge name, c1, c2, end) for a cubic; ends at the start.

    Parts of the same name that follow each other are one edge. A path without an edge named fold has no fold."""
    k = np.array(grow) * scale
    here = np.array(path[0], float) * k
    pieces, edges, at = [], {}, 0
    for name, *pts in path[1:]:
        pts = [np.array(p, float) * k for p in pts]
        sample, length = _line(here, pts[0]) if len(pts) == 1 else _cubic(here, *pts)
        n = max(2, int(np.ceil(length / SPACING_MM)))
        pieces.append(sample(n)[:-1])
        edges[name] = (edges[name][0] if name in edges else at, at + n)
        at, here = at + n, pts[-1]
    outline = np.vstack(pieces)
    corners = [i for i in sorted({a for a, _ in edges.values()}) if _turn(outline, i) > 15]
    fold = [outline[i % len(outline)] for i in edges.get("fold", ())]
    return Garment(outline, corners, np.array(fold).reshape(-1, 2), edges)


def _turn(ring, i):
    n = len(ring)
    d0, d1 = ring[i] - ring[i-3], ring[(i+3) % n] - ring[i]
    return np.degrees(abs(np.arctan2(d0[0]*d1[1]-d0[1]*d1[0], d0 @ d1)))


# counter-clockwise paths, fold on the left edge (x = 0) walked downwards last
PATHS = {
    "tee": [(0, 0), ("hem", (60, -6), (180, -4), (245, 6)), ("side", (238, 120), (232, 250), (240, 420)),
            ("underarm", (252, 418), (300, 395), (352, 372)), ("sleeve_hem", (410, 498)),
            ("oversleeve", (350, 545), (290, 588), (226, 618)), ("shoulder", (96, 652)),
            ("neck", (88, 600), (60, 566), (0, 563)), ("fold", (0, 0))],
    "trousers": [(0, 0), ("hem", (205, 4)), ("inseam", (212, 180), (226, 420), (246, 560)),
                 ("crotch", (262, 590), (318, 598), (338, 612)), ("seat", (330, 690), (318, 770), (300, 862)),
                 ("waist", (210, 846), (90, 842), (0, 846)), ("fold", (0, 0))],
    "skirt": [(0, 0), ("hem", (110, 0), (230, 26), (330, 78)), ("side", (288, 210), (230, 400), (196, 520)),
              ("hip", (182, 560), (176, 590), (172, 628)), ("waist", (120, 614), (60, 608), (0, 606)), ("fold", (0, 0))],
    "sleeve": [(0, 0), ("sleeve_hem", (112, 3)), ("underarm", (128, 140), (152, 300), (186, 402)),
               ("cap", (140, 420), (104, 520), (0, 548)), ("fold", (0, 0))],
    "shorts": [(0, 0), ("hem", (80, -5), (180, -2), (262, 14)), ("inseam", (268, 70), (272, 110), (274, 150)),
               ("crotch", (278, 170), (322, 176), (338, 186)), ("seat", (322, 280), (306, 360), (296, 432)),
               ("waist", (200, 414), (90, 408), (0, 412)), ("fold", (0, 0))],
    "dungarees": [(0, 0), ("hem", (140, 3)), ("inseam", (144, 80), (150, 160), (158, 222)),
                  ("crotch", (166, 240), (196, 244), (206, 252)), ("seat", (204, 330), (196, 400), (190, 430)),
                  ("scoop", (150, 440), (112, 500), (104, 560)), ("strap_side", (100, 690)), ("strap_end", (62, 694)),
                  ("strap_in", (66, 590)), ("bib", (50, 576), (24, 574), (0, 574)), ("fold", (0, 0))],
    "poncho": [(0, 0), ("hem", (180, -4), (300, 0), (424, 40)), ("side", (420, 400)),
               ("oversleeve", (400, 470), (250, 540), (96, 560)), ("neck", (88, 520), (60, 494), (0, 490)), ("fold", (0, 0))],
    "bodice": [(0, 0), ("hem", (80, -8), (140, -6), (214, 10)), ("side", (206, 90), (212, 180), (236, 268)),
               ("armhole", (190, 276), (166, 330), (182, 440)), ("shoulder", (84, 478)),
               ("neck", (82, 420), (50, 372), (0, 366)), ("fold", (0, 0))],
}


def make(path, scale=1.0, grow=(1.0, 1.0)):
    """`path`: a name in PATHS, or a path itself."""
    return from_path(PATHS[path] if isinstance(path, str) else path, scale, grow)


def place(garment, angle_deg, at, mirror=False):
    """Rigid placement on the mat: the middle of the garment's box goes to `at`. Returns (Garment, 2x3 mat_from_own)."""
    a = np.radians(angle_deg)
    rot = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([-1.0 if mirror else 1.0, 1.0])
    mid = (garment.outline.min(0) + garment.outline.max(0)) / 2
    m = np.c_[rot, np.array(at, float) - rot @ mid]
    move = lambda p: p @ m[:, :2].T + m[:, 2]
    ring, corners = move(garment.outline), list(garment.corners)
    if mirror:
        n = len(ring)
        ring = ring[::-1]
        corners = sorted(n - 1 - i for i in corners)
    return Garment(ring, corners, move(garment.fold), garment.edges), m


def _noise(rng, xy, wavelength, count=14):
    out = np.zeros(len(xy))
    for _ in range(count):
        k = rng.normal(size=2)
        k *= (2*np.pi/wavelength) * rng.uniform(0.5, 1.3) / np.hypot(*k)
        out += np.sin(xy @ k + rng.uniform(0, 2*np.pi))
    return out / np.sqrt(count)


def _wrinkles(rng, xy, box, count, height, width):
    """A few soft straight-ish ridges, fading at both ends."""
    out = np.zeros(len(xy))
    lo, hi = box
    for _ in range(count):
        c = lo + rng.uniform(0.2, 0.8, 2) * (hi - lo)
        a = rng.uniform(0, np.pi)
        u, v = (xy - c) @ [np.cos(a), np.sin(a)], (xy - c) @ [-np.sin(a), np.cos(a)]
        length = rng.uniform(50, 140)
        v = v + 0.0012 * u**2 * rng.uniform(-1, 1)
        w = width * rng.uniform(0.6, 1.5)
        out += rng.uniform(0.5, 1) * height * np.exp(-(v/w)**2) * np.exp(-(u/length)**4)
    return out


def slab_mesh(garment, thickness, seed, wrinkles=6, wrinkle_height=1.6, undulation=0.12, step=3.0):
    """Vertices (mm) and triangles. Every vertex keeps within the outline; only those at half thickness lie on it."""
    rng = np.random.default_rng(seed)
    r = thickness / 2
    ring = garment.outline
    poly = Polygon(ring)
    points, depth = [ring], [np.zeros(len(ring))]
    for d in r * np.array([0.03, 0.12, 0.28, 0.5, 0.75, 1.0, 1.4, 2.2]):
        inner = poly.buffer(-d, join_style="mitre", mitre_limit=20)
        for part in getattr(inner, "geoms", [inner]):
            length = part.exterior.length
            s = np.arange(0, length, 0.9)
            p = shapely.get_coordinates(shapely.line_interpolate_point(part.exterior, s))
            points.append(p)
            depth.append(np.full(len(p), d))
    lo, hi = ring.min(0), ring.max(0)
    gx, gy = np.meshgrid(np.arange(lo[0], hi[0], step), np.arange(lo[1], hi[1], step))
    g = np.c_[gx.ravel(), gy.ravel()] + rng.uniform(-0.2, 0.2, (gx.size, 2)) * step
    core = poly.buffer(-(2.2*r + 0.6*step))
    shapely.prepare(core)
    g = g[shapely.contains_xy(core, g[:, 0], g[:, 1])]
    points.append(g)
    depth.append(shapely.distance(shapely.linearrings(ring), shapely.points(g)))
    xy, d = np.vstack(points), np.concatenate(depth)
    tri = Delaunay(xy).simplices
    mid = xy[tri].mean(1)
    shapely.prepare(poly)
    tri = tri[shapely.contains_xy(poly, mid[:, 0], mid[:, 1])]
    a, b, c = xy[tri[:, 0]], xy[tri[:, 1]], xy[tri[:, 2]]
    area = (b[:, 0]-a[:, 0])*(c[:, 1]-a[:, 1]) - (b[:, 1]-a[:, 1])*(c[:, 0]-a[:, 0])
    tri = tri[np.abs(area) > 1e-7]
    area = area[np.abs(area) > 1e-7]
    tri[area < 0] = tri[area < 0][:, ::-1]
    round_ = np.sqrt(np.clip(r*r - np.clip(r - d, 0, r)**2, 0, None))
    inside = np.clip((d - r) / 25, 0, 1)
    relief = undulation*thickness*_noise(rng, xy, 90) + _wrinkles(rng, xy, (lo, hi), wrinkles, wrinkle_height, 7)
    ease = np.clip((d - r) / 6, 0, 1)
    relief = relief * inside * inside * (3 - 2*inside) - 0.18*ease*thickness*np.exp(-((d-16)/1.6)**2)
    top = r + round_ + relief
    n_ring, n = len(ring), len(xy)
    under = np.maximum(r - round_, 0.03)
    index = np.arange(n)
    index[n_ring:] += n - n_ring        # underside copies of all but the outline's own vertices
    verts = np.vstack([np.c_[xy, top], np.c_[xy[n_ring:], under[n_ring:]]])
    low = np.where(np.arange(n) < n_ring, np.arange(n), index)
    return verts, np.vstack([tri, low[tri][:, ::-1]])
