"""The patterns that the garments of the demo sets were sewn from, stitching lines only, and the garments' own outlines.

    python set_patterns.py [OUT]        checks every pair of seams and writes OUT/NAME/pattern.truth.json

Frame of a piece: mm, y up. Bodies and sleeves: the fold lies on x = 0, the cloth to its right; legs: the middle of the
hem lies on (0, 0), the grain along x = 0. Edges run anticlockwise. Seams that are sewn together have equal lengths
because one of them is solved for, and meet at corners that add up to 180 degrees.
"""
import json
import os
import sys
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, fsolve

INCH = 25.4
NODES, WEIGHTS = np.polynomial.legendre.leggauss(64)

ROLES = dict(hem="hem", side="side-seam", armhole="armhole", shoulder="shoulder", neck="neckline", fold="fold", underarm="underarm-seam",
             cap="sleeve-cap", sleeve_hem="hem", sleeve_top="fold", inseam="inseam", rise="rise", waist="waist", outseam="outseam")


@dataclass
class Edge:
    """Lines (2 points) and cubics (4 points), end to end."""
    name: str
    segments: list

    @property
    def length(self):
        return sum(length(s) for s in self.segments)


def vec(*xy):
    return np.array(xy, float)


def direction(degrees):
    return vec(np.cos(np.radians(degrees)), np.sin(np.radians(degrees)))


def unit(v):
    return v / np.hypot(*v)


def left_of(v):
    return vec(-v[1], v[0])


def line(a, b):
    return np.array([a, b], float)


def cubic(a, towards, reach, b, coming, back):
    """From a to b, leaving along `towards`, arriving along `coming`, with the lengths of both handles."""
    return np.array([a, a + reach*unit(towards), b - back*unit(coming), b], float)


def at(segment, t):
    t = np.asarray(t, float)[..., None]
    if len(segment) == 2:
        return segment[0]*(1 - t) + segment[1]*t
    a, b, c, d = segment
    return (1-t)**3*a + 3*(1-t)**2*t*b + 3*(1-t)*t*t*c + t**3*d


def length(segment):
    """By Gauss's quadrature in four parts: exact to far below a thousandth of a millimetre."""
    if len(segment) == 2:
        return float(np.hypot(*(segment[1] - segment[0])))
    a, b, c, d = segment
    total = 0.0
    for k in range(4):
        t = ((k + (NODES + 1)/2)/4)[:, None]
        v = 3*(1-t)**2*(b-a) + 6*(1-t)*t*(c-b) + 3*t*t*(d-c)
        total += float(WEIGHTS @ np.hypot(*v.T)) / 8
    return total


def split(segment, t):
    """De Casteljau: the parts before and after t."""
    p = [segment]
    while len(p[-1]) > 1:
        p.append(p[-1][:-1]*(1 - t) + p[-1][1:]*t)
    return np.array([q[0] for q in p]), np.array([q[-1] for q in p[::-1]])


def solved(f, low, high):
    return brentq(f, low, high, xtol=1e-10)


def reversed_segments(segments):
    return [s[::-1] for s in segments[::-1]]


def ring(edges):
    """The form of garments.from_path; raises if the edges do not meet."""
    out, here = [tuple(edges[0].segments[0][0])], edges[0].segments[0][0]
    for e in edges:
        for s in e.segments:
            assert np.hypot(*(s[0] - here)) < 1e-7, e.name
            out.append((e.name, *[tuple(p) for p in s[1:]]))
            here = s[-1]
    assert np.hypot(*(here - vec(*out[0]))) < 1e-7
    return out


