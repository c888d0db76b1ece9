"""Scenes measured by cards, rulers and paper instead of a mat:  make_photos.py --scenes reference_scenes"""
from scenes import GREEN_INCH, INCH_GRID

SOFT = dict(wrinkles=8, wrinkle_height=2.4, undulation=0.2)

SCENES = {
    "40-skirt-among-cards": dict(
        note="Rust half skirt on a wooden table among five printed 80 mm cards, no mat; window light.",
        args=["--card", "80mm", "--thickness", "3mm"], expect="accept", table=("wood", (196, 172, 140)),
        garment=dict(path="skirt", scale=0.9, angle=4.0, at=(0, 0), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(122, 50, 34), thread=(150, 70, 50), weave=0.06),
        camera=dict(size=(3024, 4032), f35=26, height_mm=930, tilt=6, tilt_towards=30, roll=2, look_at=(0, 10), k1=-0.025,
                    focal_off=0.006),
        props=[("card", (-300, 420), 12, 0), ("card", (290, 400), -21, 1), ("card", (-310, -400), 33, 2), ("card", (300, -390), 5, 3),
               ("card", (-330, 20), -8, 4)],
        light="window", finish=dict(exposure=0.5), seed=140),

    "41-tee-cards-one-raised": dict(
        note="Teal half tee on a stone floor; six cards printed at 78.7 mm, one of them lying on a book.",
        args=["--card", "78.7mm", "--thickness", "2.5mm"], expect="accept", table=("stone", (176, 172, 164)),
        garment=dict(path="tee", scale=0.95, angle=-8.0, at=(0, 0), thickness=2.5, shape=SOFT),
        cloth=dict(kind="plain", base=(20, 84, 92), thread=(40, 110, 120), weave=0.06),
        camera=dict(size=(3024, 4032), f35=26, height_mm=1010, tilt=13, tilt_towards=-20, roll=-5, look_at=(10, 20), k1=-0.04,
                    focal_off=-0.008),
        props=[("card", (-340, 420), 20, 5, 78.7), ("card", (330, 470), -14, 6, 78.7), ("card", (-330, -420), 4, 7, 78.7),
               ("card", (350, -400), 41, 8, 78.7), ("card", (-380, -20), 9, 9, 78.7), ("book", (400, 60), (150, 210), 8, (130, 90, 50), 0.0, 18),
               ("card", (400, 60), 8, 10, 78.7, 18.0)],
        light="overcast", finish=dict(exposure=0.55, balance=(1.03, 1, 0.96)), seed=141),

    "42-sleeve-beside-ruler": dict(
        note="Wine-red sleeve on a pale table with one white 450 mm ruler beside it.",
        args=["--ruler", "450mm", "--thickness", "3mm"], expect="accept", table=("wood", (206, 186, 156)),
        garment=dict(path="sleeve", scale=0.85, angle=93.0, at=(0, 20), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(104, 22, 44), thread=(130, 40, 60), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=620, tilt=5, tilt_towards=70, roll=1, look_at=(0, -10), k1=-0.02),
        props=[("measure", (10, -165), 1.5, 450.0, "mm")],
        light="overcast", finish=dict(exposure=0.55), seed=142, samples=3),

    "43-bodice-rulers-in-an-l": dict(
        note="Navy bodice with two 18 in wooden rulers laid as an L; tilt 11.",
        args=["--ruler", "18in", "--thickness", "2mm"], expect="accept", table=("stone", (206, 204, 198)),
        garment=dict(path="bodice", scale=1.05, angle=86.0, at=(20, 20), thickness=2.0, shape=SOFT),
        cloth=dict(kind="plain", base=(36, 44, 92), thread=(60, 70, 120), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=720, tilt=11, tilt_towards=140, roll=-3, look_at=(0, 0), k1=-0.03, focal_off=0.01),
        props=[("measure", (40, -245), -1.0, 457.2, "in", 30.0, (206, 166, 104), (24, 18, 12), 0.0, 1.0),
               ("measure", (-330, 15), 88.0, 457.2, "in", 30.0, (206, 166, 104), (24, 18, 12), 0.0, 1.0)],
        light="window", finish=dict(exposure=0.5), seed=143, samples=3),

    "44-mat-and-card": dict(
        note="Ochre half tee on the dark-green inch mat, one printed 80 mm card lying on the mat to check it.",
        args=["--grid", "1in", "--card", "80mm", "--thickness", "3mm"], expect="accept",
        mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (150, 105, 66)),
        garment=dict(path="tee", scale=0.9, angle=2.0, at=(-20, 40), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(196, 150, 60), thread=(220, 180, 90), weave=0.06),
        camera=dict(size=(3024, 4032), f35=26, height_mm=980, tilt=4, tilt_towards=20, roll=1, look_at=(0, 5), k1=-0.02),
        props=[("card", (190, -380), 9, 11)],
        light="window", finish=dict(exposure=0.45), seed=144),

    "45-shorts-beside-paper": dict(
        note="Olive shorts on dark floorboards beside a sheet of A4.",
        args=["--sheet", "a4", "--thickness", "3mm"], expect="accept", table=("wood", (112, 74, 48)),
        garment=dict(path="shorts", scale=0.8, angle=-4.0, at=(-110, 0), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(150, 160, 120), thread=(170, 180, 140), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=800, tilt=7, tilt_towards=-30, roll=2, look_at=(20, 0), k1=-0.02),
        props=[("paper", (270, 20), 7)],
        light="overcast", finish=dict(exposure=0.55), seed=145),

    "46-sleeve-see-through-ruler": dict(
        note="Moss-green sleeve on floorboards beside a clear ruler that lies half on a scrap of other cloth.",
        args=["--ruler", "450mm", "--thickness", "3mm"], expect="accept", table=("wood", (176, 140, 100)),
        garment=dict(path="sleeve", scale=0.85, angle=93.0, at=(0, 30), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(56, 84, 50), thread=(76, 110, 70), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=640, tilt=7, tilt_towards=110, roll=-2, look_at=(0, -10), k1=-0.02,
                    focal_off=-0.005),
        props=[("scrap", (150, -190), (170, 90), 8, (196, 186, 168), 0.0), ("see_through", (10, -178), -2.0, 450.0, 50.0, (24, 24, 30), 0.6)],
        light="window", finish=dict(exposure=0.5), seed=146, samples=8),

    "47-bodice-ruler-and-bank-card": dict(
        note="Plum bodice on a grey stone floor with one 30 cm steel-grey ruler on one side and a bank card on the other.",
        args=["--ruler", "30cm", "--id-card", "--thickness", "2mm"], expect="accept", table=("stone", (120, 118, 114)),
        garment=dict(path="bodice", scale=0.85, angle=88.0, at=(10, 25), thickness=2.0, shape=SOFT),
        cloth=dict(kind="plain", base=(70, 24, 60), thread=(96, 44, 84), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=570, tilt=8, tilt_towards=55, roll=2, look_at=(0, 0), k1=-0.025, focal_off=0.007),
        props=[("measure", (20, -205), 2.0, 300.0, "mm", 28.0, (196, 198, 200)), ("id_card", (-140, 200), -14)],
        light="window", finish=dict(exposure=0.55), seed=147, samples=3),
}
