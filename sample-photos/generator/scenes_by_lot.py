"""Path-traced scenes by lot: what the project was not developed on, with real light, thickness and shadows.

    python make_photos.py --scenes scenes_by_lot --only lot-000 lot-001 --out OUT
    CLOTHLINE_PHOTOS=OUT bash ../../tests/run.sh accuracy

Two to four minutes a photo; slower than the drawn scenes, nearer to what people take.
"""
import numpy as np

import optics
from garments import PATHS
from scenes import INCH, SOFT, _box

COUNT = 200
MATS = ((22, 74, 54), (34, 56, 108), (66, 74, 86), (96, 60, 96), (26, 104, 112), (206, 190, 160), (27, 27, 29), (120, 124, 128),
        (196, 84, 120), (150, 186, 214), (238, 238, 235), (188, 148, 104), (60, 60, 64), (150, 40, 44), (222, 214, 120), (80, 130, 70))
CLOTHS = ((24, 24, 27), (38, 40, 54), (236, 236, 232), (186, 36, 44), (222, 176, 70), (120, 150, 178), (66, 82, 108), (148, 148, 152),
          (150, 46, 84), (96, 128, 110), (120, 88, 62), (230, 200, 190), (60, 90, 70), (240, 226, 190), (90, 60, 120), (214, 120, 60))
# half of each path's width and height at scale 1, mm
HALF_SIZE = {name: np.ptp(np.array([p[-1] for p in path[1:]]), axis=0)/2 for name, path in PATHS.items()}


def _shade(rgb, by):
    return tuple(int(np.clip(v + by, 0, 255)) for v in rgb)


def _ground(rng):
    """(mat, truth of its grid, the argument, half of its size)."""
    kind = str(rng.choice(["cm", "cm", "cm", "inch", "inch", "wide", "paper", "chess", "tiles"]))
    half = (np.array([300.0, 450.0]) if rng.random() < 0.7 else np.array([12, 18])*INCH) if rng.random() < 0.75 else np.array([220.0, 300.0])
    base = MATS[rng.integers(len(MATS))]
    light = sum(base) < 390
    ink = [_shade(base, (1 if light else -1)*int(v)) for v in (rng.uniform(70, 120), rng.uniform(120, 180))]
    more = dict(wear=int(rng.integers(0, 45)), rim=rng.uniform(5, 14), height=rng.uniform(0.6, 3))
    if rng.random() < 0.4:
        more["diagonals"] = (45, 60) if rng.random() < 0.5 else (45,)
    if kind == "tiles":
        pitch = float(rng.choice([150, 200, 300, 330]))
        grout = tuple(int(v*rng.uniform(0.4, 0.75)) for v in base) if not light else _shade(base, 80)
        return dict(kind="tiles", box=(-1300, 1300, -1300, 1300), pitch=pitch, grout=rng.uniform(2, 5), base=base, grout_colour=grout,
                    px_per_mm=3), dict(pitch_mm=pitch, bold_every=1, kind="tiles"), f"{pitch:g}mm", np.array([330, 470])
    if kind == "chess":
        pitch = float(rng.choice([20, 25, 30, 40, 50]))
        return dict(box=_box(*half, 6), base=(226, 224, 214), rim=5.0, layers=[], chess=pitch, chess_colour=base if light else (58, 62, 70),
                    ink=(58, 62, 70)), dict(pitch_mm=pitch, bold_every=1, kind="chess"), f"{pitch:g}mm", half
    if kind == "inch":
        layers = [(INCH, rng.uniform(0.35, 0.6), ink[1], 0.85)]
        fine = int(rng.choice([1, 2, 2, 4, 8]))
        if fine > 1:
            layers.insert(0, (INCH/fine, rng.uniform(0.15, 0.3), ink[0], rng.uniform(0.35, 0.6)))
        return dict(box=_box(*half, 12), base=base, numerals=INCH, layers=layers, **more), dict(pitch_mm=INCH, bold_every=1, kind="lines"), "1in", half
    if kind == "cm":
        bold = int(rng.choice([1, 5, 5, 5, 10]))
        layers = [(10.0, rng.uniform(0.2, 0.32), ink[0], rng.uniform(0.45, 0.8))]
        if bold > 1:
            layers.append((10.0*bold, rng.uniform(0.35, 0.6), ink[1], 0.85))
        return dict(box=_box(*half, 12), base=base, numerals=50.0, layers=layers, **more), dict(pitch_mm=10.0, bold_every=bold, kind="lines"), "1cm", half
    pitch = float(rng.choice([20, 50, INCH])) if kind == "wide" else float(rng.choice([10, 20, INCH]))
    paper = _shade((238, 237, 233), int(rng.integers(-14, 10))) if kind == "paper" else base
    line = _shade(paper, -int(rng.uniform(60, 150))) if sum(paper) > 390 else _shade(paper, int(rng.uniform(70, 150)))
    return (dict(box=(-400, 420, -570, 590), base=paper, rim=0.0, grain=0.006, height=0.2, roughness=0.9,
                 layers=[(pitch, rng.uniform(0.25, 0.7), line, 0.85)]),
            dict(pitch_mm=pitch, bold_every=1, kind="lines"), f"{pitch:g}mm", np.array([380, 540]))


