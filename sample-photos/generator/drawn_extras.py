#!/usr/bin/env python3
"""Random scenes with more than one photo or reference, drawn flat with exact truth: a photo of the bare mat, long garments
in two or three photos (on a mat or among cards), stickers on the cloth, a mat with a card, ruler or sheet lying on it.

    python drawn_extras.py OUT --from 0 --to 40
    CLOTHLINE_PHOTOS=OUT bash ../../tests/run.sh accuracy

Like `drawn_scenes.py` they are to look for gross faults among hundreds. Needs no Blender.
"""
import os

import cv2
import numpy as np
from shapely.geometry import LineString, Polygon

import drawn_references as beside
import drawn_scenes as drawn
import finish
import optics
from printed import card_picture, id_card_picture, ID_1

KINDS = ("bare", "bare", "joined", "joined", "joined cards", "marks", "marks", "mat and thing", "mat and thing", "ruler and card")
MARKS = dict(red=(206, 40, 44), orange=(240, 130, 30), yellow=(246, 222, 50), green=(60, 170, 80), blue=(40, 90, 200), purple=(120, 60, 170),
             pink=(240, 90, 160))


class Scene:
    """What lies there and in what light; photos of it are taken with `photograph`."""

    def __init__(self, rng, plane, things=()):
        for thing in things:
            plane = beside.shaded(rng, plane, thing)
        self.plane, self.things = plane, things
        self.light = drawn.lamps(rng, np.ones(plane.shape[:2] + (1,), np.float32))[..., 0]
        self.develop = dict(exposure=rng.uniform(0.35, 0.65), sharpen=rng.uniform(0, 0.9), noise=rng.uniform(0.5, 4))
        self.balance, self.quality = np.array([rng.uniform(0.9, 1.12), 1, rng.uniform(0.85, 1.12)]), int(rng.uniform(80, 95))
        self.exif = rng.random() < 0.85

    def photograph(self, rng, name, camera, f35, plane=None):
        """Exposure and white balance are the phone's own each time."""
        sight = beside.seen(self.plane if plane is None else plane, self.light, self.things if plane is None else (), camera)
        values = dict(self.develop, exposure=self.develop["exposure"]*rng.uniform(0.8, 1.2))
        photo = finish.develop(sight, int(rng.integers(1 << 30)), balance=self.balance*np.array([rng.uniform(0.97, 1.03), 1, rng.uniform(0.97, 1.03)]),
                               **values)
        finish.jpeg(name + ".jpg", photo, 1, f35 if self.exif else None, self.quality)


def truth(name, camera, f35, tilt, height, placed, scene, **more):
    drawn.write_truth(name, camera, height, tilt, placed.outline, f35=f35, exif=scene.exif, corners=[int(i) for i in placed.corners],
                      **dict(dict(expect="accept"), **more))


def in_view(camera, points, margin=15):
    uv = camera.project(points)
    return (uv.min(0) > margin).all() and (uv.max(0) < np.array([camera.width, camera.height]) - margin).all()


def bare(rng, name):
    plane, pitch, half, base, kind = drawn.ground_by_lot(rng)
    own, placed, m = drawn.garment_by_lot(rng, half)
    spec = drawn.cloth_by_lot(rng, base)
    if rng.random() < 0.6:
        spec["base"] = tuple(int(v) for v in np.clip(np.array(base)*rng.uniform(0.8, 1.2), 8, 245))
    wide = rng.random() < 0.6
    scene = Scene(rng, drawn.laid(rng, plane, own, placed, m, spec))
    camera, f35, tilt, height = drawn.camera_by_lot(rng, half, wide)
    if not in_view(camera, placed.outline):
        return None
    # From about the same place: some centimetres aside, a few degrees turned.
    towards, roll = rng.uniform(0, 360), rng.normal(0, 2)
    from_mat = optics._about(rng.normal(0, 1, 3), rng.normal(0, 2.5)) @ camera.R
    centre = camera.centre + rng.normal(0, 25, 3)
    again = optics.Camera(camera.K, optics._about((0, 0, 1), roll) @ from_mat, -(optics._about((0, 0, 1), roll) @ from_mat) @ centre, camera.k1, 0.0,
                          camera.width, camera.height)
    scene.photograph(rng, name, camera, f35)
    scene.photograph(rng, name + "-bare", again, f35, plane)
    note = f"{kind} of {pitch:g} mm and its bare photo, {spec['kind']}, tilt {tilt:.0f}"
    truth(name, camera, f35, tilt, height, placed, scene, note=note, grid=dict(pitch_mm=pitch), photos=[os.path.basename(name) + ".jpg"],
          args=["--grid", f"{pitch:g}mm", "--thickness", "0mm", "--bare", os.path.basename(name) + "-bare.jpg"])
    return note


