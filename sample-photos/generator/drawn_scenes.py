#!/usr/bin/env python3
"""Random scenes drawn flat, with exact truth: a 12 MP photo in half a minute, to look for gross faults among hundreds.

    python drawn_scenes.py OUT --from 0 --to 40
    CLOTHLINE_PHOTOS=OUT bash ../../tests/run.sh accuracy

Mats, boards, tiles, cloth, tilt, lens, lamps and shadows are drawn by lot. The cloth is a picture laid on the mat's: its rim,
its shadow and the mat's darkness beside it are painted, not traced, so a tenth of a millimetre proves nothing here; a
chequered board counted as lines, a bulge of the outline or a refused photo does. Needs no Blender.
"""
import argparse
import json
import os

import cv2
import numpy as np
from shapely.geometry import Polygon

import finish
import garments
import optics
import textures

S = 4.0                                     # pixels per mm of the drawn plane
BOX = (-800, 800, -650, 650)
FILLED_BEYOND_MM = 0.085                    # measured by the area of squares
INCH = 25.4
MATS = [((38, 92, 70), (210, 220, 200)), ((30, 52, 104), (200, 210, 225)), ((34, 35, 38), (150, 150, 150)),
        ((120, 124, 128), (236, 238, 240)), ((214, 140, 160), (250, 240, 245)), ((20, 96, 100), (220, 225, 180)),
        ((84, 62, 120), (220, 215, 230)), ((206, 190, 160), (90, 80, 70)), ((196, 98, 50), (250, 235, 220)),
        ((238, 238, 236), (60, 62, 66)), ((238, 239, 240), (120, 160, 200)), ((232, 224, 206), (60, 90, 140))]
SHAPES = ("tee", "trousers", "skirt", "sleeve", "shorts", "dungarees", "bodice")


def linear(bgr8):
    return (bgr8.astype(np.float32)/255)**2.2


def ground_by_lot(rng):
    """The drawn plane (linear BGR), its grid (pitch, half sizes in mm, colour) and what it is."""
    u = rng.uniform
    table = tuple(int(v) for v in u(60, 210)*np.array([1, u(0.8, 1), u(0.6, 1)]))
    plane = (textures.wood if rng.random() < 0.5 else textures.stone)(rng, *BOX, table, S).picture
    kind = rng.choice(["mat", "mat", "mat", "mat", "chess", "tiles"])
    if kind == "tiles":
        pitch, base = float(rng.choice([150, 200, 300])), tuple(int(v) for v in u(90, 225)*np.array([1, 0.96, 0.92]))
        spec = dict(box=BOX, base=base, pitch=pitch, grout=u(2, 5), grout_colour=(60, 58, 54) if sum(base) > 360 else (200, 198, 190), px_per_mm=S)
        return linear(textures.tiles(rng, spec).picture), pitch, (560, 420), base, kind
    if kind == "chess":
        pitch = float(rng.choice([20, 25, INCH, 40]))
    else:
        pitch = float(rng.choice([10, 10, 20, 50, INCH, INCH, INCH/2]))
    half = [int(v/pitch)*pitch for v in (u(300, 450), u(230, 320))]
    box = (-half[0] - 12, half[0] + 12, -half[1] - 12, half[1] + 12)
    base, ink = MATS[rng.integers(len(MATS))]
    fine = u(0.25, 0.6)
    spec = dict(box=box, base=base, rim=12.0, layers=[(pitch, fine, ink, u(0.4, 0.9))], px_per_mm=S, ink=ink, stroke=fine)
    if kind == "chess":
        base = (230, 228, 222)
        spec.update(base=base, layers=[], chess=pitch, chess_colour=(40, 40, 44))
    else:
        bold = int(rng.choice([1, 5, 10])) if pitch < 20 else int(rng.choice([1, 1, 6]))
        if bold > 1:
            spec["layers"].append((bold*pitch, fine*u(1.4, 2.4), ink, 0.9))
        if rng.random() < 0.5:
            spec["numerals"] = bold*pitch if bold > 1 else max(pitch, 25.0)
        spec["diagonals"] = tuple(rng.choice([30, 45, 60], rng.integers(0, 3), replace=False))
    sheet = textures.mat(rng, spec)
    h, w = sheet.picture.shape[:2]
    x, y = (int(round(v)) for v in ((box[0] - BOX[0])*S, (BOX[3] - box[3])*S))
    plane[y:y+h, x:x+w] = sheet.picture
    return linear(plane), pitch, tuple(half), base, kind