def _body(side, underarm, armhole, shoulder_point, neck_point, neck_low, neck_handles, hem):
    """Half a body on the fold. `armhole`: handles at underarm and shoulder."""
    over = unit(neck_point - shoulder_point)
    side_end = unit(side[-1] - side[-2])
    hem_end = -left_of(unit(side[1] - side[0]))
    arm = cubic(underarm, left_of(side_end), armhole[0], shoulder_point, -left_of(over), armhole[1])
    neck = cubic(neck_point, left_of(over), neck_handles[0], vec(0, neck_low), vec(-1, 0), neck_handles[1])
    return [Edge("hem", [cubic(vec(0, 0), vec(1, 0), hem[0], side[0], hem_end, hem[1])]), Edge("side", [side]), Edge("armhole", [arm]),
            Edge("shoulder", [line(shoulder_point, neck_point)]), Edge("neck", [neck]), Edge("fold", [line(vec(0, neck_low), vec(0, 0))])]


def edge(edges, name):
    return next(e for e in edges if e.name == name)


def harbour_tee():
    """Medium jersey tee: 40 in round the chest, 27 in long, sleeve 9 in along its middle."""
    hem_side, underarm = vec(9.9*INCH, 0.4*INCH), vec(10.0*INCH, 17.5*INCH)
    side = cubic(hem_side, direction(92.0), 130, underarm, direction(86.5), 150)
    neck_point, shoulder = vec(3.3*INCH, 27.0*INCH), 5.2*INCH
    front_tip = neck_point + shoulder*direction(-17.0)
    front = _body(side, underarm, (62, 92), front_tip, neck_point, 23.0*INCH, (70, 38), (90, 80))
    back_tip = neck_point + shoulder*direction(-15.0)
    back = _body(side, underarm, (52, 88), back_tip, neck_point, 26.1*INCH, (14, 52), (90, 80))
    ease = 6.0
    wanted = (edge(front, "armhole").length + edge(back, "armhole").length + ease) / 2
    top, half = 9.0*INCH, 8.0*INCH

    def sleeve(height):
        low, under = vec(7.2*INCH, 0.25*INCH), vec(half, top - height)
        seam = line(low, under)
        hem = cubic(vec(0, 0), vec(1, 0), 60, low, -left_of(unit(under - low)), 60)
        cap = cubic(under, left_of(unit(under - low)), 68, vec(0, top), vec(-1, 0), 66)
        return [Edge("sleeve_hem", [hem]), Edge("underarm", [seam]), Edge("cap", [cap]), Edge("fold", [line(vec(0, top), vec(0, 0))])]

    height = solved(lambda h: edge(sleeve(h), "cap").length - wanted, 60, 180)
    sleeve = sleeve(height)
    vee = cubic(neck_point, left_of(direction(163.0)), 60, vec(0, 20.5*INCH), vec(-0.42, -1.0), 60)
    opening = 2*(edge(front, "neck").length + edge(back, "neck").length)
    return dict(
        name="Harbour tee", words="Jersey tee of Maren Holt, Skarvik: half front and half back on the fold, short sleeve folded along its middle. "
        "1 in mat. Four layers of jersey lie in every photo.",
        pieces=dict(front=dict(edges=front, words="half front body, cut 1 on the fold", photo="front.jpg"),
                    back=dict(edges=back, words="half back body, cut 1 on the fold", photo="back.jpg"),
                    sleeve=dict(edges=sleeve, words="half sleeve, cut 2 on the fold; front and back of the cap are alike", photo="sleeve.jpg")),
        variations={"front, V neckline": dict(of="front", replaces="neck", edge=Edge("neck", [vee]),
                                              words="from the neck point to 20 1/2 in above the hem on the fold")},
        by_measure=[dict(name="neckband", words="rib, one strip; doubled along its length", finished_width_mm=0.75*INCH, ratio=0.85,
                         opening_mm=opening, finished_length_mm=0.85*opening)],
        pairs=[pair([("front", "side")], [("back", "side")]), pair([("front", "shoulder")], [("back", "shoulder")]),
               pair([("front", "armhole"), ("back", "armhole")], [("sleeve", "cap"), ("sleeve", "cap")], ease)],
        measures=dict(chest_mm=4*10.0*INCH, length_mm=27.0*INCH, shoulder_mm=shoulder, sleeve_middle_mm=top, cap_height_mm=height, cap_ease_mm=ease,
                      bicep_mm=2*half, neck_opening_mm=opening))


