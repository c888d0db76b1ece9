#!/usr/bin/env python3
"""Random scenes without a mat, drawn flat with exact truth: rulers, printed cards or a sheet of paper beside the cloth.

    python drawn_references.py OUT --from 0 --to 40
    CLOTHLINE_PHOTOS=OUT bash ../../tests/run.sh accuracy

Rulers of steel, wood, plastic, see-through and gridded ones; tables, floors, carpets and tablecloths. Like `drawn_scenes.py`
they are to look for gross faults among hundreds. Needs no Blender.
"""
import os
from dataclasses import dataclass

import cv2
import numpy as np

import drawn_scenes as drawn
import finish
import optics
import textures
from printed import card_picture

S, BOX, INCH = drawn.S, drawn.BOX, 25.4
KINDS = ("ruler", "ruler", "ruler", "rulers as an l", "rulers as an l", "rulers opposite", "cards", "sheet")
# What a ruler is made of: its face and its ink.
BODIES = dict(steel=((168, 170, 172), (30, 30, 32)), white=((236, 236, 232), (20, 20, 24)), wood=((206, 166, 104), (24, 18, 12)),
              yellow=((240, 210, 60), (20, 20, 20)), black=((36, 36, 40), (230, 230, 228)), clear=((238, 240, 240), (40, 40, 46)))


