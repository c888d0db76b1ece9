#!/usr/bin/env python3
"""Path-traced sample photos with exact truth.

    python make_photos.py --list
    python make_photos.py --only 01-tee-green-inch [--scale 0.25] [--samples 8] [--out ..]
    python make_photos.py --scenes eval_scenes ...      scenes from another module

Needs Python 3.11 and the packages pinned in requirements.txt. Fixed seeds: the same scene gives the same photo (up to
the renderer's and denoiser's own version).
"""
import argparse
import importlib
import json
import os
import sys
import tempfile
import time

os.environ.setdefault("OPENCV_IO_ENABLE_OPENEXR", "1")
import cv2
import numpy as np

import finish
import garments
import optics
import props
import stage
import textures

TABLE_BOX = (-1300, 1300, -1300, 1300)
HERE = os.path.dirname(os.path.abspath(__file__))


def build_ground(rng, scene, detail):
    """Table and mat. Returns the objects that may lie behind the outline."""
    kind, colour = scene.get("table", ("wood", (150, 105, 66)))
    spec = scene.get("mat")
    z = 0.0 if spec is None else -spec.get("height", 2.5)
    out = []
    if spec is not None and spec.get("kind") == "tiles":
        sheet = textures.tiles(rng, spec, detail)
        return [stage.plane(sheet, 0.0, stage.material(sheet=sheet, roughness=0.55, specular=0.3))]
    sheet = (textures.wood if kind == "wood" else textures.stone)(rng, *TABLE_BOX, colour, 2.0*detail)
    out.append(stage.plane(sheet, z, stage.material(sheet=sheet, specular=0)))
    if spec is not None:
        sheet = textures.mat(rng, spec, detail)
        out.append(stage.plane(sheet, 0.0, stage.material(sheet=sheet, roughness=spec.get("roughness", 0.6), specular=0.25)))
        b, edge = spec["box"], stage.material(rgb=spec["base"])
        out.append(stage.slab(b[0], b[1], b[2], b[3], z, -0.02, edge))
    return out


def build_garment(rng, scene, seed, detail):
    g = scene["garment"]
    own = garments.make(g["path"], g.get("scale", 1.0), g.get("grow", (1.0, 1.0)))
    sheet = textures.cloth(rng, own, scene["cloth"], 7.0*detail)
    placed, m = garments.place(own, g["angle"], g["at"], g.get("mirror", False))
    placed.from_own = m
    placed.marks = np.array(scene["cloth"].get("marks", ())).reshape(-1, 2) @ m[:, :2].T + m[:, 2]
    verts, faces = garments.slab_mesh(placed, g["thickness"], seed, **g.get("shape", {}))
    back = (verts[:, :2] - m[:, 2]) @ np.linalg.inv(m[:, :2]).T
    uv = np.c_[(back[:, 0] - sheet.x0)/(sheet.x1 - sheet.x0), (back[:, 1] - sheet.y0)/(sheet.y1 - sheet.y0)]
    ob = stage.mesh(verts, faces, stage.material(sheet=sheet, specular=0, grain=0.25), uv, smooth=True)
    return placed, ob


def hidden_stretches(camera, garment, thickness, ground, cloth):
    ring = garment.outline
    bad = stage.hidden_points(camera, np.c_[ring, np.full(len(ring), thickness/2)], [*ground, cloth])
    if not bad.any():
        return []
    runs, run = [], []
    for i in range(len(ring)):
        if bad[i]:
            run.append(i)
        elif run:
            runs.append(run)
            run = []
    if run:
        runs.append(run)
    if len(runs) > 1 and bad[0] and bad[-1]:
        runs[0] = runs.pop() + runs[0]
    return [np.round(ring[r], 3).tolist() for r in runs if len(r) > 1]


def camera_truth(camera):
    look = camera.R.T @ [0, 0, 1.0]
    return {"K": camera.K.tolist(), "R": camera.R.tolist(), "t": camera.t.tolist(), "k1": camera.k1, "k2": camera.k2,
            "height_mm": float(camera.centre[2]), "tilt_deg": float(np.degrees(np.arccos(-look[2]))),
            "width": camera.width, "height": camera.height}


def truth(scene, camera, garment, hidden):
    g = scene["garment"]
    return {
        "units": "mm", "note": scene["note"], "args": scene["args"], "expect": scene["expect"],
        **({"refuse_code": scene["refuse_code"]} if "refuse_code" in scene else {}),
        "grid": scene.get("grid"), "thickness_mm": g["thickness"],
        "camera": camera_truth(camera),
        "f35": shots("", scene)[0][1]["f35"], "orientation": scene.get("orientation", 1), "exif": scene.get("exif", True),
        "mat_box": scene["mat"]["box"] if scene.get("mat") else None, "mat_rim_mm": scene["mat"].get("rim", 0) if scene.get("mat") else None,
        "fold": np.round(garment.fold, 4).tolist() if len(garment.fold) else None, "corners": [int(i) for i in garment.corners],
        **({"marks": np.round(garment.marks, 4).tolist()} if len(garment.marks) else {}),
        **piece_truth(scene, garment),
        "hidden": hidden, "outline": np.round(garment.outline, 4).tolist()}