def pair(a, b, ease=0.0):
    """Edges sewn together; the second side is longer by `ease` mm."""
    return dict(a=a, b=b, ease_mm=ease)


@dataclass
class Leg:
    """One leg with its elastic stretched (`let_out`) and relaxed."""
    let_out: list
    relaxed: list
    hip: np.ndarray


def _leg(hem, crotch_x, crotch_y, knee, top, rise_end, rise_handles, hip_x, hip_y, upper, stretched, relaxed):
    """`hem`: half width; `top`: upper end of the rise; `upper`: length of the outseam above the hip."""
    low_out, low_in, crotch = vec(-hem, 0), vec(hem, 0), vec(crotch_x, crotch_y)
    arrives = direction(69.0)
    inseam = cubic(low_in, vec(0, 1), knee[0], crotch, arrives, knee[1])
    rise = cubic(crotch, left_of(arrives), rise_handles[0], top, direction(rise_end), rise_handles[1])
    hip, waist_leaves = vec(hip_x, hip_y), left_of(direction(rise_end))

    def waist(corner, up):
        return cubic(top, waist_leaves, 70, corner, left_of(up), 70)

    def straight(angle):
        corner = hip + upper*direction(angle)
        return corner, waist(corner, direction(angle))

    angle = solved(lambda a: length(straight(a)[1]) - stretched, 76, 118)
    corner, wide = straight(angle)
    lower = cubic(hip, -direction(angle), 200, low_out, vec(0, -1), 260)

    def drawn_in(xy):
        at_waist, up = vec(*xy), direction(76.0)
        return cubic(hip, direction(angle), 55, at_waist, up, 60), waist(at_waist, up)

    found = fsolve(lambda xy: [length(drawn_in(xy)[0]) - upper, length(drawn_in(xy)[1]) - relaxed], corner + vec(stretched - relaxed, 0), xtol=1e-12)
    curved, narrow = drawn_in(found)
    common = [Edge("hem", [line(low_out, low_in)]), Edge("inseam", [inseam]), Edge("rise", [rise])]
    return Leg(common + [Edge("waist", [wide]), Edge("outseam", [line(corner, hip), lower])],
               common + [Edge("waist", [narrow]), Edge("outseam", [curved[::-1], lower])], hip)


def orchard_trousers():
    """Loose woven trousers with elastic at the waist: inseam about 69 cm, hip 104 cm."""
    upper = 175.0
    front = _leg(105, 158, 690, (230, 150), vec(96, 930), 97.0, (46, 120), -152, 760, upper, 245.0, 192.0)
    inseam, lower = edge(front.let_out, "inseam").length, length(edge(front.let_out, "outseam").segments[1])

    def back(crotch_y, hip_y):
        return _leg(115, 222, crotch_y, (240, 170), vec(86, 968), 108.0, (92, 130), -162, hip_y, upper, 262.0, 206.0)

    def misses(v):
        leg = back(*v)
        return [edge(leg.let_out, "inseam").length - inseam, length(edge(leg.let_out, "outseam").segments[1]) - lower]

    back = back(*fsolve(misses, [680.0, 760.0], xtol=1e-12))
    cuff = 2*(105 + 115)
    pieces = {}
    for name, leg, photo in (("front", front, "front.jpg"), ("back", back, "back.jpg")):
        pieces[name] = dict(edges=leg.let_out, as_photographed=leg.relaxed, photo=photo, hip=leg.hip,
                            words=f"{name} leg, cut 2 (a pair); the pattern has the waist stretched, the photo shows it relaxed")
    return dict(
        name="Orchard trousers", words="Woven cotton trousers of Ivo Brandl, Lindach, elastic at the waist. The garment is folded at its centre, "
        "so each photo shows one leg. 1 cm mat.", pieces=pieces, variations={},
        by_measure=[dict(name="leg cuff", words="a band of the same cloth, doubled along its length", finished_width_mm=40.0, ratio=0.9,
                         opening_mm=float(cuff), finished_length_mm=0.9*cuff),
                    dict(name="shorts", words="both legs cut off at an inseam of 180 mm, at right angles to both seams", inseam_mm=180.0)],
        pairs=[pair([("front", "inseam")], [("back", "inseam")]), pair([("front", "outseam")], [("back", "outseam")])],
        measures=dict(inseam_mm=inseam, outseam_mm=upper + lower, outseam_above_hip_mm=upper, waist_relaxed_mm=2*(192.0 + 206.0),
                      waist_stretched_mm=2*(245.0 + 262.0), front_rise_mm=edge(front.let_out, "rise").length,
                      back_rise_mm=edge(back.let_out, "rise").length, front_waist_relaxed_mm=192.0, front_waist_stretched_mm=245.0,
                      back_waist_relaxed_mm=206.0, back_waist_stretched_mm=262.0))


