"""One entry per photo: everything that differs between the photos, as data."""

INCH = 25.4


def _box(half_w, half_h, rim):
    return (-half_w - rim, half_w + rim, -half_h - rim, half_h + rim)


SOFT = dict(wrinkles=9, wrinkle_height=2.6, undulation=0.2)

GREEN_INCH = dict(box=_box(12*INCH, 18*INCH, 12), base=(22, 74, 54), rim=10.0, numerals=INCH, wear=30,
                  layers=[(INCH/2, 0.25, (150, 190, 160), 0.45), (INCH, 0.40, (225, 235, 215), 0.85)], diagonals=(45, 60))

BLUE_CM = dict(box=_box(300, 450, 12), base=(34, 56, 108), rim=10.0, numerals=50.0, wear=25,
               layers=[(10.0, 0.25, (140, 165, 210), 0.5), (50.0, 0.45, (205, 220, 240), 0.85)])

WHITE_SHEET = dict(box=(-400, 440, -585, 604), base=(238, 238, 235), rim=0.0, grain=0.006, height=0.3, roughness=0.9,
                   layers=[(10.0, 0.22, (150, 156, 164), 0.9)])

SLATE_INCH = dict(box=_box(18*INCH, 12*INCH, 14), base=(66, 74, 86), rim=12.0, numerals=INCH, wear=40,
                  layers=[(INCH, 0.45, (214, 220, 224), 0.8)], diagonals=(45,))

SMALL_CM = dict(box=_box(220, 290, 10), base=(96, 60, 96), rim=8.0, numerals=50.0,
                layers=[(10.0, 0.30, (214, 190, 214), 0.55), (50.0, 0.60, (238, 226, 238), 0.9)])

CHARCOAL_CM = dict(box=_box(300, 220, 9), base=(40, 52, 50), rim=8.0, numerals=10.0, wear=20, stroke=0.25,
                   layers=[(10.0, 0.28, (190, 205, 200), 0.6), (100.0, 0.5, (230, 238, 232), 0.9)])

TEAL_CM = dict(box=_box(300, 220, 10), base=(26, 104, 112), rim=8.0, numerals=50.0, height=1.2, wear=20,
               layers=[(10.0, 0.25, (180, 220, 220), 0.6), (50.0, 0.45, (232, 244, 240), 0.9)], arcs=(100, 150), arc_at=(0, -220))

CHESS = dict(box=_box(450, 300, 6), base=(226, 224, 214), rim=5.0, layers=[], chess=50.0, chess_colour=(58, 62, 70), ink=(58, 62, 70))

EIGHTHS = dict(box=_box(17*INCH, 11*INCH, 16), base=(30, 84, 66), rim=14.0, numerals=INCH, wear=35,
               layers=[(INCH/8, 0.15, (150, 190, 165), 0.30), (INCH/2, 0.25, (170, 205, 180), 0.55), (INCH, 0.45, (232, 240, 224), 0.9)],
               diagonals=(30, 45, 60), arcs=(2*INCH, 4*INCH, 6*INCH), arc_at=(0, -11*INCH))

BEIGE_CM = dict(box=_box(300, 450, 14), base=(206, 190, 160), rim=12.0, numerals=50.0,
                layers=[(10.0, 0.22, (120, 96, 70), 0.55), (50.0, 0.45, (92, 66, 44), 0.85)])

BLACK_CM = dict(box=_box(300, 450, 12), base=(27, 27, 29), rim=10.0, numerals=50.0, grain=0.05,
                layers=[(10.0, 0.25, (112, 112, 116), 0.55), (50.0, 0.40, (140, 140, 144), 0.8)])

GREY_CM = dict(box=_box(300, 450, 12), base=(120, 124, 128), rim=10.0, numerals=50.0, wear=30,
               layers=[(10.0, 0.25, (196, 200, 204), 0.55), (50.0, 0.45, (236, 238, 240), 0.85)], diagonals=(45, 60))

PINK_INCH = dict(box=_box(12*INCH, 18*INCH, 12), base=(196, 84, 120), rim=10.0, numerals=INCH, wear=20,
                 layers=[(INCH/2, 0.2, (226, 150, 176), 0.5), (INCH, 0.45, (250, 226, 236), 0.85)])

KRAFT = dict(box=(-420, 420, -560, 560), base=(188, 148, 104), rim=0.0, grain=0.03, height=0.3, roughness=0.9,
             layers=[(20.0, 0.5, (60, 50, 44), 0.8)])

