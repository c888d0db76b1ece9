#!/usr/bin/env python3
"""Draws the stated truth on a photo, and measures how far the photo's own lines and cloth edge lie from it.

    python check_truth.py PHOTO.jpg [--crops DIR]

Prints, in pixels: offset of printed lines (half-maximum centre across each cell side against the projected line) and of
the cloth edge (50 % crossing across the projected outline). Writes an overview and enlarged crops as PNG.
"""
import argparse
import json
import os

import cv2
import numpy as np
import piexif
from shapely.geometry import Polygon, Point
import shapely

import optics

TURN = {1: None, 3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


def load(path):
    with open(path[:-4] + ".truth.json") as f:
        truth = json.load(f)
    picture = cv2.imread(path, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    tag = piexif.load(path)["0th"].get(piexif.ImageIFD.Orientation, 1)
    if TURN[tag] is not None:
        picture = cv2.rotate(picture, TURN[tag])
    c = truth["camera"]
    assert picture.shape[1::-1] == (c["width"], c["height"]), "truth is in the upright picture"
    return picture, truth, optics.Camera(np.array(c["K"]), np.array(c["R"]), np.array(c["t"]), c["k1"], c["k2"], c["width"], c["height"])


def sample(grey, uv):
    return cv2.remap(grey, uv[..., 0].astype(np.float32), uv[..., 1].astype(np.float32), cv2.INTER_CUBIC,
                     borderMode=cv2.BORDER_CONSTANT, borderValue=-1)


def line_offsets(grey, truth, camera):
    """Per visible cell side of the main grid: offset of the line's centroid, px."""
    pitch = truth["grid"]["pitch_mm"]
    x0, x1, y0, y1 = truth["mat_box"]
    rim = truth["mat_rim_mm"]
    poly = Polygon(truth["outline"]).buffer(10)
    shapely.prepare(poly)
    out = []
    kind = truth["grid"]["kind"]
    reach = 14 if kind == "tiles" else 4
    across = np.arange(-reach, reach + 0.01, 0.125)
    for axis in (0, 1):
        lo, hi = ((x0, x1), (y0, y1))[axis]
        o_lo, o_hi = ((y0, y1), (x0, x1))[axis]
        for k in range(int(np.ceil((lo+rim)/pitch - 1e-6)), int(np.floor((hi-rim)/pitch + 1e-6)) + 1):
            for j in range(int(np.ceil((o_lo+rim)/pitch)), int(np.floor((o_hi-rim)/pitch))):
                along = (j + np.linspace(0.15, 0.85, 24)) * pitch
                p = np.c_[np.full(24, k*pitch), along] if axis == 0 else np.c_[along, np.full(24, k*pitch)]
                if shapely.contains_xy(poly, p[12, 0], p[12, 1]):
                    continue
                uv = camera.project(p)
                if (uv < 8).any() or (uv > [camera.width-9, camera.height-9]).any():
                    continue
                d = uv[-1] - uv[0]
                n = np.array([-d[1], d[0]]) / np.hypot(*d)
                v = np.median(sample(grey, uv[:, None] + across[None, :, None]*n), axis=0)
                if kind == "chess":      # steps, not lines: measure the slope
                    v = cv2.GaussianBlur(np.abs(np.gradient(v)).astype(np.float32)[None], (0, 0), 2)[0]
                v = v - np.interp(across, across[[0, -1]], [np.median(v[:9]), np.median(v[-9:])])
                v *= np.sign(v[np.abs(v).argmax()])
                noise = np.std(np.r_[v[:9], v[-9:]]) + (0.1 if kind == "chess" else 0.5)
                if v.max() < 5*noise or abs(across[v.argmax()]) > 0.75*reach:
                    continue
                w = np.clip(v - 0.25*v.max(), 0, None)*(np.abs(across - across[v.argmax()]) < 0.5*reach)
                out.append((w @ across) / w.sum())
    return np.array(out)


def edge_offsets(grey, truth, camera):
    """Signed distance (px, outwards) of the strongest smoothed step from the projected outline, every 4th point."""
    ring = np.array(truth["outline"])
    z = truth["thickness_mm"]/2
    uv = camera.project(np.c_[ring, np.full(len(ring), z)])
    d = np.roll(uv, -6, 0) - np.roll(uv, 6, 0)
    n = np.c_[-d[:, 1], d[:, 0]] / np.hypot(*d.T)[:, None]
    if np.sum(uv[:, 0]*np.roll(uv[:, 1], -1) - uv[:, 1]*np.roll(uv[:, 0], -1)) > 0:
        n = -n
    across = np.arange(-6, 6.01, 0.25)
    v = sample(cv2.GaussianBlur(grey, (0, 0), 0.8), uv[:, None] + across[None, :, None]*n[:, None])
    v = cv2.blur(v, (1, 9))
    out = []
    for i in range(0, len(ring), 4):
        if (uv[i] < 8).any() or (uv[i] > [camera.width-9, camera.height-9]).any():
            continue
        a, b = np.median(v[i, :9]), np.median(v[i, -9:])
        if abs(a - b) < 12:
            continue
        s = (v[i] - a)/(b - a) - 0.5
        cross = [k for k in range(len(s)-1) if s[k] <= 0 < s[k+1]]
        if cross:
            k = min(cross, key=lambda k: abs(across[k]))
            out.append(across[k] + 0.25*(-s[k])/(s[k+1]-s[k]))
    return np.array(out)


def draw(picture, truth, camera, zoom, centre, size):
    """Enlarged crop with the outline (red, at half thickness) and the grid crossings (yellow)."""
    x, y = (int(np.clip(c - size//2, 0, m - size)) for c, m in zip(centre, (camera.width, camera.height)))
    crop = cv2.resize(picture[y:y+size, x:x+size], None, fx=zoom, fy=zoom, interpolation=cv2.INTER_NEAREST)
    to = lambda uv: np.round(((uv - [x, y] + 0.5)*zoom - 0.5)*16).astype(np.int32)
    ring = np.array(truth["outline"])
    px = to(camera.project(np.c_[ring, np.full(len(ring), truth["thickness_mm"]/2)]))
    cv2.polylines(crop, [px], True, (0, 0, 255), 1, cv2.LINE_AA, 4)
    if truth.get("grid") and truth.get("mat_box"):
        p, (x0, x1, y0, y1) = truth["grid"]["pitch_mm"], truth["mat_box"]
        gx, gy = np.meshgrid(np.arange(np.ceil(x0/p), np.floor(x1/p)+1)*p, np.arange(np.ceil(y0/p), np.floor(y1/p)+1)*p)
        for u in to(camera.project(np.c_[gx.ravel(), gy.ravel()])):
            if np.abs(u).max() < 16*size*zoom*2:
                cv2.line(crop, tuple(int(t) for t in u - [96, 0]), tuple(int(t) for t in u + [96, 0]), (0, 255, 255), 1, cv2.LINE_AA, 4)
                cv2.line(crop, tuple(int(t) for t in u - [0, 96]), tuple(int(t) for t in u + [0, 96]), (0, 255, 255), 1, cv2.LINE_AA, 4)
    return crop


def crops(path, picture, truth, camera, folder):
    os.makedirs(folder, exist_ok=True)
    name = os.path.basename(path)[:-4]
    k = 1200/max(picture.shape)
    cv2.imwrite(f"{folder}/{name}.all.png", cv2.resize(picture, None, fx=k, fy=k, interpolation=cv2.INTER_AREA))
    ring = np.array(truth["outline"])
    uv = camera.project(np.c_[ring, np.full(len(ring), truth["thickness_mm"]/2)])
    at = [uv[i] for i in truth["corners"]][:4] + [uv[int(len(uv)*f)] for f in (0.2, 0.45)]
    size = min(120, *picture.shape[:2])
    tiles = [draw(picture, truth, camera, 4, c, size) for c in at]
    cv2.imwrite(f"{folder}/{name}.crops.png", np.vstack([np.hstack(tiles[:3]), np.hstack(tiles[3:6])]))


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("photo", nargs="+")
    ap.add_argument("--crops")
    o = ap.parse_args()
    for path in o.photo:
        picture, truth, camera = load(path)
        grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)
        report = [os.path.basename(path)[:-4]]
        if truth.get("grid") and truth.get("mat_box"):
            d = line_offsets(grey, truth, camera)
            if len(d):
                report.append(f"lines: {len(d)} sides, mean {d.mean():+.3f}, rms {d.std():.3f}, 95 % {np.percentile(np.abs(d), 95):.3f} px")
        d = edge_offsets(grey, truth, camera)
        if len(d):
            q = np.percentile(d, [5, 50, 95])
            report.append(f"edge: {len(d)} points, median {q[1]:+.2f}, 5-95 % {q[0]:+.2f}..{q[2]:+.2f} px")
        print("; ".join(report), flush=True)
        if o.crops:
            crops(path, picture, truth, camera, o.crops)


if __name__ == "__main__":
    main()