def garment_by_lot(rng, half):
    """A garment in its own frame, as it lies along the longer side of its mat, and mat_from_own."""
    own = garments.make(str(rng.choice(SHAPES)))
    size = own.outline.max(0) - own.outline.min(0)
    turned = size[0] < size[1]
    room = (2*np.array(half[::-1] if turned else half) - 30) / size
    scale = min(1.3, room.min()*rng.uniform(0.75, 0.95))
    own.outline, own.fold = own.outline*scale, own.fold*scale
    placed, m = garments.place(own, rng.normal(0, 8) + (90 if turned else 0), rng.uniform(-10, 10, 2), rng.random() < 0.5)
    return own, placed, m


def cloth_by_lot(rng, mat):
    any_colour = lambda: tuple(int(v) for v in rng.uniform(15, 240, 3))
    alike = tuple(int(v) for v in np.clip(np.array(mat)*rng.uniform(0.8, 1.2), 8, 245))
    base = alike if rng.random() < 0.25 else any_colour()
    other = alike if rng.random() < 0.3 else any_colour()
    period = rng.uniform(5, 40)
    width = period*rng.uniform(0.25, 0.6)
    kind = str(rng.choice(["plain", "plain", "heather", "stripes", "check", "print", "denim"]))
    return dict(kind=kind, base=base, stripes=[(period, width, other)], checks=[(period, width, other, 0.6)], print_step=rng.uniform(10, 30),
                print_colour=other, dot_colour=any_colour(), thread=any_colour(), weave=rng.uniform(0.02, 0.06), rib=False)


def laid(rng, plane, own, placed, m, spec):
    """The plane with the cloth on it, its rim rounded, its shadow cast."""
    u = rng.uniform
    h, w = plane.shape[:2]
    pixel = lambda p: np.c_[(p[:, 0] - BOX[0])*S - 0.5, (BOX[3] - p[:, 1])*S - 0.5]
    # Polygons are filled with their border pixels: drawn at twice the size, and smaller by what that adds.
    ring = np.array(Polygon(placed.outline).buffer(-FILLED_BEYOND_MM, join_style="mitre").exterior.coords)
    big = np.zeros((2*h, 2*w), np.uint8)
    cv2.fillPoly(big, [np.round((2*pixel(ring) + 0.5)*64).astype(np.int32)], 255, cv2.LINE_AA, 6)
    cover = cv2.resize(big, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32)/255
    hard = (cover > 0.5).astype(np.uint8)
    inside, outside = (cv2.distanceTransform(v, cv2.DIST_L2, 5)/S for v in (hard, 1 - hard))
    sheet = textures.cloth(rng, own, spec, 5.0)
    s = sheet.px_per_mm
    sheet_from_own = np.array([[s, 0, -sheet.x0*s - 0.5], [0, -s, sheet.y1*s - 0.5], [0, 0, 1]])
    plane_from_mat = np.array([[S, 0, -BOX[0]*S - 0.5], [0, -S, BOX[3]*S - 0.5], [0, 0, 1]])
    warp = plane_from_mat @ np.vstack([m, [0, 0, 1]]) @ np.linalg.inv(sheet_from_own)
    cloth = linear(cv2.warpAffine(sheet.picture, warp[:2].astype(np.float32), (w, h), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE))
    cloth *= np.exp(u(0.01, 0.06)*textures.mottle(rng, (h, w), ((700, 1.0), (200, 0.6))))[..., None]
    thick = u(0.8, 3.5)
    cloth *= (1 - u(0.1, 0.4)*np.clip(1 - inside/(0.5*thick), 0, 1)**2)[..., None]
    away = u(0, 2*np.pi)
    shift = np.float32([[1, 0, np.cos(away)*thick*u(0.3, 2)*S], [0, 1, np.sin(away)*thick*u(0.3, 2)*S]])
    shade = 1 - u(0.2, 0.7)*cv2.GaussianBlur(cv2.warpAffine(cover, shift, (w, h)), (0, 0), u(0.3, 3)*S)
    shade *= 1 - u(0.1, 0.5)*np.exp(-outside/(thick*u(0.3, 1)))
    tint = np.array([1 + u(-0.05, 0.25), 1, 1], np.float32)
    return plane*shade[..., None]**(1/tint)*(1 - cover[..., None]) + cloth*cover[..., None]


def lamps(rng, picture):
    u = rng.uniform
    h, w = picture.shape[:2]
    x = np.linspace(-1, 1, w, dtype=np.float32)[None]
    y = np.linspace(-1, 1, h, dtype=np.float32)[:, None]
    a = u(0, 2*np.pi)
    light = 1 + u(0, 0.35)*(np.cos(a)*x + np.sin(a)*y)
    if rng.random() < 0.3:      # whoever holds the phone
        light = light*(1 - u(0.2, 0.5)/(1 + np.exp((np.hypot(x - u(-1, 1), y - 1) - u(0.4, 0.8))/u(0.03, 0.1))))
    if rng.random() < 0.2:      # a window's bar
        light = light*(1 - u(0.25, 0.6)/(1 + np.exp(np.clip((x*np.cos(a) + y*np.sin(a) - u(-0.4, 0.4))/u(0.005, 0.02), -60, 60))))
    return picture*light[..., None].astype(np.float32)


