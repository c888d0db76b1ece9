#!/usr/bin/env python3
"""A contact sheet of all scenes without rendering: frame, mat box, outline. For composing.  python sketch.py scenes OUT.png"""
import importlib
import sys

import cv2
import numpy as np
from shapely.geometry import Polygon, box

import garments
import optics


def sketch(name, scene, side=360):
    cam = dict((scene.get("shots") or [scene["camera"]])[0])
    w, h = cam.pop("size")
    camera = optics.scaled(optics.make(w, h, **cam), side/max(w, h))
    picture = np.full((camera.height, camera.width, 3), 90, np.uint8)
    g = scene["garment"]
    placed, _ = garments.place(garments.make(g["path"], g.get("scale", 1.0), g.get("grow", (1.0, 1.0))), g["angle"], g["at"])
    share = 0
    if scene.get("mat"):
        x0, x1, y0, y1 = scene["mat"]["box"]
        share = Polygon(placed.outline).intersection(box(x0, y0, x1, y1)).area / box(x0, y0, x1, y1).area
        cv2.fillPoly(picture, [camera.project([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]).astype(np.int32)], (90, 130, 60))
    cv2.fillPoly(picture, [camera.project(placed.outline).astype(np.int32)], (200, 180, 160))
    for kind, at, *_ in scene.get("props", ()):
        u = camera.project([at])[0]
        cv2.putText(picture, kind, (int(u[0]), int(u[1])), cv2.FONT_HERSHEY_SIMPLEX, 0.35, (0, 0, 255), 1)
    cv2.putText(picture, f"{name[:22]} {share:.2f}", (4, 12), cv2.FONT_HERSHEY_SIMPLEX, 0.4, (255, 255, 255), 1)
    out = np.zeros((side, side, 3), np.uint8)
    out[:camera.height, :camera.width] = picture
    return out


if __name__ == "__main__":
    cells = [sketch(n, s) for n, s in importlib.import_module(sys.argv[1]).SCENES.items() if "garment" in s]
    while len(cells) % 5:
        cells.append(np.zeros_like(cells[0]))
    cv2.imwrite(sys.argv[2], np.vstack([np.hstack(cells[i:i+5]) for i in range(0, len(cells), 5)]))