@dataclass
class Thing:
    """A flat printed thing: its face (linear BGR, row 0 = upper side), size, middle, turn, and how high its face lies (mm)."""
    face: np.ndarray
    size: tuple
    at: np.ndarray
    turn: float
    height: float
    clear: bool = False

    def axes(self):
        a = np.radians(self.turn)
        return np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])

    def corners(self):
        u, v = self.axes()
        return np.array([self.at + i*self.size[0]/2*u + j*self.size[1]/2*v for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))])

    def over(self, rays, p, camera, light):
        """Painted over the rays that would meet the table at `p`."""
        foot, height = camera.centre[:2], camera.centre[2]
        at = foot + (p - foot)*(1 - self.height/height)
        u, v = self.axes()
        x, y = (at - self.at) @ u, (at - self.at) @ v
        ray_mm = np.linalg.norm(at[0, 1] - at[0, 0])
        cover = np.clip(np.minimum(self.size[0]/2 - abs(x), self.size[1]/2 - abs(y))/ray_mm + 0.5, 0, 1)[..., None].astype(np.float32)
        if not cover.any():
            return rays
        h, w = self.face.shape[:2]
        column, row = (x/self.size[0] + 0.5)*w - 0.5, (0.5 - y/self.size[1])*h - 0.5
        face = cv2.remap(self.face, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return rays*(1 - cover) + (rays*face if self.clear else face*light)*cover


def graduation(kind, fine):
    """mm from tick to tick, and (every how many, how long) of the longer ones, the longest first."""
    if kind == "mm":
        return fine, ((round(10/fine), 8.5), (round(5/fine), 6.5), (round(1/fine), 4.5), (1, 3.0 if fine < 1 else 4.5))
    return INCH/fine, tuple((fine >> k, t) for k, t in enumerate((10.5, 8.5, 6.5, 5.0, 3.8, 3.0)) if fine >> k >= 1)


def ruler_face(rng, length, sides, width, base, ink, margin, grid, backwards, s=12):
    """`sides`: the graduations along the upper and the lower side, or None; `grid`: lines all over, so far apart, or 0."""
    u = rng.uniform
    h, w = int(round(width*s)), int(round((length + 2*margin)*s))
    s = w/(length + 2*margin)
    p = np.full((h, w, 3), textures.srgb(base), np.float32)
    gleam = rng.normal(0, u(0.01, 0.08), (1, max(2, int(length/60)))).astype(np.float32)
    p *= (1 + cv2.resize(gleam, (w, 1), interpolation=cv2.INTER_CUBIC))[..., None]
    p *= (1 + u(0.004, 0.02)*textures.mottle(rng, p.shape[:2], ((60, 1.0), (6, 0.6))))[..., None]
    ink, line = textures.srgb(ink), u(0.15, 0.32)
    inset, longer = (0.0 if rng.random() < 0.7 else u(0.2, 1.5)), u(0.8, 1.15)
    crowded = all(sides) and width < 34
    for lower, side in enumerate(sides):
        if side is None:
            continue
        step, levels = graduation(*side)
        for k in range(int(length/step + 1e-6) + 1):
            tall = min(longer*next(t for every, t in levels if k % every == 0), 0.45*width)
            x = (margin + (length - k*step if lower and backwards else k*step))*s
            cover = textures._coverage(w, [x - 0.5], line*s)
            on = np.flatnonzero(cover)
            rows = slice(int(inset*s), int((inset + tall)*s))
            rows = slice(h - rows.stop, h - rows.start) if lower else rows
            c = cover[on][None, :, None]
            p[rows, on[0]:on[-1] + 1] = p[rows, on[0]:on[-1] + 1]*(1 - c) + ink*c
            if k and k % levels[0][0] == 0:
                text, size = str(k//levels[0][0]), 0.010*s*min(width, 30)*(0.7 if crowded else 1)
                (tw, th), _ = cv2.getTextSize(text, textures.FONT, size, 3)
                below = int((inset + tall + 1)*s)
                cv2.putText(p, text, (int(x - tw/2), h - below if lower else below + th), textures.FONT, size, ink.tolist(), 3, cv2.LINE_AA)
    if grid:
        lines = [textures._coverage(n, [(off + k*grid)*s - 0.5 for k in range(int(n/s/grid) + 1)], 0.25*s) for n, off in ((w, margin), (h, 0))]
        cover = np.maximum(lines[0][None, :], lines[1][:, None])[..., None]
        p = p*(1 - cover) + ink*cover
    return np.clip(p + 0.5, 0, 255).astype(np.uint8)


def ruler_by_lot(rng, most):
    """A ruler no longer than `most` mm: its face, size, whether it is clear, the length to type, and words."""
    u = rng.uniform
    inches = rng.random() < 0.45
    lengths = [12, 18, 24, 36] if inches else [300, 450, 500, 600, 1000]
    lengths = [v for v in lengths if v*(INCH if inches else 1) <= most] or lengths[:1]
    weights = np.arange(1, len(lengths) + 1)
    number = int(rng.choice(lengths, p=weights/weights.sum()))
    length = number*INCH if inches else float(number)
    typed = f"{number}in" if inches else f"{number}mm" if rng.random() < 0.5 else f"{number/10:g}cm"
    body = str(rng.choice([*BODIES, "clear"]))
    base, ink = BODIES[body]
    if body == "clear" and rng.random() < 0.4:
        ink = (160, 30, 40)
    fine = int(rng.choice([8, 16, 16, 32])) if inches else float(rng.choice([1, 1, 1, 0.5]))
    if length > 350:
        fine = min(fine, 16) if inches else 1.0
    own, foreign = (("in", fine), ("mm", 1.0)) if inches else (("mm", fine), ("in", 16))
    other = foreign if rng.random() < 0.4 else own if rng.random() < 0.5 else None
    width, grid = u(18, 34), 0.0
    if body == "clear" and rng.random() < 0.5:
        width = float(rng.choice([2, 3, 6]))*INCH if inches else float(rng.choice([50, 80, 150]))
        grid, other, body = INCH if inches else 10.0, own, "gridded clear"
    margin, backwards = float(rng.choice([0.0, u(2, 8)])), rng.random() < 0.5
    sides = (own, other) if other is None or rng.random() < 0.6 else (other, own)
    face = ruler_face(rng, length, sides, width, base, ink, margin, grid, backwards)
    words = f"{body} {typed} in {own[0]}/{own[1]:g}" + (f" and {other[0]}/{other[1]:g}" if other else "") + f", {width:.0f} mm wide"
    return drawn.linear(face), (length + 2*margin, width), "clear" in body, typed, words


def rulers(rng, kind, lo, hi):
    u = rng.uniform
    middle, size = (lo + hi)/2, hi - lo
    first, sign, gap = int(size[0] < size[1]), rng.choice([-1, 1]), u(12, 50)

    def beside(ruler, axis, sign, along):
        face, extent, clear, _, _ = ruler
        at = np.empty(2)
        at[axis], at[1 - axis] = along, (hi if sign > 0 else lo)[1 - axis] + sign*(gap + extent[1]/2 + 6)
        return Thing(face, extent, at, u(-4, 4) + 90*axis + 180*rng.integers(2), u(0.4, 1.5), clear)

    one = ruler_by_lot(rng, 1.25*size.max())
    things = [beside(one, first, sign, middle[first] + u(-0.1, 0.1)*size[first])]
    args, words = ["--ruler", one[3]], [one[4]]
    if kind != "ruler":
        two = one if rng.random() < 0.6 else ruler_by_lot(rng, 1.25*size.max())
        if kind == "rulers opposite":
            things.append(beside(two, first, -sign, middle[first] + u(-0.1, 0.1)*size[first]))
        else:       # out of the first one's way
            room = max(0.0, two[1][0]/2 - size[1 - first]/2 - gap + 10)
            things.append(beside(two, 1 - first, rng.choice([-1, 1]), middle[1 - first] - sign*room))
        if two is not one or rng.random() < 0.5:
            args += ["--ruler", two[3]]
        words.append("the same" if two is one else two[4])
    return things, args, "; ".join(words)


def cards(rng, lo, hi):
    u = rng.uniform
    middle, size = (lo + hi)/2, hi - lo
    black, count, number = float(rng.choice([80, 80, 79.2, 60, 100])), int(rng.integers(3, 7)), int(rng.integers(0, 20))
    things = []
    for k, (i, j) in enumerate([(-1, -1), (1, 1), (1, -1), (-1, 1), (0, -1), (0, 1)][:count]):
        picture, side = card_picture(number + k, black)
        at = middle + np.array([i*size[0]/2*u(0.7, 1.0), j*(size[1]/2 + side*u(0.6, 0.9))])
        things.append(Thing(drawn.linear(picture), (side, side), at, u(-60, 60), 0.1))
    return things, ["--card", f"{black:g}mm"], f"{count} of {black:g} mm"


def sheet(rng, lo, hi):
    u = rng.uniform
    middle, size = (lo + hi)/2, hi - lo
    name, extent = (("a4", (210.0, 297.0)), ("letter", (215.9, 279.4)))[rng.integers(2)]
    tone, quarter = int(u(225, 245)), int(rng.integers(2))
    picture = np.full((int(extent[1]*3), int(extent[0]*3), 3), (tone - 3, tone, tone), np.uint8)
    side = int(size[0] > size[1])
    at = middle + u(-0.2, 0.2)*size
    at[side] = hi[side] + u(15, 40) + 0.57*extent[(side + quarter) % 2]
    return [Thing(drawn.linear(picture), extent, at, u(-12, 12) + 90*quarter, 0.1)], ["--sheet", name], name


def ground_by_lot(rng):
    """The drawn plane (linear BGR) and its main colour: a table or floor, plain, striped, chequered or a carpet."""
    u = rng.uniform
    kind = str(rng.choice(["wood", "wood", "stone", "stone", "striped", "chequered", "carpet"]))
    base = tuple(int(v) for v in u(50, 225)*np.array([1, u(0.75, 1), u(0.55, 1)]))
    plane = drawn.linear((textures.wood if kind == "wood" else textures.stone)(rng, *BOX, base, S).picture)
    h, w = plane.shape[:2]
    if kind in ("striped", "chequered"):
        period, angle, other = u(8, 60), u(0, np.pi), drawn.linear(np.uint8([[rng.integers(20, 240, 3)]]))[0, 0]
        x, y = np.arange(w, dtype=np.float32)[None]/S, np.arange(h, dtype=np.float32)[:, None]/S
        for turn in (0, np.pi/2)[:1 if kind == "striped" else 2]:
            a = angle + turn
            dyed = 0.6*(((x*np.cos(a) + y*np.sin(a)) % period) < 0.4*period).astype(np.float32)[..., None]
            plane = plane*(1 - dyed) + other*dyed
        plane = cv2.GaussianBlur(plane, (0, 0), 0.8)
    if kind == "carpet":
        tufts = rng.normal(1, 0.25, (h//2, w//2)).astype(np.float32)
        plane *= cv2.resize(tufts, (w, h), interpolation=cv2.INTER_NEAREST)[..., None].clip(0.2, 2)
    return plane, base, kind


def shaded(rng, plane, thing):
    """The plane with the thing's shadow."""
    u = rng.uniform
    away, c = u(0, 2*np.pi), thing.corners()
    px = np.c_[(c[:, 0] - BOX[0])*S - 0.5, (BOX[3] - c[:, 1])*S - 0.5] + np.array([np.cos(away), np.sin(away)])*thing.height*u(0.2, 1.5)*S
    cover = np.zeros(plane.shape[:2], np.uint8)
    cv2.fillPoly(cover, [np.round(px*64).astype(np.int32)], 255, cv2.LINE_AA, 6)
    soft = cv2.GaussianBlur(cover.astype(np.float32)/255, (0, 0), u(0.3, 1.5)*S)
    return plane*(1 - (u(0.05, 0.15) if thing.clear else u(0.2, 0.55))*soft)[..., None]


def seen(plane, light, things, camera):
    """What the camera sees of the plane and of what lies on it, four rays a pixel."""
    twice = optics.scaled(camera, 2)
    out = np.empty((camera.height, camera.width, 3), np.float32)
    x, y = optics.undistorted(twice)
    back = np.linalg.inv(np.c_[camera.R[:, :2], camera.t])
    for a in range(0, camera.height, 252):
        rows = slice(2*a, 2*min(a + 252, camera.height))
        p = np.stack([x[rows], y[rows], np.ones_like(x[rows])], -1) @ back.T
        p = p[..., :2]/p[..., 2:]
        u, v = ((p[..., 0] - BOX[0])*S - 0.5).astype(np.float32), ((BOX[3] - p[..., 1])*S - 0.5).astype(np.float32)
        there = lambda picture: cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        lit = there(light)[..., None]
        rays = there(plane)*lit
        for thing in things:
            rays = thing.over(rays, p, camera, lit)
        out[rows.start//2:rows.stop//2] = rays.reshape(len(rays)//2, 2, camera.width, 2, 3).mean((1, 3))
    return cv2.GaussianBlur(out, (0, 0), 0.7)


def camera_by_lot(rng, points):
    """One that has all points in view."""
    lo, hi = points.min(0), points.max(0)
    middle, half = (lo + hi)/2, (hi - lo)/2 + 25
    wide = (half[0] > half[1]) != (rng.random() < 0.1)
    size = (4032, 3024) if wide else (3024, 4032)
    f35, tilt = int(rng.choice([24, 26, 28])), 18*rng.random()**1.3
    height = (half/(np.array(size)/2)).max()*optics.focal_px(f35, *size)*rng.uniform(1.05, 1.25)*(1 + 0.5*np.sin(np.radians(tilt)))
    camera = optics.make(*size, f35, height, tilt, rng.uniform(0, 360), rng.uniform(-6, 6), look_at=tuple(middle), k1=rng.uniform(-0.05, 0.04),
                         focal_off=rng.normal(0, 0.006))
    return camera, f35, tilt, height


def make(seed, out):
    rng = np.random.default_rng(70000 + seed)
    kind = str(rng.choice(KINDS))
    plane, base, ground = ground_by_lot(rng)
    own, placed, m = drawn.garment_by_lot(rng, (rng.uniform(190, 420), rng.uniform(150, 300)))
    spec = drawn.cloth_by_lot(rng, base)
    if np.abs(np.array(spec["base"]) - np.array(base)).sum() < 90:      # alike cloth needs a mat
        spec["base"] = tuple(int(v) for v in (np.array(spec["base"]) + 110) % 240)
    lo, hi = placed.outline.min(0), placed.outline.max(0)
    things, args, words = cards(rng, lo, hi) if kind == "cards" else sheet(rng, lo, hi) if kind == "sheet" else rulers(rng, kind, lo, hi)
    empty = rng.random() < 0.08
    if not empty:
        plane = drawn.laid(rng, plane, own, placed, m, spec)
    for thing in things:
        plane = shaded(rng, plane, thing)
    light = drawn.lamps(rng, np.ones(plane.shape[:2] + (1,), np.float32))[..., 0]
    everything = np.vstack([placed.outline] + [thing.corners() for thing in things])
    camera, f35, tilt, height = camera_by_lot(rng, everything)
    uv = camera.project(everything)
    if (uv.min(0) < 10).any() or (uv.max(0) > np.array([camera.width, camera.height]) - 10).any():
        print(f"r{seed:04}: something leaves the picture, left out", flush=True)
        return
    balance = (rng.uniform(0.9, 1.12), 1, rng.uniform(0.85, 1.12))
    photo = finish.develop(seen(plane, light, things, camera), seed + 1, rng.uniform(0.35, 0.65), balance, rng.uniform(0, 0.9), rng.uniform(0.5, 4))
    name = os.path.join(out, f"r{seed:04}")
    exif = rng.random() < 0.85
    finish.jpeg(name + ".jpg", photo, 1, f35 if exif else None, int(rng.uniform(80, 95)), rng.random() < 0.4)
    note = f"{kind} ({words}) on {ground}, {'nothing else' if empty else spec['kind']}, tilt {tilt:.0f}"
    expected = dict(expect="refuse", refuse_code="no-cloth") if empty else dict(expect="accept")
    drawn.write_truth(name, camera, height, tilt, placed.outline, note=note, args=args + ["--thickness", "0mm"], grid=None, f35=f35, exif=exif,
                      **expected)
    print(f"r{seed:04}: {note}", flush=True)


if __name__ == "__main__":
    drawn.main(make, __doc__)