def cameras_along(rng, lo, hi, count):
    """Cameras that share the box along its longer side, each seeing across all of it and well into its neighbour's part."""
    u, size = rng.uniform, hi - lo
    along = int(size[1] > size[0])
    part, across = size[along]/(count - (count - 1)*u(0.3, 0.5)), size[1 - along]
    f35, found = int(rng.choice([24, 26, 28])), []
    wide = (part > across) == (along == 0)
    frame = np.array((4032, 3024) if wide else (3024, 4032))
    f = optics.focal_px(f35, *frame)
    half = np.empty(2)
    half[along], half[1 - along] = part/2 + 15, across/2 + 25
    focal_off, k1 = rng.normal(0, 0.006), u(-0.05, 0.04)
    for i in range(count):
        middle = (lo + hi)/2
        middle[along] = lo[along] + part/2 + i*(size[along] - part)/max(1, count - 1)
        tilt = 14*rng.random()**1.3
        height = (half/(frame/2)).max()*f*u(1.08, 1.2)*(1 + 0.5*np.sin(np.radians(tilt)))
        found.append((optics.make(*frame.tolist(), f35, height, tilt, u(0, 360), u(-6, 6) + 180*rng.integers(2)*(rng.random() < 0.3),
                                  look_at=tuple(middle), k1=k1, focal_off=focal_off), tilt, height))
    return f35, found