def _cloth(rng, base):
    kind = str(rng.choice(["plain", "plain", "plain", "heather", "denim", "stripes", "check", "print"]))
    own = CLOTHS[rng.integers(len(CLOTHS))]
    if rng.random() < 0.2:                                  # of about the mat's own colour
        own = tuple(int(np.clip(v*rng.uniform(0.8, 1.2) + rng.normal(0, 8), 12, 242)) for v in base)
    other, third = (CLOTHS[i] for i in rng.integers(len(CLOTHS), size=2))
    spec = dict(kind=kind, base=own, thread=_shade(own, int(rng.choice([-30, 30]))), weave=rng.uniform(0.02, 0.1), topstitch=bool(rng.random() < 0.4))
    if kind == "stripes":
        period = rng.uniform(6, 40)
        spec["stripes"] = [(period, period*rng.uniform(0.2, 0.55), other)]
    elif kind == "check":
        period = rng.uniform(8, 60)
        spec["checks"] = [(period, period*rng.uniform(0.1, 0.5), other, rng.uniform(0.4, 0.7))]
    elif kind == "print":
        spec.update(print_colour=other, dot_colour=third, rib=bool(rng.random() < 0.5))
    return spec


def _light(rng):
    """A window, an even sky, one lamp or two, each somewhere else every time."""
    kind, a = rng.choice(["window", "overcast", "lamp", "two"]), rng.uniform(0, 2*np.pi)
    at = lambda r, z, turn=0.0: (r*np.cos(a + turn), r*np.sin(a + turn), z)
    warm = (1.0, rng.uniform(0.88, 0.97), rng.uniform(0.72, 0.92))
    if kind == "window":
        return dict(ambient=(rng.uniform(0.2, 0.5), (0.95, 0.97, 1.0)), lamps=[dict(at=at(1800, rng.uniform(900, 1600)), aim=(0, 0, 0), size=(1100, 1300), power=2600)])
    if kind == "overcast":
        return dict(ambient=(rng.uniform(0.6, 0.9), (0.97, 0.98, 1.0)), lamps=[dict(at=at(1700, 1900), aim=(0, 0, 0), size=(1800, 1400), power=1500)])
    lamp = lambda turn, r: dict(at=at(r, rng.uniform(1300, 1900), turn), aim=(0, 0, 0), size=(s := rng.uniform(60, 240), s), power=1500, colour=warm, shape="DISK")
    lamps = [lamp(0, rng.uniform(500, 1200))] + ([lamp(rng.uniform(1, 5), rng.uniform(600, 1200))] if kind == "two" else [])
    return dict(ambient=(rng.uniform(0.1, 0.25), (1.0, 0.95, 0.9)), lamps=lamps)