PALEBLUE_CM = dict(box=_box(300, 450, 12), base=(150, 186, 214), rim=10.0, numerals=50.0, wear=25,
                   layers=[(10.0, 0.25, (210, 226, 240), 0.6), (50.0, 0.45, (246, 250, 252), 0.9)])

RULED = dict(box=(-380, 380, -560, 560), base=(242, 240, 234), rim=0.0, grain=0.008, height=0.2, roughness=0.9,
             layers=[(50.0, 0.6, (70, 80, 120), 0.85)])

INCH_PAPER = dict(box=(-400, 420, -560, 580), base=(244, 243, 240), rim=0.0, grain=0.006, height=0.2, roughness=0.9,
             layers=[(INCH, 0.3, (120, 150, 190), 0.8)])

LONG_CM = dict(box=(-350, 350, -720, 720), base=(70, 92, 74), rim=10.0, numerals=50.0, wear=35, px_per_mm=7,
               layers=[(10.0, 0.25, (160, 186, 160), 0.55), (50.0, 0.45, (222, 234, 216), 0.85)])

INCH_GRID = dict(pitch_mm=INCH, bold_every=1, kind="lines")
CM5 = dict(pitch_mm=10.0, bold_every=5, kind="lines")

SCENES = {
    "01-tee-green-inch": dict(
        note="Mid-blue half tee on a dark-green inch mat, window light: the easy one.",
        args=["--grid", "1in", "--thickness", "3mm"], expect="accept",
        mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (150, 105, 66)),
        garment=dict(path="tee", angle=2.0, at=(5, 10), thickness=3.0),
        cloth=dict(kind="plain", base=(120, 150, 178), thread=(150, 175, 198)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=960, tilt=3, tilt_towards=20, roll=1.5, look_at=(0, 5)),
        light="window", finish=dict(exposure=0.42), seed=101, samples=8),

    "02-trousers-navy-on-blue": dict(
        note="Navy trousers folded along the centre, on a dark-blue 1 cm mat, bold every 5; one lamp; barrel distortion.",
        args=["--grid", "1cm", "--thickness", "4mm"], expect="accept",
        mat=BLUE_CM, grid=CM5, table=("stone", (150, 150, 148)),
        garment=dict(path="trousers", scale=0.92, angle=-3.0, at=(-20, -5), thickness=4.0, shape=dict(wrinkles=9)),
        cloth=dict(kind="plain", base=(38, 40, 54), thread=(60, 62, 80), topstitch=True, weave=0.07),
        camera=dict(size=(3024, 4032), f35=26, height_mm=1010, tilt=8, tilt_towards=0, roll=-4, look_at=(0, 0), k1=-0.04,
                    focal_off=0.007),
        light="lamp", finish=dict(exposure=0.40, balance=(1.05, 1, 0.92)), seed=102, samples=6),

    "03-tee-white-on-white": dict(
        note="White half tee on a large white sheet with a thin grey 1 cm grid; soft light, faint shadow.",
        args=["--grid", "1cm", "--thickness", "2mm"], expect="accept",
        mat=WHITE_SHEET, grid=dict(pitch_mm=10.0, bold_every=1, kind="lines"), table=("wood", (176, 140, 100)),
        garment=dict(path="tee", scale=0.95, angle=4.0, at=(-15, 12), thickness=2.2),
        cloth=dict(kind="plain", base=(238, 237, 232), weave=0.02, thread=(225, 225, 222)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=980, tilt=4, tilt_towards=-40, roll=-2, look_at=(0, 10), k1=0.012),
        light="overcast", finish=dict(exposure=0.70, balance=(0.98, 1, 1.03)), seed=103),

    "04-tee-striped-tiles": dict(
        note="Striped half tee on 300 mm floor tiles with 3 mm grout, camera turned by 30 degrees, tilt 14.",
        args=["--grid", "300mm", "--thickness", "3mm"], expect="accept",
        mat=dict(kind="tiles", box=(-1300, 1300, -1300, 1300), pitch=300.0, grout=3.0, base=(196, 188, 174),
                 grout_colour=(120, 114, 106), px_per_mm=3), grid=dict(pitch_mm=300.0, bold_every=1, kind="tiles"),
        garment=dict(path="tee", angle=-14.0, at=(60, 40), thickness=3.0),
        cloth=dict(kind="stripes", base=(232, 230, 222), stripes=[(24, 11, (40, 66, 110))], thread=(200, 200, 196)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=1080, tilt=14, tilt_towards=-15, roll=30, look_at=(40, 40), k1=-0.015),
        light="window", finish=dict(exposure=0.55), seed=104),

    "05-bodice-windowpane-tilt25": dict(
        note="Bodice in a 26 mm windowpane check on an inch mat: the check is near the grid's pitch; tilt 25.",
        args=["--grid", "1in", "--thickness", "2.5mm"], expect="accept",
        mat=SLATE_INCH, grid=INCH_GRID, table=("wood", (120, 84, 56)),
        garment=dict(path="bodice", scale=1.25, angle=86.0, at=(20, 0), thickness=2.5),
        cloth=dict(kind="check", base=(204, 186, 150), checks=[(26, 2.2, (90, 40, 36), 0.7), (13, 0.5, (110, 100, 80), 0.35)],
                   thread=(180, 160, 130), wave=1.2),
        camera=dict(size=(4032, 3024), f35=26, height_mm=900, tilt=25, tilt_towards=5, roll=3, look_at=(0, 10), k1=-0.02,
                    focal_off=-0.006),
        light="window", finish=dict(exposure=0.50), seed=105),

    "06-sleeve-cluttered-table": dict(
        note="Sleeve on a small plum mat among books, mug, spools and scissors; hard shadows; stored turned (orientation 6).",
        args=["--grid", "1cm", "--thickness", "3mm"], expect="accept", orientation=6,
        mat=SMALL_CM, grid=CM5, table=("wood", (132, 88, 52)),
        garment=dict(path="sleeve", scale=0.92, angle=8.0, at=(10, -6), thickness=3.0, shape=dict(wrinkles=6, wrinkle_height=2.6, undulation=0.2)),
        cloth=dict(kind="plain", base=(222, 176, 70), thread=(240, 205, 120)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=1240, tilt=6, tilt_towards=60, roll=7, look_at=(40, 60), k1=-0.03),
        props=[("book", (-420, 300), (190, 250), 12, (120, 40, 44)), ("book", (-430, -180), (150, 210), -20, (44, 70, 90), -2.5, 40),
               ("mug", (430, 420), (214, 210, 196)), ("scissors", (400, -60), 70, -2.5), ("spool", (340, 180), (180, 40, 60)),
               ("spool", (385, 215), (40, 120, 90)), ("spool", (330, 250), (40, 60, 140)), ("scrap", (60, 560), (260, 180), 25, (150, 170, 140)),
               ("scrap", (-60, -520), (210, 297), 80, (236, 234, 226)), ("ruler", (-60, 420), 176, 300, 30, -2.5)],
        light="lamp", finish=dict(exposure=0.38, balance=(1.06, 1, 0.88)), seed=106),

    "07-poncho-heather-covers-mat": dict(
        note="Heather-grey half poncho covering about three quarters of a 60 x 44 cm mat; pincushion; no EXIF.",
        args=["--grid", "1cm", "--thickness", "4mm"], expect="accept", exif=False,
        mat=CHARCOAL_CM, grid=dict(pitch_mm=10.0, bold_every=10, kind="lines"), table=("stone", (172, 164, 150)),
        garment=dict(path="poncho", angle=91.5, at=(4, -2), thickness=4.5, grow=(0.97, 1.0), shape=dict(wrinkles=10, wrinkle_height=2.2)),
        cloth=dict(kind="heather", base=(148, 148, 152), weave=0.09, thread=(120, 120, 124)),
        camera=dict(size=(4032, 3024), f35=28, height_mm=760, tilt=5, tilt_towards=-90, roll=-3, look_at=(0, 0), k1=0.03),
        light="window", finish=dict(exposure=0.40), seed=107),

    "08-tunic-over-the-rim": dict(
        note="Small-print tunic lying partly beyond the mat's rim; weight on the cloth, pins, scissors, ruler strip.",
        args=["--grid", "1cm", "--thickness", "2mm"], expect="accept",
        mat=TEAL_CM, grid=CM5, table=("wood", (170, 128, 84)),
        garment=dict(path="bodice", scale=1.0, grow=(1.05, 1.12), angle=95.0, at=(96, 6), thickness=2.0, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="print", base=(242, 226, 208), print_colour=(196, 70, 80), dot_colour=(250, 214, 90), rib=False),
        camera=dict(size=(4032, 3024), f35=26, height_mm=820, tilt=7, tilt_towards=120, roll=2, look_at=(40, 0), k1=-0.025),
        props=[("weight", (40, 40), 2.6), ("pin", (-148, 60), 10), ("pin", (60, -118), 95), ("ruler", (-60, -262), 1, 300, 30, -1.2),
               ("scissors", (-215, 120), 100, 0.0)],
        light="window", finish=dict(exposure=0.50), seed=108, samples=3),

    "09-skirt-red-chessboard": dict(
        note="Red half skirt on a mat of 50 mm chessboard squares; stored turned (orientation 8).",
        args=["--grid", "50mm", "--thickness", "3mm"], expect="accept", orientation=8,
        mat=CHESS, grid=dict(pitch_mm=50.0, bold_every=1, kind="chess"), table=("stone", (120, 124, 128)),
        garment=dict(path="skirt", scale=0.86, angle=88.0, at=(0, 4), thickness=3.0, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="plain", base=(186, 36, 44), thread=(150, 30, 36), weave=0.06),
        camera=dict(size=(4032, 3024), f35=26, height_mm=900, tilt=9, tilt_towards=170, roll=-6, look_at=(0, 0), k1=-0.05),
        light="overcast", finish=dict(exposure=0.62, balance=(1.03, 1, 0.96)), seed=109, samples=3),

    "10-shorts-denim-eighths": dict(
        note="Denim shorts on an inch mat with 1/8 in subdivisions, diagonals and arcs; two lamps; a hand reaching in.",
        args=["--grid", "1in", "--thickness", "5mm"], expect="accept",
        mat=EIGHTHS, grid=dict(INCH_GRID, subdivisions=8), table=("wood", (96, 66, 46)),
        garment=dict(path="shorts", scale=1.05, angle=3.0, at=(40, 0), thickness=5.0, shape=dict(wrinkles=11, wrinkle_height=3.0, undulation=0.18)),
        cloth=dict(kind="denim", base=(66, 82, 108), thread=(206, 150, 70), topstitch=True, weave=0.10),
        camera=dict(size=(4032, 3024), f35=26, height_mm=860, tilt=12, tilt_towards=-20, roll=-2, look_at=(0, 10), k1=-0.03, focal_off=0.01),
        props=[("hand", (-330, -70), 8)],
        light="two-lamps", finish=dict(exposure=0.42), seed=110, samples=3),

    "11-skirt-cream-shadowed": dict(
        note="Cream half skirt on a beige mat with dark lines; the photographer's own shadow lies across.",
        args=["--grid", "1cm", "--thickness", "2mm"], expect="accept",
        mat=BEIGE_CM, grid=CM5, table=("wood", (88, 60, 42)),
        garment=dict(path="skirt", scale=1.08, angle=-5.0, at=(10, 5), thickness=2.4, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="plain", base=(236, 226, 200), thread=(220, 206, 176), weave=0.03),
        camera=dict(size=(3024, 4032), f35=26, height_mm=1000, tilt=6, tilt_towards=10, roll=3, look_at=(0, 0), k1=-0.01),
        props=[("photographer", (260, -1000))],
        light=dict(ambient=(0.35, (0.96, 0.98, 1.0)),
                   lamps=[dict(at=(420, -1500, 2500), aim=(0, 0, 0), size=(200, 200), power=3200, colour=(1.0, 0.95, 0.86), shape="DISK")]),
        finish=dict(exposure=0.62), seed=111, samples=2),

    "12-trousers-charcoal-on-black": dict(
        note="Charcoal trousers on a black mat with grey lines: hard, stretches of the edge are barely visible.",
        args=["--grid", "1cm", "--thickness", "3mm"], expect="accept",
        mat=BLACK_CM, grid=CM5, table=("wood", (140, 104, 72)),
        garment=dict(path="trousers", scale=0.9, angle=2.0, at=(15, 0), thickness=3.2, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="plain", base=(37, 37, 40), weave=0.10, thread=(48, 48, 52)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=980, tilt=5, tilt_towards=200, roll=-1, look_at=(0, 0), k1=-0.02),
        light="window", finish=dict(exposure=0.34), seed=112, samples=2),

    "13-no-grid": dict(
        note="Half tee on a bare wooden table: nothing to measure by. A small picture, 3 MP.",
        args=["--grid", "1cm", "--thickness", "3mm"], expect="refuse", refuse_code="no-reference",
        table=("wood", (168, 122, 78)),
        garment=dict(path="tee", scale=0.9, angle=-6.0, at=(0, 0), thickness=3.0, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="plain", base=(96, 128, 110), thread=(130, 160, 140)),
        camera=dict(size=(1512, 2016), f35=26, height_mm=900, tilt=5, roll=4),
        props=[("scissors", (-390, -260), 80), ("spool", (300, -380), (180, 60, 60), 0.0)],
        light="window", finish=dict(exposure=0.45), seed=113, samples=3),

    "14-blurred": dict(
        note="The first photo, moved and out of focus: its lines cannot be resolved.",
        args=["--grid", "1in", "--thickness", "3mm"], expect="refuse", refuse_code="blurred", same_render="01-tee-green-inch",
        finish=dict(exposure=0.42, blur=(71, 33, 10)), seed=114),

    "15-sliver-of-mat": dict(
        note="Dungarees beside the mat: only two to three cells of it reach into the frame. A small picture, 3 MP.",
        args=["--grid", "1in", "--thickness", "3mm"], expect="refuse", refuse_code="reference-too-small",
        mat=dict(GREEN_INCH, diagonals=(), box=(-10*INCH, 26*INCH, -30*INCH, 6*INCH)), grid=dict(INCH_GRID, subdivisions=2), table=("wood", (150, 105, 66)),
        garment=dict(path="dungarees", angle=-4.0, at=(-590, 610), thickness=3.0, shape=dict(wrinkles=10, wrinkle_height=2.8, undulation=0.2)),
        cloth=dict(kind="plain", base=(190, 110, 70), thread=(220, 150, 100), topstitch=True),
        camera=dict(size=(1512, 2016), f35=26, height_mm=800, tilt=3, roll=2, look_at=(-560, 590)),
        light="window", finish=dict(exposure=0.45), seed=115, samples=3),

    "16-wrong-pitch-typed": dict(
        note="The denim shorts again, darker and noisier, with a pitch typed that the inch mat's own divisions contradict.",
        args=["--grid", "1cm", "--thickness", "5mm"], expect="warn", refuse_code="pitch-contradicted", same_render="10-shorts-denim-eighths",
        finish=dict(exposure=0.33, noise=1.8, balance=(1.05, 1, 0.9)), seed=116),

    "17-tee-black-on-green": dict(
        note="Black half tee on the dark-green inch mat under one lamp; barrel distortion.",
        args=["--grid", "1in", "--thickness", "3mm"], expect="accept",
        mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (90,64,44)),
        garment=dict(path="tee", scale=0.95, angle=-3.0, at=(-5,-12), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(24,24,27), thread=(40,40,44), weave=0.09),
        camera=dict(size=(3024,4032), f35=26, height_mm=990, tilt=9, tilt_towards=-60, roll=3, look_at=(0,0), k1=-0.03, focal_off=0.008),
        light="lamp", finish=dict(exposure=0.42), seed=901, samples=3),

    "18-tee-fine-stripes-on-grey": dict(
        note="Finely striped half tee on a grey 1 cm mat whose printed diagonals graze its edge; tilt 16.",
        args=["--grid", "1cm", "--thickness", "2mm"], expect="accept",
        mat=GREY_CM, grid=CM5, table=("stone", (180,176,168)),
        garment=dict(path="tee", scale=0.97, angle=7.0, at=(10,0), thickness=2.0, shape=SOFT),
        cloth=dict(kind="stripes", base=(236,234,228), stripes=[(9, 3.2, (150,156,162))], thread=(200,200,196)),
        camera=dict(size=(3024,4032), f35=26, height_mm=1000, tilt=16, tilt_towards=30, roll=-6, look_at=(0,0), k1=-0.02),
        light="window", finish=dict(exposure=0.5), seed=902, samples=3),

    "19-shorts-pale-denim-on-pale-blue": dict(
        note="Pale denim shorts on a pale-blue mat, one lamp: the same lightness and nearly the same hue.",
        args=["--grid", "1cm", "--thickness", "5mm"], expect="accept",
        mat=PALEBLUE_CM, grid=CM5, table=("wood", (96,66,46)),
        garment=dict(path="shorts", scale=0.95, angle=5.0, at=(0,30), thickness=5.0, shape=SOFT),
        cloth=dict(kind="denim", base=(136,164,192), thread=(220,180,120), topstitch=True, weave=0.1),
        camera=dict(size=(3024,4032), f35=26, height_mm=980, tilt=7, tilt_towards=60, roll=-3, look_at=(0,0), k1=0.02),
        light="lamp", finish=dict(exposure=0.5), seed=905, samples=3),

    "20-trousers-heather-on-grey": dict(
        note="Grey heathered trousers on a grey mat: hue and texture all but alike.",
        args=["--grid", "1cm", "--thickness", "4mm"], expect="accept",
        mat=GREY_CM, grid=CM5, table=("wood", (120,84,56)),
        garment=dict(path="trousers", scale=0.9, angle=-2.0, at=(10,0), thickness=4.0, shape=SOFT),
        cloth=dict(kind="heather", base=(128,128,132), weave=0.09, thread=(110,110,114)),
        camera=dict(size=(3024,4032), f35=26, height_mm=1000, tilt=6, tilt_towards=0, roll=2, look_at=(0,0), k1=-0.02),
        light="window", finish=dict(exposure=0.45), seed=904, samples=3),

    "21-sleeve-rose-on-pink": dict(
        note="Rose sleeve on a pink inch mat, camera turned by 88 degrees; two lamps; strong barrel distortion.",
        args=["--grid", "1in", "--thickness", "3mm"], expect="accept",
        mat=PINK_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (200,180,150)),
        garment=dict(path="sleeve", scale=1.0, angle=-6.0, at=(0,0), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(150,46,84), thread=(180,80,110), weave=0.06),
        camera=dict(size=(4032,3024), f35=26, height_mm=900, tilt=11, tilt_towards=200, roll=88, look_at=(0,0), k1=-0.05),
        light="two-lamps", finish=dict(exposure=0.45), seed=906, samples=3),

    "22-sleeve-brown-on-ruled-kraft": dict(
        note="Brown heathered sleeve on kraft paper ruled every 2 cm, a hard lamp, tilt 20: the shadow has the cloth's own colour.",
        args=["--grid", "2cm", "--thickness", "3mm"], expect="accept",
        mat=KRAFT, grid=dict(pitch_mm=20.0,bold_every=1,kind="lines"), table=("wood", (96,66,46)),
        garment=dict(path="sleeve", scale=1.2, angle=30.0, at=(0,0), thickness=3.5, shape=SOFT),
        cloth=dict(kind="heather", base=(120,88,62), weave=0.07, thread=(90,70,50)),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=900, tilt=20, tilt_towards=-30, roll=10, k1=0.02),
        light="lamp", finish=dict(exposure=0.48, noise=2.0, quality=88), seed=2007, samples=3),

    "23-skirt-tartan-on-white": dict(
        note="Tartan skirt on a large white sheet with a thin grid, one lamp, tilt 18: the checks make a bolder grid than the sheet's own.",
        args=["--grid","1cm","--thickness","3.5mm"], expect="accept",
        mat=WHITE_SHEET, grid=dict(pitch_mm=10.0,bold_every=1,kind="lines"), table=("wood",(150,110,70)),
        garment=dict(path="skirt", scale=0.95, angle=-4.0, at=(10,0), thickness=3.5, shape=SOFT),
        cloth=dict(kind="check", base=(40,70,60), checks=[(62.0,18.0,(150,40,44),0.6),(62.0,4.0,(230,220,190),0.5)], thread=(60,80,70), wave=1.5),
        camera=dict(size=(3024,4032), f35=26, height_mm=1020, tilt=18, tilt_towards=140, roll=-4, look_at=(0,0), k1=-0.03),
        light="lamp", finish=dict(exposure=0.45), seed=909, samples=3),

    "24-bodice-navy-print-on-slate": dict(
        note="Navy bodice with a white and red print on a slate inch mat under one lamp: the print has the colour of the mat's diagonals.",
        args=["--grid","1in","--thickness","2.5mm"], expect="accept",
        mat=SLATE_INCH, grid=INCH_GRID, table=("wood",(190,160,120)),
        garment=dict(path="bodice", scale=1.1, angle=-3.0, at=(0,0), thickness=2.5, shape=SOFT),
        cloth=dict(kind="print", base=(30,36,80), print_colour=(220,220,210), dot_colour=(180,60,70), rib=True),
        camera=dict(size=(4032,3024), f35=26, height_mm=880, tilt=9, tilt_towards=-40, roll=-2, look_at=(0,0), k1=-0.04),
        light="lamp", finish=dict(exposure=0.45), seed=912, samples=3),

    "25-bodice-dark-print-far-away": dict(
        note="Dark print bodice on a black 1 cm mat from 1.5 m: a millimetre is less than two pixels.",
        args=["--grid","1cm","--thickness","2mm"], expect="accept",
        mat=BLACK_CM, grid=CM5, table=("wood",(170,130,90)),
        garment=dict(path="bodice", scale=1.1, angle=92.0, at=(0,0), thickness=2.0, shape=SOFT),
        cloth=dict(kind="print", base=(40,40,74), print_colour=(150,50,60), dot_colour=(210,180,90), rib=False),
        camera=dict(size=(3024,4032), f35=26, height_mm=1500, tilt=12, tilt_towards=20, roll=-9, look_at=(30,40), k1=-0.03),
        light="window", finish=dict(exposure=0.45), seed=908, samples=3),

    "26-shorts-white-on-inch-paper": dict(
        note="White shorts on white paper with inch lines, one lamp: only the hidden lines and a faint groove show the cloth.",
        args=["--grid","1in","--thickness","4mm"], expect="accept",
        mat=INCH_PAPER, grid=dict(pitch_mm=INCH,bold_every=1,kind="lines"), table=("wood",(120,84,56)),
        garment=dict(path="shorts", scale=1.0, angle=-4.0, at=(5,-10), thickness=4.0, shape=SOFT),
        cloth=dict(kind="plain", base=(240,239,236), thread=(226,225,222), weave=0.03),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=980, tilt=6, tilt_towards=30, roll=4, k1=0.02), light="lamp", finish=dict(exposure=0.6), seed=922, samples=3),

    "27-bodice-stripes-of-the-papers-colour": dict(
        note="Bodice with stripes of the paper's own colour on a sheet ruled every 5 cm, tilt 22: stripes graze the shoulder and the hem.",
        args=["--grid","5cm","--thickness","3mm"], expect="accept",
        mat=RULED, grid=dict(pitch_mm=50.0,bold_every=1,kind="lines"), table=("wood",(96,66,46)),
        garment=dict(path="bodice", scale=1.2, angle=12.0, at=(-10,20), thickness=3.0, shape=SOFT),
        cloth=dict(kind="stripes", base=(60,84,120), stripes=[(22,6,(230,228,220))], thread=(90,110,140)),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=1000, tilt=22, tilt_towards=70, roll=-12, k1=0.03), light="lamp", finish=dict(exposure=0.5), seed=924, samples=3),

    "28-trousers-inch-check-on-inch-mat": dict(
        note="Trousers in a 25 mm check on the green inch mat, two lamps, tilt 13: printed lines run along the edge.",
        args=["--grid","1in","--thickness","2mm"], expect="accept",
        mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("stone",(150,150,148)),
        garment=dict(path="trousers", scale=0.95, angle=1.5, at=(0,0), thickness=2.0, shape=SOFT),
        cloth=dict(kind="check", base=(226,226,218), checks=[(25.0,12.5,(40,90,70),0.5)], thread=(200,205,196), wave=0.6),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=1060, tilt=13, tilt_towards=-80, roll=2, k1=-0.03), light="two-lamps", finish=dict(exposure=0.45), seed=923, samples=3),

    "29-sleeve-pale-pink-on-white": dict(
        note="Pale pink sleeve on the white sheet, one lamp: a dark groove on the shadow side, hardly one on the other.",
        args=["--grid","1cm","--thickness","3mm"], expect="accept",
        mat=WHITE_SHEET, grid=dict(pitch_mm=10.0,bold_every=1,kind="lines"), table=("stone",(120,118,116)),
        garment=dict(path="sleeve", scale=1.15, angle=14.0, at=(0,0), thickness=3.0, shape=SOFT),
        cloth=dict(kind="plain", base=(236,214,212), thread=(224,200,198), weave=0.05),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=940, tilt=5, tilt_towards=160, roll=-6, k1=0.01), light="lamp", finish=dict(exposure=0.6, balance=(1.05,1,0.9)), seed=944, samples=3),

    "30-sweatshirt-four-layers": dict(
        note="Heather sweatshirt half, four thick layers, from close by: the height of the cloth matters.",
        args=["--grid", "1in", "--layers", "4", "--cloth", "sweatshirt"], expect="accept",
        mat=GREEN_INCH, grid=dict(INCH_GRID, subdivisions=2), table=("wood", (120, 84, 56)),
        garment=dict(path="tee", scale=0.94, angle=-3.0, at=(-10, 5), thickness=4.4, shape=dict(wrinkles=9, wrinkle_height=2.4, undulation=0.15)),
        cloth=dict(kind="heather", base=(176, 150, 158), weave=0.07, thread=(140, 116, 124)),
        camera=dict(size=(3024, 4032), f35=26, height_mm=800, tilt=6, tilt_towards=30, roll=2, look_at=(0, 5), k1=-0.02),
        light="window", finish=dict(exposure=0.45), seed=130, samples=2),

    "31-trousers-with-bare-mat": dict(
        note="The charcoal trousers once more, with a photo of their bare black mat from slightly elsewhere.",
        args=["--grid", "1cm", "--thickness", "3mm", "--bare", "31-trousers-with-bare-mat.jpg"], expect="accept",
        bare_of="12-trousers-charcoal-on-black",
        camera=dict(size=(3024, 4032), f35=26, height_mm=1004, tilt=3.4, tilt_towards=150, roll=1.2, look_at=(14, -11), k1=-0.02),
        finish=dict(exposure=0.36), seed=131),

    "32-tee-with-bare-sheet": dict(
        note="The white tee once more, with a photo of its bare white sheet from slightly elsewhere.",
        args=["--grid", "1cm", "--thickness", "2mm", "--bare", "32-tee-with-bare-sheet.jpg"], expect="accept",
        bare_of="03-tee-white-on-white", samples=2,
        camera=dict(size=(3024, 4032), f35=26, height_mm=962, tilt=5.2, tilt_towards=-20, roll=-3.4, look_at=(-12, 20), k1=0.012),
        finish=dict(exposure=0.72, balance=(0.99, 1, 1.02)), seed=132),

    "33-trousers-long": dict(
        note="Trousers longer than one close photo shows: two photos, the second taken from the other end of the mat.",
        args=["--grid", "1cm", "--thickness", "3mm"], expect="accept",
        mat=LONG_CM, grid=CM5, table=("wood", (132, 98, 66)),
        garment=dict(path="trousers", scale=1.24, grow=(0.98, 1.0), angle=2.0, at=(5, 0), thickness=3.0, shape=dict(wrinkles=14, wrinkle_height=2.2)),
        cloth=dict(kind="plain", base=(168, 84, 52), thread=(206, 128, 84), topstitch=True, weave=0.07),
        shots=[dict(size=(3024, 4032), f35=26, height_mm=700, tilt=5, tilt_towards=10, roll=2, look_at=(5, -240), k1=-0.02),
               dict(size=(3024, 4032), f35=26, height_mm=715, tilt=6, tilt_towards=-30, roll=178, look_at=(0, 235), k1=-0.02)],
        light="overcast", finish=dict(exposure=0.50), seed=133, samples=2),

    "34-bodice-red-marks": dict(
        note="Plain bodice with red stickers along a seam felt through the cloth; other red things lie beside it.",
        args=["--grid", "1cm", "--thickness", "2mm", "--marks", "red"], expect="accept",
        mat=TEAL_CM, grid=CM5, table=("wood", (170, 128, 84)),
        garment=dict(path="bodice", scale=0.86, angle=84.0, at=(10, 0), thickness=2.2, shape=dict(wrinkles=0, undulation=0.06)),
        cloth=dict(kind="plain", base=(214, 206, 188), thread=(196, 184, 160), mark_mm=8.0, mark_colour=(206, 32, 40),
                   marks=[(120, 22), (122, 65), (127, 108), (131, 150), (133, 192), (129, 234), (118, 275), (103, 314), (88, 352)]),
        camera=dict(size=(4032, 3024), f35=26, height_mm=800, tilt=9, tilt_towards=70, roll=-2, look_at=(0, 0), k1=-0.03),
        props=[("spool", (345, 150), (190, 36, 44)), ("scrap", (-60, 300), (150, 90), 12, (186, 30, 40))],
        light="window", finish=dict(exposure=0.50), seed=134, samples=2),
    "35-tee-heather-in-two-shadows": dict(
        note="Charcoal heather tee on the grey mat between two lamps, evening noise, tilt 18: half shadows are of the cloth's own grey.",
        args=["--grid","1cm","--thickness","3mm"], expect="accept",
        mat=GREY_CM, grid=CM5, table=("wood",(110,80,56)),
        garment=dict(path="tee", scale=0.92, angle=-3.0, at=(0,5), thickness=3.0, shape=SOFT),
        cloth=dict(kind="heather", base=(84,86,92), weave=0.09, thread=(70,72,78)),
        camera=dict(size=(3024,4032), f35=26, look_at=(0,0), height_mm=960, tilt=18, tilt_towards=-20, roll=-8, k1=-0.03), light="two-lamps", finish=dict(exposure=0.4, noise=3.0), seed=947, samples=3),

}

for _s in SCENES.values():
    if "bare_of" in _s:
        for _k in ("mat", "grid", "table", "light"):
            _s.setdefault(_k, SCENES[_s["bare_of"]][_k])
    if "same_render" in _s:
        for _k, _v in SCENES[_s["same_render"]].items():
            _s.setdefault(_k, _v)
