"""Things of known size to lay beside a garment: printed cards, rulers, sheets of paper, all painted at true size."""
import cv2
import numpy as np

import stage
import textures
from printed import ID_1, card_picture, id_card_picture

INCH = 25.4


def lay(sheet_bgr, at, turn, size, z, thick, side, lift=(0.0, 0.0), **look):
    """A printed slab of `size` mm, its middle at `at`, its face at z + thick (plus `lift` mm per mm of x and y of its own)."""
    a = np.radians(turn)
    u, v = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    corners = [(i*size[0]/2, j*size[1]/2) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    top = [(*(np.array(at) + x*u + y*v), z + thick + lift[0]*x + lift[1]*y) for x, y in corners]
    stage.mesh(top, [(0, 1, 2, 3)], stage.material(sheet=sheet_bgr, **look), [(0, 0), (1, 0), (1, 1), (0, 1)])
    if thick > 0.3:
        x, y = at
        stage.slab(x - size[0]/2, x + size[0]/2, y - size[1]/2, y + size[1]/2, z, z + thick - 0.02, stage.material(rgb=side), turn)


def card(rng, at, turn, number, size=80.0, z=0.0, lift=(0.0, 0.0)):
    picture, side = card_picture(number, size)
    lay(picture, at, turn, (side, side), z, 0.15, (240, 240, 240), lift, roughness=0.9, specular=0.05)


def ruler_picture(rng, length, unit, width, base, ink, margin, s=10):
    """Ticks along the upper edge: each mm (5 and 10 longer) or each 1/16 in (1/8, 1/4, 1/2, 1 longer), numerals below."""
    h, w = int(round(width*s)), int(round((length + 2*margin)*s))
    s = w/(length + 2*margin)
    p = np.full((h, w, 3), textures.srgb(base), np.float32)
    p *= (1 + 0.012*textures.mottle(rng, p.shape[:2], ((60, 1.0), (6, 0.6))))[..., None]
    step, levels = (1.0, ((10, 9.0), (5, 7.0), (1, 4.5))) if unit == "mm" else (INCH/16, ((16, 11.0), (8, 8.5), (4, 7.0), (2, 5.5), (1, 4.0)))
    line = 0.22 if unit == "mm" else 0.28
    for k in range(int(round(length/step)) + 1):
        tall = next(t for every, t in levels if k % every == 0)
        cover = textures._coverage(w, [(margin + k*step)*s - 0.5], line*s)[None, :, None]
        rows = slice(0, int(tall*s))
        p[rows] = p[rows]*(1 - cover) + textures.srgb(ink)*cover
        if k % levels[0][0] == 0 and k:
            text = str(k//10 if unit == "mm" else k//16)
            size = 0.011*s*min(width, 30)
            (tw, _), _ = cv2.getTextSize(text, textures.FONT, size, 4)
            cv2.putText(p, text, (int((margin + k*step)*s - tw/2), int((tall + 0.27*width)*s)), textures.FONT, size,
                        textures.srgb(ink).tolist(), 4, cv2.LINE_AA)
    return np.clip(p + 0.5, 0, 255).astype(np.uint8)


def measure(rng, at, turn, length, unit="mm", width=28.0, base=(236, 234, 226), ink=(20, 20, 24), z=0.0, thick=0.8, margin=4.0,
            rough=0.5, specular=0.2, stretch=1.0):
    picture = ruler_picture(rng, length, unit, width, base, ink, margin)
    lay(picture, at, turn, ((length + 2*margin)*stretch, width), z, thick, base, roughness=rough, specular=specular)


def see_through(rng, at, turn, length, width=50.0, ink=(24, 24, 30), z=0.0, face=0.7, margin=6.0, s=10):
    """A clear ruler: millimetre ticks along both long edges, figures, thin lines each 10 mm over its body, darker rims.

    The print lies on its underside; `face` is where 2 mm of acrylic (index 1.49) make it seem to lie."""
    half = width/2
    up = ruler_picture(rng, length, "mm", half, (255, 255, 255), (0, 0, 0), margin, s)[..., 0].astype(np.float32)/255
    up = np.clip(up/np.percentile(up, 60), 0, 1)
    p = np.vstack([up, up[::-1, ::-1]])
    h, w = p.shape
    for k in range(0, int(round(length/10)) + 1):
        p *= 1 - 0.55*textures._coverage(w, [(margin + 10*k)*w/(length + 2*margin) - 0.5], 0.12*s)[None, :]
    for y in range(10, int(width), 10):
        p *= 1 - 0.55*textures._coverage(h, [y*h/width - 0.5], 0.12*s)[:, None]
    rim = int(0.6*s)
    for edge in (np.s_[:rim, :], np.s_[-rim:, :], np.s_[:, :rim], np.s_[:, -rim:]):
        p[edge] *= 0.7
    a = np.radians(turn)
    u, v = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    corners = [(i*(length + 2*margin)/2, j*width/2) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    picture = np.repeat((255*p + 0.5).astype(np.uint8)[..., None], 3, axis=2)
    stage.mesh([(*(np.array(at) + x*u + y*v), z + face) for x, y in corners], [(0, 1, 2, 3)], stage.clear_print(picture, ink),
               [(0, 0), (1, 0), (1, 1), (0, 1)])


def paper(rng, at, turn, size=(210.0, 297.0), z=0.0, tone=(240, 240, 236)):
    p = np.full((int(size[1]*2), int(size[0]*2), 3), textures.srgb(tone), np.float32)
    p *= (1 + 0.004*textures.mottle(rng, p.shape[:2], ((80, 1.0), (5, 0.5))))[..., None]
    lay(np.clip(p, 0, 255).astype(np.uint8), at, turn, size, z, 0.12, tone, roughness=0.95, specular=0.02)


def id_card(rng, at, turn, tone=(168, 190, 204), z=0.0):
    w, h, r, thick = ID_1
    quarter = np.radians(np.arange(0, 91, 6))
    ring = np.array([(sx*(w/2 - r) + r*np.cos(q + start), sy*(h/2 - r) + r*np.sin(q + start))
                     for sx, sy, start in ((1, 1, 0), (-1, 1, np.pi/2), (-1, -1, np.pi), (1, -1, 1.5*np.pi)) for q in quarter])
    n, a = len(ring), np.radians(turn)
    plan = ring @ np.array([(np.cos(a), np.sin(a)), (-np.sin(a), np.cos(a))]) + np.array(at)
    face = np.c_[np.vstack([plan, [at]]), np.full(n + 1, z + thick)]
    uv = np.vstack([ring, [(0, 0)]])/(w, h) + 0.5
    stage.mesh(face, [(i, (i + 1) % n, n) for i in range(n)], stage.material(sheet=id_card_picture(rng, tone), roughness=0.35, specular=0.3), uv)
    wall = np.vstack([np.c_[plan, np.full(n, z)], np.c_[plan, np.full(n, z + thick - 0.01)]])
    stage.mesh(wall, [(i, (i + 1) % n, n + (i + 1) % n, n + i) for i in range(n)], stage.material(rgb=tone))


KINDS = dict(card=card, measure=measure, see_through=see_through, paper=paper, id_card=id_card)