def seen(picture, camera):
    """What the camera sees of the plane, four rays a pixel."""
    twice = optics.scaled(camera, 2)
    out = np.empty((camera.height, camera.width, 3), np.float32)
    x, y = optics.undistorted(twice)
    back = np.linalg.inv(np.c_[camera.R[:, :2], camera.t])
    for a in range(0, camera.height, 252):
        rows = slice(2*a, 2*min(a + 252, camera.height))
        p = np.stack([x[rows], y[rows], np.ones_like(x[rows])], -1) @ back.T
        u = ((p[..., 0]/p[..., 2] - BOX[0])*S - 0.5).astype(np.float32)
        v = ((BOX[3] - p[..., 1]/p[..., 2])*S - 0.5).astype(np.float32)
        rays = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        out[rows.start//2:rows.stop//2] = rays.reshape(len(rays)//2, 2, camera.width, 2, 3).mean((1, 3))
    return cv2.GaussianBlur(out, (0, 0), 0.7)


def camera_by_lot(rng, half, wide):
    size = (4032, 3024) if wide else (3024, 4032)
    f35, tilt = int(rng.choice([24, 26, 28])), 20*rng.random()**1.3
    f = optics.focal_px(f35, *size)
    across = np.array(half if wide == (half[0] > half[1]) else half[::-1]) + 20
    roll = rng.uniform(-8, 8) + (0 if wide == (half[0] > half[1]) else 90)
    height = (across/(np.array(size)/2)).max()*f*rng.uniform(1.05, 1.25)*(1 + 0.5*np.sin(np.radians(tilt)))
    return optics.make(*size, f35, height, tilt, rng.uniform(0, 360), roll, k1=rng.uniform(-0.06, 0.05)), f35, tilt, height


def write_truth(name, camera, height, tilt, outline, **more):
    values = dict(units="mm", **more, thickness_mm=0.0, orientation=1, hidden=[],
                  camera=dict(K=camera.K.tolist(), R=camera.R.tolist(), t=camera.t.tolist(), k1=camera.k1, k2=0.0,
                              height_mm=height, tilt_deg=tilt, width=camera.width, height=camera.height),
                  outline=np.round(outline, 4).tolist())
    with open(name + ".truth.json", "w") as f:
        json.dump(values, f)


def make(seed, out):
    rng = np.random.default_rng(seed)
    plane, pitch, half, base, kind = ground_by_lot(rng)
    wide = rng.random() < 0.6
    own, placed, m = garment_by_lot(rng, half)
    spec = cloth_by_lot(rng, base)
    picture = lamps(rng, laid(rng, plane, own, placed, m, spec))
    camera, f35, tilt, height = camera_by_lot(rng, half, wide)
    uv = camera.project(placed.outline)
    if (uv.min(0) < 30).any() or (uv.max(0) > np.array([camera.width, camera.height]) - 30).any():
        print(f"d{seed:04}: the garment leaves the picture, left out", flush=True)
        return
    balance = (rng.uniform(0.9, 1.12), 1, rng.uniform(0.85, 1.12))
    photo = finish.develop(seen(picture, camera), seed + 1, rng.uniform(0.35, 0.7), balance, rng.uniform(0, 0.9), rng.uniform(0.5, 4))
    name = os.path.join(out, f"d{seed:04}")
    exif = rng.random() < 0.85
    finish.jpeg(name + ".jpg", photo, 1, f35 if exif else None, int(rng.uniform(78, 95)), rng.random() < 0.4)
    note = f"{kind} of {pitch:g} mm, {spec['kind']}, tilt {tilt:.0f}"
    write_truth(name, camera, height, tilt, placed.outline, note=note, args=["--grid", f"{pitch:g}mm", "--thickness", "0mm"], expect="accept",
                grid=dict(pitch_mm=pitch), f35=f35, exif=exif)
    print(f"d{seed:04}: {note}", flush=True)


def main(make, doc):
    ap = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out")
    ap.add_argument("--from", type=int, default=0, dest="first")
    ap.add_argument("--to", type=int, default=40)
    o = ap.parse_args()
    os.makedirs(o.out, exist_ok=True)
    for seed in range(o.first, o.to):
        make(seed, o.out)


if __name__ == "__main__":
    main(make, __doc__)