def workshop_smock():
    """Linen smock with dropped shoulders: body and sleeve lie in one outline, the armhole seam inside it."""
    slope = direction(-20.0)
    down = vec(slope[1], -slope[0])
    neck_point = vec(90, 690)
    tip, end = neck_point + 150*slope, neck_point + 415*slope
    low = end + 165*down
    hem_side, underarm = vec(300, 9), vec(284, 430)
    side = cubic(hem_side, direction(93.0), 130, underarm, direction(90.5), 140)
    hem = cubic(vec(0, 0), vec(1, 0), 100, hem_side, -left_of(direction(93.0)), 90)
    seam = cubic(underarm, direction(-8.0), 40, low, slope, 50)
    neck = cubic(neck_point, down, 74, vec(0, 590), vec(-1, 0), 42)
    arm = cubic(tip, down, 96, underarm, direction(2.0), 66)
    back_neck = cubic(neck_point, down, 16, vec(0, 668), vec(-1, 0), 54)
    hem, side, neck, fold = Edge("hem", [hem]), Edge("side", [side]), Edge("neck", [neck]), Edge("fold", [line(vec(0, 590), vec(0, 0))])
    shoulder = Edge("shoulder", [line(tip, neck_point)])
    top, cuff, under = Edge("sleeve_top", [line(end, tip)]), Edge("sleeve_hem", [line(low, end)]), Edge("underarm", [seam])
    whole = [hem, side, under, cuff, top, shoulder, neck, fold]
    front = [hem, side, Edge("armhole", [arm[::-1]]), shoulder, neck, fold]
    sleeve = [under, cuff, top, Edge("cap", [arm])]
    return dict(
        name="Workshop smock", words="Linen smock of Tilda Voss, Old Ropewalk: half body on the fold with its sleeve lying out flat; the armhole seam "
        "lies inside the outline, stickers mark it. 1 cm mat.",
        pieces=dict(front=dict(edges=front, words="half front body, cut 1 on the fold", photo="body-with-sleeve.jpg"),
                    sleeve=dict(edges=sleeve, words="half sleeve, cut 2 on the fold (sleeve_top), as it lies beside the body",
                                photo="body-with-sleeve.jpg")),
        photographed={"body-with-sleeve": whole}, inside=dict(name="armhole", segments=[arm]), marks=_along(arm, 9, 14.0),
        variations={"back": dict(of="front", replaces="neck", edge=Edge("neck", [back_neck]), words="the back is the front with this neckline")},
        by_measure=[dict(name="neck binding", words="bias strip, finished 10 mm wide", finished_width_mm=10.0, ratio=1.0,
                         opening_mm=2*(neck.length + length(back_neck)), finished_length_mm=2*(neck.length + length(back_neck)))],
        pairs=[pair([("front", "armhole")], [("sleeve", "cap")])],
        measures=dict(chest_mm=4*284.0, length_mm=690.0, shoulder_mm=150.0, sleeve_top_mm=265.0, sleeve_hem_mm=2*165.0, armhole_mm=length(arm)))


