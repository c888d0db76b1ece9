"""The photos of the demo sets:  make_photos.py --scenes set_scenes --only harbour-tee/front --out ../sets

The outlines are those of set_patterns.py, as the garments lie on the mat.
"""
import set_patterns
from scenes import CM5, GREEN_INCH, INCH_GRID, LONG_CM

CALM = dict(wrinkles=7, wrinkle_height=1.8, undulation=0.14)

STONE_CM = dict(LONG_CM, box=(-300, 300, -560, 560), base=(96, 92, 88), px_per_mm=8,
                layers=[(10.0, 0.25, (186, 182, 174), 0.55), (50.0, 0.45, (236, 232, 224), 0.85)])

MOSS_CM = dict(box=(-310, 310, -460, 460), base=(44, 72, 58), rim=10.0, numerals=50.0, wear=30,
               layers=[(10.0, 0.25, (150, 178, 160), 0.55), (50.0, 0.45, (218, 232, 220), 0.85)])

TEE = dict(args=["--grid", "1in", "--thickness", "2.5mm"], mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (158, 116, 78)),
           cloth=dict(kind="heather", base=(212, 134, 106), weave=0.06, thread=(226, 160, 136), rib=False),
           light="window", finish=dict(exposure=0.46, quality=95))

TROUSERS = dict(args=["--grid", "1cm", "--thickness", "2mm"], mat=STONE_CM, grid=CM5, table=("wood", (148, 112, 80)),
                cloth=dict(kind="plain", base=(214, 172, 70), weave=0.06, thread=(232, 200, 120), topstitch=True),
                light="overcast", finish=dict(exposure=0.52, quality=95))

SMOCK = dict(args=["--grid", "1cm", "--thickness", "2mm", "--marks", "red"], mat=MOSS_CM, grid=CM5, table=("wood", (164, 126, 88)),
             cloth=dict(kind="plain", base=(206, 208, 204), weave=0.05, thread=(184, 186, 184), rib=False, mark_mm=8.0, mark_colour=(206, 32, 40)),
             light="overcast", finish=dict(exposure=0.54, quality=95))


def _garment(angle, at, thickness):
    return dict(angle=angle, at=at, thickness=thickness, shape=CALM)


def _portrait(height, **more):
    return dict(size=(3024, 4032), f35=26, height_mm=height, **more)


SHOTS = {
    "harbour-tee": (TEE, {
        "front": dict(note="Half front body of the harbour tee on the dark-green inch mat.", seed=201, garment=_garment(1.5, (10, 4), 2.4),
                      camera=_portrait(930, tilt=4, tilt_towards=25, roll=1.0, look_at=(5, 0), k1=-0.02, focal_off=0.004)),
        "back": dict(note="Half back body of the harbour tee; the same mat, the phone held a little otherwise.", seed=202,
                     garment=_garment(-2.5, (-8, -6), 2.4),
                     camera=_portrait(950, tilt=6, tilt_towards=-50, roll=-2.0, look_at=(-4, -4), k1=-0.02, focal_off=0.004)),
        "sleeve": dict(note="Sleeve of the harbour tee, folded along its middle.", seed=203, garment=_garment(4.0, (6, 12), 2.4),
                       camera=_portrait(620, tilt=5, tilt_towards=120, roll=2.5, look_at=(4, 10), k1=-0.02, focal_off=0.004))}),
    "orchard-trousers": (TROUSERS, {
        "front": dict(note="Front leg of the orchard trousers, waist relaxed.", seed=211, garment=_garment(1.2, (4, 0), 2.2),
                      camera=_portrait(905, tilt=4, tilt_towards=10, roll=-1.0, look_at=(2, 0), k1=-0.025, focal_off=-0.005)),
        "back": dict(note="Back leg of the orchard trousers, waist relaxed.", seed=212, garment=_garment(-1.8, (-6, 4), 2.2),
                     camera=_portrait(935, tilt=5, tilt_towards=70, roll=1.5, look_at=(-4, 4), k1=-0.025, focal_off=-0.005))}),
    "workshop-smock": (SMOCK, {
        "body-with-sleeve": dict(note="Half body of the workshop smock with its sleeve lying out flat; red stickers along the armhole seam.", seed=221,
                                 garment=_garment(2.0, (0, 0), 2.0),
                                 camera=_portrait(935, tilt=5, tilt_towards=35, roll=1.5, look_at=(0, 0), k1=-0.02, focal_off=0.006))}),
}


def _scene(set_name, pattern, piece, edges, common, shot):
    """`edges` as modelled, in the piece's own frame, are what the photo's truth names."""
    scene = dict(common, **shot, expect="accept", samples=2, set=set_name, piece=piece)
    scene["garment"] = dict(shot["garment"], path=set_patterns.ring(edges))
    scene["edges"] = {e.name: {k: v for k, v in set_patterns.told(e).items() if k != "points"} for e in edges}
    if "marks" in pattern:
        scene["cloth"] = dict(common["cloth"], marks=[tuple(p) for p in pattern["marks"]], inner_seams=[set_patterns.at(s, _STEPS)
                                                                                                     for s in pattern["inside"]["segments"]])
    return scene


_STEPS = [k/200 for k in range(201)]

SCENES = {}
for _set, (_common, _shots) in SHOTS.items():
    _pattern = set_patterns.SETS[_set]()
    _outlines = set_patterns.photographed(_pattern)
    for _piece, _shot in _shots.items():
        SCENES[f"{_set}/photos/{_piece}"] = _scene(_set, _pattern, _piece, _outlines[_piece], _common, _shot)
