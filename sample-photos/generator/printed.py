"""Faces of printed things of known size, as pictures: coded cards, bank cards. 8-bit BGR, row 0 = upper side."""
import os

import numpy as np

import textures

CODES = os.path.join(os.path.dirname(__file__), "..", "..", "src", "reference", "cards", "tag36h11.txt")

# ISO/IEC 7810, ID-1: width, height, corner radius, thickness (mm).
ID_1 = (85.60, 53.98, 3.18, 0.76)


def code(number):
    """The 6 x 6 cells of a tag36h11 code, 1 = white, first row at the top."""
    with open(CODES) as f:
        value = int(f.read().split()[number], 16)
    return np.array([(value >> (35 - i)) & 1 for i in range(36)]).reshape(6, 6)


def card_picture(number, size=80.0, s=10):
    """Black square of `size` with its code, small squares at its corners, on white: as `clothline targets` prints it."""
    cell = size/8
    white, black = 244, 26
    half = 0.75*size
    n = int(round(2*half*s))
    s = n/(2*half)
    p = np.full((n, n, 3), white, np.float32)
    edge = lambda mm: (mm + half)*s

    def square(x, y, w, tone):
        a, b, c, d = edge(x), edge(x + w), edge(y), edge(y + w)
        cover = np.outer(textures._coverage(n, [(c + d)/2 - 0.5], d - c), textures._coverage(n, [(a + b)/2 - 0.5], b - a))[..., None]
        p[:] = p*(1 - cover) + tone*cover
    square(-size/2, -size/2, size, black)
    for i in (-1, 1):
        for j in (-1, 1):
            square(i*size/2 - (cell if i < 0 else 0), j*size/2 - (cell if j < 0 else 0), cell, black)
    for r, row in enumerate(code(number)):
        for c, bit in enumerate(row):
            if bit:
                square(-size/2 + (c + 1)*cell, -size/2 + (r + 1)*cell, cell, white)
    return np.clip(p + 0.5, 0, 255).astype(np.uint8), 2*half


def id_card_picture(rng, tone, s=10):
    """The face of an invented card: one colour, a contact plate, two lines of nothing in particular."""
    w, h = (int(round(v*s)) for v in ID_1[:2])
    p = np.full((h, w, 3), textures.srgb(tone), np.float32)
    p *= (1 + 0.01*textures.mottle(rng, p.shape[:2], ((40, 1.0), (4, 0.5))))[..., None]
    block = lambda x, y, bw, bh, rgb: p[int(y*s):int((y + bh)*s), int(x*s):int((x + bw)*s)].__setitem__(slice(None), textures.srgb(rgb))
    block(10, 19, 12, 9.5, (196, 172, 104))
    for x in (14, 17.8):
        block(x, 19, 0.25, 9.5, (120, 100, 60))
    block(10, 36, 46, 2.2, [int(0.6*c) for c in tone])
    block(10, 43, 28, 1.8, [int(0.6*c) for c in tone])
    return np.clip(p + 0.5, 0, 255).astype(np.uint8)