def _along(segment, count, inset):
    """Points at equal steps along a curve, the first and last `inset` mm from its ends."""
    t = np.linspace(0, 1, 20001)
    p = at(segment, t)
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(p, axis=0).T))]
    want = np.linspace(inset, s[-1] - inset, count)
    return np.c_[np.interp(want, s, p[:, 0]), np.interp(want, s, p[:, 1])]


SETS = {"harbour-tee": harbour_tee, "orchard-trousers": orchard_trousers, "workshop-smock": workshop_smock}


def photographed(pattern):
    """Photo name -> edges of the outline that lies on the mat."""
    if "photographed" in pattern:
        return pattern["photographed"]
    return {name: p.get("as_photographed", p["edges"]) for name, p in pattern["pieces"].items()}


def told(e):
    """An edge as the truth files have it."""
    points = []
    for s in e.segments:
        n = max(1, int(np.ceil(length(s)))) if len(s) == 4 else 1
        points += at(s, np.linspace(0, 1, n + 1)).tolist()[1 if points else 0:]
    return dict(name=e.name, role=ROLES[e.name], length_mm=round(e.length, 4), segments=[np.round(s, 5).tolist() for s in e.segments],
                points=np.round(points, 4).tolist())


def checked_pairs(pattern):
    out = []
    for p in pattern["pairs"]:
        a, b = (sum(edge(pattern["pieces"][piece]["edges"], name).length for piece, name in p[side]) for side in "ab")
        assert abs(b - a - p["ease_mm"]) < 0.01, (p, a, b)
        out.append(dict(a=p["a"], b=p["b"], ease_mm=p["ease_mm"], lengths_mm=[round(a, 4), round(b, 4)]))
    return out


def pattern_truth(pattern):
    pieces = []
    for name, p in pattern["pieces"].items():
        ring(p["edges"])
        one = dict(name=name, words=p["words"], photo="photos/" + p["photo"], edges=[told(e) for e in p["edges"]])
        if "as_photographed" in p:
            one["edges_as_photographed"] = [told(e) for e in p["as_photographed"]]
            one["hip"] = np.round(p["hip"], 4).tolist()
        pieces.append(one)
    inside = pattern.get("inside")
    return dict(
        units="mm", what="the pattern the garment was sewn from: stitching lines, no allowances; y up, edges anticlockwise; segments are lines "
        "(2 points) or cubics (4), points lie on them about 1 mm apart",
        name=pattern["name"], words=pattern["words"], pieces=pieces,
        **({"inside_seam": told(Edge(inside["name"], inside["segments"])), "marks": np.round(pattern["marks"], 4).tolist()} if inside else {}),
        variations=[dict(name=n, of=v["of"], replaces=v["replaces"], words=v["words"], edge=told(v["edge"])) for n, v in pattern["variations"].items()],
        by_measure=[{k: round(v, 4) if isinstance(v, float) else v for k, v in m.items()} for m in pattern["by_measure"]],
        pairs=checked_pairs(pattern), measures={k: round(float(v), 4) for k, v in pattern["measures"].items()})


def write(out):
    for name, make in SETS.items():
        folder = os.path.join(out, name)
        os.makedirs(folder, exist_ok=True)
        text = json.dumps(pattern_truth(make()), indent=1)
        with open(os.path.join(folder, "pattern.truth.json"), "w") as f:
            f.write(_flat(text) + "\n")


def _flat(text):
    """Points on one line each way: a file that a person can still read."""
    import re
    text = re.sub(r"\[\s+(-?[\d.e-]+),\s+(-?[\d.e-]+)\s+\]", r"[\1, \2]", text)
    return re.sub(r"\],\s+\[", "], [", text)


if __name__ == "__main__":
    write(sys.argv[1] if len(sys.argv) > 1 else os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "sets"))
