"""Lights by name, and things lying about."""
import cv2
import numpy as np

import references
import stage
import textures


def light(scene):
    """A light rig by name, or a dict of lamps."""
    rig = scene["light"]
    rig = RIGS[rig] if isinstance(rig, str) else rig
    stage.ambient(*rig["ambient"])
    for lamp in rig["lamps"]:
        stage.area_light(**lamp)


RIGS = {
    "window": dict(ambient=(0.35, (0.95, 0.97, 1.0)),
                   lamps=[dict(at=(-1700, 500, 1300), aim=(0, 0, 0), size=(1100, 1300), power=2600)]),
    "overcast": dict(ambient=(0.8, (0.97, 0.98, 1.0)),
                     lamps=[dict(at=(900, 1500, 1900), aim=(0, 0, 0), size=(1800, 1400), power=1500)]),
    "lamp": dict(ambient=(0.12, (1.0, 0.93, 0.85)),
                 lamps=[dict(at=(520, 640, 1650), aim=(0, 0, 0), size=(90, 90), power=1600, colour=(1.0, 0.90, 0.76), shape="DISK")]),
    "two-lamps": dict(ambient=(0.15, (1.0, 0.96, 0.9)),
                      lamps=[dict(at=(-900, 300, 1500), aim=(0, 0, 0), size=(120, 120), power=1500, colour=(1.0, 0.92, 0.8), shape="DISK"),
                             dict(at=(800, -500, 1700), aim=(0, 0, 0), size=(160, 160), power=1200, colour=(0.95, 0.97, 1.0), shape="DISK")]),
}


def add(rng, scene):
    for name, *rest in scene.get("props", ()):
        KINDS[name](rng, *rest)



STEEL, DARK = (150, 152, 156), (38, 38, 42)


def _book(rng, at, size, turn, colour, z=-2.5, thick=28):
    """A closed book: two boards and a block of pages."""
    cover, pages = stage.material(rgb=colour, roughness=0.6), stage.material(rgb=(226, 218, 200))
    w, h = size
    x, y = at
    stage.slab(x-w/2, x+w/2, y-h/2, y+h/2, z, z+3, cover, turn, 1)
    stage.slab(x-w/2+3, x+w/2-3, y-h/2+3, y+h/2-3, z+3, z+thick-3, pages, turn)
    stage.slab(x-w/2, x+w/2, y-h/2, y+h/2, z+thick-3, z+thick, cover, turn, 1)


def _mug(rng, at, colour, drink=(60, 36, 20), z=-2.5):
    m, x, y = stage.material(rgb=colour, roughness=0.25, specular=0.5), *at
    for height in range(0, 92, 4):
        stage.ring(x, y, z + 4 + height, 39, 3.2, m)
    stage.cylinder(x, y, z, z+78, 38, stage.material(rgb=drink, roughness=0.2))
    stage.ring(x+55, y, z+48, 24, 5, m, upright=True)


def _scissors(rng, at, turn, z=0.0, handle=(176, 44, 40), k=1.0):
    """Two crossed blades and two rings, lying flat."""
    steel, grip = stage.material(rgb=STEEL, roughness=0.3, specular=0.6), stage.material(rgb=handle, roughness=0.5)
    a = np.radians(turn)
    to = lambda u, v: (at[0] + k*(u*np.cos(a) - v*np.sin(a)), at[1] + k*(u*np.sin(a) + v*np.cos(a)))
    for side, lift in ((1, 0.2), (-1, 2.6)):
        flat = [to(0, -6*side), to(0, 6*side), to(70, 9*side), to(128, 1.5*side), to(70, 0)]
        _plate(flat, z + lift, z + lift + 2.2, steel)
        _plate([to(4, -6), to(4, 6), to(-40, 6 + 12*side), to(-40, -6 + 12*side)], z + lift, z + lift + 2.4, grip)
        x, y = to(-66, 19*side)
        stage.ring(x, y, z + 4.5, 21*k, 4.5, grip, stretch=0.75, turn=turn)
    stage.cylinder(*to(8, 0), z, z + 7, 4*k, steel)


def _plate(points, z0, z1, mat):
    """A flat convex plate from plan points."""
    p = np.array(points)
    c = p.mean(0)
    p = p[np.argsort(np.arctan2(*(p - c).T[::-1]))]
    n = len(p)
    verts = np.vstack([np.c_[p, np.full(n, z0)], np.c_[p, np.full(n, z1)], [[*c, z1]]])
    faces = [(n+i, n+(i+1) % n, 2*n) for i in range(n)]
    for i in range(n):
        j = (i+1) % n
        faces += [(i, j, n+j), (i, n+j, n+i)]
    stage.mesh(verts, faces, mat)


def _pin(rng, at, turn, z=3.0, head=(230, 220, 60), length=34):
    a = np.radians(turn)
    x, y = at
    b = (x + length*np.cos(a), y + length*np.sin(a), z + 0.4)
    stage.rod((x, y, z + 1.6), b, 0.35, stage.material(rgb=STEEL, roughness=0.3, specular=0.6))
    stage.ball(x, y, z + 2.0, (2.1, 2.1, 2.1), stage.material(rgb=head, roughness=0.3))