def joined(rng, name, on_cards):
    u = rng.uniform
    while True:
        if on_cards:
            plane, base, kind = beside.ground_by_lot(rng)
            half = (u(450, 620), u(180, 260))
        else:
            plane, pitch, half, base, kind = drawn.ground_by_lot(rng)
        own, placed, m = drawn.garment_by_lot(rng, half)
        size = np.ptp(placed.outline, axis=0)
        if size.max() > 1.5*size.min():
            break
    spec = drawn.cloth_by_lot(rng, base)
    if on_cards and np.abs(np.array(spec["base"]) - np.array(base)).sum() < 90:
        spec["base"] = tuple(int(v) for v in (np.array(spec["base"]) + 110) % 240)
    lo, hi = placed.outline.min(0), placed.outline.max(0)
    things, args = [], ["--thickness", "0mm"]
    if on_cards:
        black, number, turned = float(rng.choice([80, 60, 100])), int(rng.integers(0, 20)), size[0] < size[1]
        step = u(1.6, 2.4)*black*1.3
        count = int(np.ceil(size.max()/step)) + 1
        for k in range(2*count):
            picture, side = card_picture(number + k, black)
            along = (k//2/(count - 1) - 0.5)*size.max()*0.95 + u(-0.1, 0.1)*black
            across = (-1 if k % 2 else 1)*(size.min()/2 + side*u(0.75, 1.0))
            at = (lo + hi)/2 + (np.array([across, along]) if turned else np.array([along, across]))
            things.append(beside.Thing(drawn.linear(picture), (side, side), at, u(-60, 60), 0.1))
        args, grid = ["--card", f"{black:g}mm"] + args, None
        everything = np.vstack([placed.outline] + [t.corners() for t in things])
        lo, hi = everything.min(0), everything.max(0)
    else:
        args, grid = ["--grid", f"{pitch:g}mm"] + args, dict(pitch_mm=pitch)
        lo, hi = lo - 40, hi + 40
    count = 3 if rng.random() < 0.25 else 2
    f35, found = cameras_along(rng, lo, hi, count)
    covered = sum(np.all((c.project(placed.outline) > 20) & (c.project(placed.outline) < np.array([c.width, c.height]) - 20), axis=1)
                  for c, _, _ in found)
    if (covered == 0).any():
        return None
    scene = Scene(rng, drawn.laid(rng, plane, own, placed, m, spec), things)
    names = [f"{name}-{'abc'[i]}" for i in range(count)]
    for n, (camera, _, _) in zip(names, found):
        scene.photograph(rng, n, camera, f35)
    note = f"{count} photos, {'cards' if on_cards else f'{kind} of {pitch:g} mm'}, {spec['kind']}, tilts {' '.join(f'{t:.0f}' for _, t, _ in found)}"
    truth(name, *found[0][:1], f35, *found[0][1:], placed, scene, note=note, grid=grid, args=args, photos=[os.path.basename(n) + ".jpg" for n in names])
    return note


def marks(rng, name):
    u = rng.uniform
    plane, pitch, half, base, kind = drawn.ground_by_lot(rng)
    own, placed, m = drawn.garment_by_lot(rng, half)
    spec = drawn.cloth_by_lot(rng, base)
    word = str(rng.choice(list(MARKS)))
    diameter = float(rng.choice([3, 4, 6, 8, 8, 10, 15]))
    inner = Polygon(own.outline).buffer(-diameter - 6)
    lo, hi = own.outline.min(0), own.outline.max(0)
    while True:
        a, b = u(lo, hi), u(lo, hi)
        way = b - a
        t = np.linspace(0, 1, 200)[:, None]
        line = a + way*t + np.array([-way[1], way[0]])*u(-0.15, 0.15)*4*t*(1 - t)
        if np.linalg.norm(way) > 0.35*np.linalg.norm(hi - lo) and inner.contains(LineString(line)):
            break
    count = int(rng.integers(4, 11))
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    at = (np.arange(count) + u(-0.15, 0.15, count))/(count - 1)*s[-1]
    places = np.c_[np.interp(at, s, line[:, 0]), np.interp(at, s, line[:, 1])]
    spec.update(marks=[tuple(p) for p in places], mark_mm=diameter, mark_colour=tuple(int(v) for v in np.clip(np.array(MARKS[word])*u(0.8, 1.1), 0, 255)))
    wide = rng.random() < 0.6
    scene = Scene(rng, drawn.laid(rng, plane, own, placed, m, spec))
    camera, f35, tilt, height = drawn.camera_by_lot(rng, half, wide)
    if not in_view(camera, placed.outline):
        return None
    scene.photograph(rng, name, camera, f35)
    note = f"{count} {word} marks of {diameter:g} mm on {spec['kind']} {spec['base']}, {kind} of {pitch:g} mm, tilt {tilt:.0f}"
    truth(name, camera, f35, tilt, height, placed, scene, note=note, grid=dict(pitch_mm=pitch), marks=np.round(places @ m[:, :2].T + m[:, 2], 4).tolist(),
          args=["--grid", f"{pitch:g}mm", "--thickness", "0mm", "--marks", word])
    return note


def id_card(rng, at):
    face = id_card_picture(rng, tuple(int(v) for v in rng.uniform(30, 225, 3)))
    return beside.Thing(drawn.linear(face), ID_1[:2], at, rng.uniform(0, 360), ID_1[3])


def mat_and_thing(rng, name):
    """A card, ruler, sheet or bank card on the mat checks it; one printed grid in three is up to 1 % off, which must be told."""
    u = rng.uniform
    plane, pitch, half, base, kind = drawn.ground_by_lot(rng)
    what = str(rng.choice(["card", "ruler", "sheet", "id card"]))
    lying = -1 if half[0] > half[1] else 1          # the garment leaves one end of the mat's longer side free
    free = {"card": 150, "ruler": 70, "sheet": 250, "id card": 110}[what]
    room = (half[0] - free/2, half[1]) if lying < 0 else (half[0], half[1] - free/2)
    own, placed, m = drawn.garment_by_lot(rng, room)
    shift = np.array([-free/2, 0]) if lying < 0 else np.array([0, -free/2])
    placed.outline, placed.fold, m = placed.outline + shift, placed.fold + shift, np.c_[m[:, :2], m[:, 2] + shift]
    lo, hi = placed.outline.min(0), placed.outline.max(0)
    args, words = [], what
    if what == "card":
        black = float(rng.choice([80, 60]))
        picture, side = card_picture(int(rng.integers(30)), black)
        things = [beside.Thing(drawn.linear(picture), (side, side), np.zeros(2), u(-60, 60), 0.1)]
        args = ["--card", f"{black:g}mm"]
    elif what == "ruler":
        face, extent, clear, typed, words = beside.ruler_by_lot(rng, 1.6*(half[1] if lying < 0 else half[0]))
        things, args = [beside.Thing(face, extent, np.zeros(2), (90 if lying < 0 else 0) + u(-3, 3), u(0.4, 1.5), clear)], ["--ruler", typed]
    elif what == "sheet":
        things, args, words = beside.sheet(rng, lo, hi)
    else:
        things, args = [id_card(rng, np.zeros(2))], ["--id-card"]
    axis = 0 if lying < 0 else 1
    reach = max(abs((things[0].corners() - things[0].at)[:, axis]))
    things[0].at = np.zeros(2)
    things[0].at[axis] = hi[axis] + reach + u(8, 25)
    if things[0].at[axis] + reach > (BOX_ROOM[axis]):
        return None
    off = float(rng.choice([-1, 1])*u(0.005, 0.01)) if rng.random() < 0.33 and what in ("card", "ruler") else 0.0
    spec = drawn.cloth_by_lot(rng, base)
    scene = Scene(rng, drawn.laid(rng, plane, own, placed, m, spec), things)
    camera, f35, tilt, height = beside.camera_by_lot(rng, np.vstack([placed.outline, things[0].corners(), np.array([[i*half[0], j*half[1]] for i in (-1, 1) for j in (-1, 1)])]))
    if not in_view(camera, np.vstack([placed.outline, things[0].corners()])):
        return None
    scene.photograph(rng, name, camera, f35)
    note = f"{kind} of {pitch:g} mm{f', typed {100*off:+.2f} % off,' if off else ''} and {words}, {spec['kind']}, tilt {tilt:.0f}"
    truth(name, camera, f35, tilt, height, placed, scene, note=note, grid=dict(pitch_mm=pitch), typed_off=off,
          args=["--grid", f"{pitch*(1 + off):.4f}mm", "--thickness", "0mm", *args], expect="warn" if off else "accept")
    return note


BOX_ROOM = (780, 630)


def ruler_and_card(rng, name):
    """No mat: one ruler, and a bank card on the garment's other side."""
    u = rng.uniform
    plane, base, ground = beside.ground_by_lot(rng)
    own, placed, m = drawn.garment_by_lot(rng, (u(190, 420), u(150, 300)))
    spec = drawn.cloth_by_lot(rng, base)
    if np.abs(np.array(spec["base"]) - np.array(base)).sum() < 90:
        spec["base"] = tuple(int(v) for v in (np.array(spec["base"]) + 110) % 240)
    lo, hi = placed.outline.min(0), placed.outline.max(0)
    things, args, words = beside.rulers(rng, "ruler", lo, hi)
    axis = int(abs(things[0].at - (lo + hi)/2)[1] > abs(things[0].at - (lo + hi)/2)[0])
    far = np.sign((lo + hi)/2 - things[0].at)[axis]
    at = (lo + hi)/2 + u(-0.3, 0.3, 2)*(hi - lo)
    at[axis] = (hi if far > 0 else lo)[axis] + far*u(60, 90)
    things.append(id_card(rng, at))
    scene = Scene(rng, drawn.laid(rng, plane, own, placed, m, spec), things)
    everything = np.vstack([placed.outline] + [t.corners() for t in things])
    camera, f35, tilt, height = beside.camera_by_lot(rng, everything)
    if not in_view(camera, everything):
        return None
    scene.photograph(rng, name, camera, f35)
    note = f"ruler and bank card ({words}) on {ground}, {spec['kind']}, tilt {tilt:.0f}"
    truth(name, camera, f35, tilt, height, placed, scene, note=note, grid=None, args=args + ["--id-card", "--thickness", "0mm"])
    return note


def make(seed, out):
    rng = np.random.default_rng(90000 + seed)
    kind, name = str(rng.choice(KINDS)), os.path.join(out, f"x{seed:04}")
    makers = {"bare": bare, "joined": lambda r, n: joined(r, n, False), "joined cards": lambda r, n: joined(r, n, True), "marks": marks,
              "mat and thing": mat_and_thing, "ruler and card": ruler_and_card}
    note = makers[kind](rng, name)
    print(f"x{seed:04}: " + (note or f"{kind}: something leaves the picture, left out"), flush=True)


if __name__ == "__main__":
    drawn.main(make, __doc__)