def _props(rng, reach, z):
    """Things that lie about beyond the garment, now and then one on it."""
    props = []
    for _ in range(int(rng.integers(0, 5))):
        a = rng.uniform(0, 2*np.pi)
        at = tuple((reach + rng.uniform(60, 150, 2))*np.array([np.cos(a), np.sin(a)])*1.25)
        colour = CLOTHS[rng.integers(len(CLOTHS))]
        props.append([("scissors", at, rng.uniform(0, 360), z), ("spool", at, colour, z), ("pin", at, rng.uniform(0, 360)),
                      ("scrap", at, (rng.uniform(60, 200), rng.uniform(60, 160)), rng.uniform(0, 90), colour, z),
                      ("book", at, (150, 210), rng.uniform(0, 90), colour, z), ("ruler", at, rng.uniform(0, 180), 300, 30, z)][rng.integers(6)])
    if rng.random() < 0.2:
        props.append(("weight", tuple(rng.uniform(-40, 40, 2)), 2.6))
    if rng.random() < 0.15:
        props.append(("photographer", (rng.uniform(-300, 300), -1000)))
    return props


def scene(seed):
    rng = np.random.default_rng(12000 + seed)
    mat, grid, pitch, half = _ground(rng)
    path = str(rng.choice(list(PATHS)))
    size, wide = HALF_SIZE[path], rng.random() < 0.5
    angle = rng.uniform(-8, 8)
    if (size[0] > size[1]) == (half[0] <= half[1]):
        angle += 90
    turned = size[::-1] if angle > 45 else size
    scale = float(np.clip(min(half/turned)*rng.uniform(0.75, 0.95), 0.5, 1.3))
    thickness = float(np.round(rng.uniform(1.2, 5.5), 1))
    tilt = 24*rng.random()**1.5
    pixels = (3264, 2448) if wide else (2448, 3264)
    roll = rng.uniform(-8, 8) + (90 if wide else 0)
    far = np.array(half) + 25
    height = float((far/(np.sort(pixels)/2)).max()*optics.focal_px(26, *pixels)*rng.uniform(1.02, 1.3)*(1 + 0.4*np.sin(np.radians(tilt))))
    z = -mat.get("height", 2.5) if mat.get("kind") != "tiles" else 0.0
    bright = sum(mat["base"])/765
    return dict(
        note=f"by lot: {path}, {pitch}", args=["--grid", pitch, "--thickness", f"{thickness:g}mm"], expect="accept",
        mat=mat, grid=grid, table=(str(rng.choice(["wood", "stone"])), MATS[rng.integers(len(MATS))] if rng.random() < 0.4 else (140, 104, 72)),
        garment=dict(path=path, scale=scale, angle=float(angle), at=tuple(rng.uniform(-15, 15, 2)), thickness=thickness, mirror=bool(rng.random() < 0.3), shape=SOFT),
        cloth=_cloth(rng, mat["base"]),
        camera=dict(size=pixels, f35=26, height_mm=height, tilt=tilt, tilt_towards=rng.uniform(0, 360), roll=roll, look_at=tuple(rng.uniform(-15, 15, 2)),
                    k1=rng.uniform(-0.05, 0.04), focal_off=float(rng.normal(0, 0.006))),
        props=_props(rng, scale*np.array(turned), z), light=_light(rng), orientation=int(rng.choice([1, 1, 6, 8, 3])),
        finish=dict(exposure=float(rng.uniform(0.35, 0.6)*(1.1 - 0.25*bright)), balance=(rng.uniform(0.94, 1.06), 1, rng.uniform(0.88, 1.06)), noise=rng.uniform(0.6, 2.5),
                    quality=int(rng.integers(82, 95))),
        seed=5000 + seed)


SCENES = {f"lot-{seed:03}": scene(seed) for seed in range(COUNT)}