def _weight(rng, at, z, radius=27, height=24, colour=(70, 74, 80)):
    m = stage.material(rgb=colour, roughness=0.4, specular=0.5)
    stage.cylinder(*at, z, z + height, radius, m, 2)
    stage.cylinder(*at, z + height, z + height + 12, radius*0.4, m, 2)


def _ruler(rng, at, turn, length=300, width=30, z=0.0, base=(214, 176, 88), ink=(30, 30, 30), step=5.0):
    """A strip with ticks each `step`, true to size; the pattern of a wooden or plastic ruler."""
    s = 8
    p = np.full((width*s, length*s, 3), textures.srgb(base), np.float32)
    p *= (1 + 0.03*textures.mottle(rng, p.shape[:2], ((60, 1.0), (6, 0.6))))[..., None]
    for k in range(int((length - 10)/step) + 1):
        tall = width*(0.42 if k % 10 == 0 else 0.32 if k % 5 == 0 else 0.2)
        x = int((5 + k*step)*s)
        p[:int(tall*s), x-1:x+2] = textures.srgb(ink)
        if k % 10 == 0 and k:
            cv2.putText(p, str(int(k*step/10)), (x - 20, int(width*0.75*s)), textures.FONT, 1.5, textures.srgb(ink).tolist(), 3, cv2.LINE_AA)
    a = np.radians(turn)
    u, v = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    c = [np.array(at) + i*length/2*u + j*width/2*v for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    m = stage.material(sheet=np.clip(p, 0, 255).astype(np.uint8), roughness=0.4, specular=0.3)
    stage.mesh([(*q, z + 1.6) for q in c], [(0, 1, 2, 3)], m, [(0, 0), (1, 0), (1, 1), (0, 1)])
    stage.slab(at[0]-length/2, at[0]+length/2, at[1]-width/2, at[1]+width/2, z, z + 1.58, stage.material(rgb=base), turn)


def _hand(rng, at, turn, k=1.0, colour=(196, 146, 120), z=0.0):
    """A rounded hand-and-forearm shape reaching in; no more than ellipsoids and round bars."""
    m = stage.material(rgb=colour, roughness=0.55, specular=0.3)
    a = np.radians(turn)
    to = lambda u, v: (at[0] + k*(u*np.cos(a) - v*np.sin(a)), at[1] + k*(u*np.sin(a) + v*np.cos(a)))
    stage.ball(*to(0, 0), z + 16, (50*k, 43*k, 17*k), m, turn)
    finger = lambda p, q, r: [stage.rod(p, q, r, m), stage.ball(*p, (r, r, r), m), stage.ball(*q, (r, r, r), m)]
    for v, length, spread in ((-32, 62, -10), (-11, 78, -3), (11, 80, 4), (31, 66, 11)):
        knuckle, middle, tip = (f*length + 30 for f in (0, 0.5, 1))
        finger((*to(knuckle, v), z + 14), (*to(middle, v + 0.5*spread), z + 15), 10.5*k)
        finger((*to(middle, v + 0.5*spread), z + 15), (*to(tip, v + spread), z + 9), 9*k)
    finger((*to(-20, -36), z + 15), (*to(18, -58), z + 15), 12.5*k)
    finger((*to(18, -58), z + 15), (*to(46, -70), z + 12), 10.5*k)
    stage.ball(*to(-330, 0), z + 52, (340*k, 46*k, 38*k), m, turn)


def _photographer(rng, at, z=1250, lean=0):
    """Head, shoulders and arms that cast a shadow but are not seen by the camera."""
    m = stage.material(rgb=(90, 80, 80))
    x, y = at
    parts = [stage.ball(x, y, z + 330, (95, 110, 130), m, lean), stage.ball(x, y - 60, z, (240, 130, 300), m, lean)]
    parts += [stage.rod((x + s*210, y - 40, z + 150), (x + s*70, y + 260, z + 120), 45, m) for s in (-1, 1)]
    for p in parts:
        p.visible_camera = False


def _spool(rng, at, colour, z=-2.5):
    x, y = at
    stage.cylinder(x, y, z, z + 4, 14, stage.material(rgb=(220, 205, 170)))
    stage.cylinder(x, y, z + 4, z + 40, 11, stage.material(rgb=colour, roughness=0.8))
    stage.cylinder(x, y, z + 40, z + 44, 14, stage.material(rgb=(220, 205, 170)))


def _scrap(rng, at, size, turn, colour, z=-2.4):
    """A remnant of cloth or a sheet of paper, flat on the table."""
    x, y = at
    w, h = size
    stage.slab(x-w/2, x+w/2, y-h/2, y+h/2, z, z + 0.6, stage.material(rgb=colour), turn)


KINDS = dict(book=_book, mug=_mug, scissors=_scissors, pin=_pin, weight=_weight, ruler=_ruler, hand=_hand,
             photographer=_photographer, spool=_spool, scrap=_scrap, **references.KINDS)