def piece_truth(scene, garment):
    """Of a photo that belongs to a set: whose piece it is, its named edges and where it lies."""
    if "piece" not in scene:
        return {}
    edges = [dict(scene["edges"][name], first=int(a), last=int(b % len(garment.outline))) for name, (a, b) in garment.edges.items()]
    return {"set": scene["set"], "piece": scene["piece"], "edges": edges, "mat_from_piece": np.round(garment.from_own, 9).tolist()}


def kept_render(name, scale, samples):
    return os.path.join(tempfile.gettempdir(), "clothline-renders", f"{name}-{scale:g}-{samples}.npy")


def can_reuse(kept):
    return os.environ.get("REUSE_RENDERS") and os.path.exists(kept)


def rendered(name, camera, samples, seed, scale):
    """The bent linear picture, kept in the system's temporary folder so that variants need not be rendered again."""
    kept = kept_render(name, scale, samples)
    if can_reuse(kept):
        return np.load(kept).astype(np.float32)
    linear = optics.bend(stage.render(camera, optics.pinhole_size(camera), samples, seed), camera)
    os.makedirs(os.path.dirname(kept), exist_ok=True)
    np.save(kept, linear.astype(np.float16))
    return linear


def build(scene, seed, detail):
    """The scene without its cameras; a bare scene leaves its garment out, the mat being the same to the last fibre."""
    rng = np.random.default_rng(seed)
    stage.clear()
    ground = build_ground(rng, scene, detail)
    garment, cloth = (None, None) if "bare_of" in scene else build_garment(rng, scene, seed, detail)
    props.add(rng, scene)
    props.light(scene)
    return ground, garment, cloth


def shots(name, scene):
    """(file name, camera) of every photo of a scene: one, or one a shot, lettered."""
    cameras = scene.get("shots") or [scene["camera"]]
    return [(name if len(cameras) == 1 else f"{name}-{chr(97 + i)}", c) for i, c in enumerate(cameras)]


def shoot(name, scene, options, seed, render_name, out, scale, samples):
    """Renders, develops and writes one photo; returns its camera."""
    options = dict(options)
    width, height = options.pop("size")
    camera = optics.scaled(optics.make(width, height, **options), scale)
    linear = rendered(render_name, camera, samples, seed, scale)
    look = dict(scene.get("finish", {}))
    encode = {k: look.pop(k) for k in ("quality", "full_chroma") if k in look}
    picture = finish.develop(linear, scene["seed"] + 1, **look)
    os.makedirs(os.path.dirname(os.path.join(out, name)), exist_ok=True)
    quality, size = finish.jpeg(os.path.join(out, name + ".jpg"), picture, scene.get("orientation", 1),
                                options["f35"] if scene.get("exif", True) else None, **encode)
    print(f"{name}: {size/1e6:.2f} MB at quality {quality}", flush=True)
    return camera


def write_truth(out, name, values):
    with open(os.path.join(out, name + ".truth.json"), "w") as f:
        f.write(json.dumps(values, separators=(",", ":")).replace(',"outline"', ',\n"outline"') + "\n")


def make(name, scene, out, scale, samples):
    started = time.time()
    scenes = importlib.import_module("scenes").SCENES
    seed = scenes.get(scene.get("same_render", scene.get("bare_of")), scene)["seed"]
    detail = min(1.0, 3*scale)      # previews need less
    if can_reuse(kept_render(scene.get("same_render", name), scale, samples)):
        detail = 0.1                # nothing will be traced but the rays that look for hidden stretches
    ground, garment, cloth = build(scene, seed, detail)
    taken = shots(name, scene)
    cameras = [shoot(n, scene, c, seed, scene.get("same_render", n), out, scale, samples) for n, c in taken]
    if garment is None:
        # A case of its own: the photo of the other scene, with this one to compare it with.
        with open(os.path.join(out, scene["bare_of"] + ".truth.json")) as f:
            values = json.load(f)
        values.update({k: scene[k] for k in ("note", "args", "expect")}, photos=[scene["bare_of"] + ".jpg"])
    else:
        hidden = hidden_stretches(cameras[0], garment, scene["garment"]["thickness"], ground, cloth)
        values = truth(scene, cameras[0], garment, hidden)
        if len(taken) > 1:
            values.update(photos=[n + ".jpg" for n, _ in taken], cameras=[camera_truth(c) for c in cameras])
    write_truth(out, name, values)
    print(f"{name}: {len(values['outline'])} outline points, {len(values['hidden'])} hidden, {time.time()-started:.0f} s", flush=True)


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--only", nargs="*")
    ap.add_argument("--scale", type=float, default=1.0)
    ap.add_argument("--samples", type=int, default=4)
    ap.add_argument("--out", default=os.path.dirname(HERE))
    ap.add_argument("--scenes", default="scenes")
    ap.add_argument("--list", action="store_true")
    o = ap.parse_args()
    scenes = importlib.import_module(o.scenes).SCENES
    if o.list:
        print("\n".join(f"{n:34} {s['note']}" for n, s in scenes.items()))
        return
    os.makedirs(o.out, exist_ok=True)
    for name in o.only or scenes:
        make(name, scenes[name], o.out, o.scale, scenes[name].get("samples", o.samples) if o.scale == 1 else o.samples)


if __name__ == "__main__":
    sys.exit(main())
