"""The photographs: what lies where, in which light, before which camera."""

from __future__ import annotations

from collections.abc import Callable

import mitsuba as mi
import numpy as np
from lens import Lens, stand
from lights import disc, panel
from materials import bright_steel, gloss, painted, rusty
from paint import Pen, plain_paper, scribble, smudge, stroke
from parts import (
    drawbar_gusset,
    engine_hatch_flange,
    hatch_opening,
    rudder_stock_cover,
    swim_plate,
    tray_with_flanges,
    weed_hatch_bracket,
)
from rusted import eaten
from sensor import Sensor
from shapes import Part, rounded
from shot import Shot, Target, contains, matt, work_box
from solids import Box, page, plate
from transport import Room

from digitize.sheets import catalogue
from digitize.sheets.layout import Sheet

MADE: dict[str, Callable[[], Shot]] = {}


def photograph(make: Callable[[], Shot]) -> Callable[[], Shot]:
    """Enter a scene into the list under its own name."""
    MADE[make.__name__.replace("_", "-")] = make
    return make


def phone(focal_px: float = 3060.0, **where: object) -> Lens:
    """A 12 MP phone camera."""
    return stand((4000, 3000), focal_px, **where)  # type: ignore[arg-type]


def around(part: Part, margin: float = 4.0) -> Box:
    p = part.outline.points(0.1)
    lo, hi = p.min(axis=0) - margin, p.max(axis=0) + margin
    return (float(lo[0]), float(lo[1]), float(hi[0]), float(hi[1]))


def ring(paper: str, number: int, scale: tuple[float, float]) -> Target:
    return Target(catalogue.sheet("ring", paper, number), scale)


def middle(target: Target) -> tuple[float, float]:
    x0, y0, x1, y1 = work_box(target)
    return ((x0 + x1) / 2, (y0 + y1) / 2)


def tape_corners(shot: Shot, t: Target) -> None:
    """A strip of masking tape over each corner of a card."""
    w, h = t.place(np.array([t.sheet.size_mm]))[0]
    tape = mi.load_dict(
        {
            "type": "twosided",
            "b": {"type": "diffuse", "reflectance": {"type": "rgb", "value": (0.62, 0.52, 0.33)}},
        }
    )
    for k, (x, y, turn) in enumerate(
        [(-4, -3, 40), (w + 5, -4, -42), (w + 4, h + 4, 47), (-5, h + 3, -38)]
    ):
        place = Target(t.sheet, (1.0, 1.0), (x, y), turn + 90)
        shot.add(
            f"tape_{k}",
            page("tape", (-22, -5.5, 22, 5.5), tape, height_mm=0.12, turn=place.place),
        )


def lay_in_ring(shot: Shot, target: Target, part: Part) -> Part:
    """Checks that a part lies on the blank."""
    assert contains(work_box(target), part), f"{part.name} does not fit the ring"
    return part


SOFT = Room(
    side=(0.27, 0.275, 0.29),
    overhead=(0.36, 0.365, 0.38),
    window=(0.62, 0.60, 0.56),
    toward=(-0.75, 0.35, 0.65),
)


@photograph
def rusty_bracket() -> Shot:
    t = ring("A3", 3, (0.9965, 1.0015))
    shot = Shot(
        "rusty-bracket",
        "Rusty 2 mm bracket with holes, a slot and a notch on an A3 ring, soft window light.",
        phone(
            look_at_mm=(124, 190),
            distance_mm=392,
            tilt_deg=24,
            tilt_toward_deg=205,
            yaw_deg=92,
            off_centre_px=(23, -17),
            k1=0.028,
            k2=-0.012,
            blur_px=0.65,
        ),
        "silhouette",
        sensor=Sensor(seed=2),
        samples=36,
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, weed_hatch_bracket().moved(70, 268, -84))
    surface, box = rusty(around(part), 3)
    shot.plate(part, 2.0, surface, box)
    return shot


@photograph
def hard_shadow() -> Shot:
    t = ring("A3", 4, (1.0022, 0.9978))
    shot = Shot(
        "hard-shadow",
        "Rusty 2.5 mm bracket on an A3 ring in low sun: its own shadow, and the shadow of a "
        "bar out of the picture across ring and piece.",
        phone(
            look_at_mm=(128, 196),
            distance_mm=400,
            tilt_deg=20,
            tilt_toward_deg=330,
            yaw_deg=88,
            off_centre_px=(-19, 26),
            k1=-0.02,
            k2=0.006,
            blur_px=0.6,
        ),
        "silhouette",
        sensor=Sensor(seed=3, paper_level=0.75),
        samples=36,
        room=Room(side=(0.13, 0.15, 0.19), overhead=(0.20, 0.22, 0.27)),
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, weed_hatch_bracket().moved(188, 96, 78))
    surface, box = rusty(around(part), 9, clean=0.5)
    shot.plate(part, 2.5, surface, box)
    sun = np.array([-0.66, 0.36, 0.60])
    sun /= np.linalg.norm(sun)
    at = np.array([*middle(t), 0.0])
    s = at + 1600 * sun
    bar = at + np.array([22.0, -60.0, 0.0]) + 420 * sun
    shot.add(
        "bar",
        plate(
            "bar",
            rounded([(-170, -9, 4), (170, -9, 4), (170, 9, 4), (-170, 9, 4)])
            .moved(bar[0], bar[1], 35)
            .points(),
            [],
            mi.load_dict({"type": "diffuse"}),
            thickness_mm=12.0,
            box=(-500, -500, 500, 500),
            base_mm=float(bar[2]),
        ),
    )
    shot.add("sun", disc((s[0], s[1], s[2]), tuple(at), 8.0, (21000, 19500, 17000)))
    return shot


@photograph
def bright_plate_glare() -> Shot:
    t = ring("A3", 5, (0.9988, 1.0006))
    lens = phone(
        look_at_mm=(128, 190),
        distance_mm=385,
        tilt_deg=22,
        tilt_toward_deg=250,
        yaw_deg=95,
        off_centre_px=(31, 12),
        k1=-0.035,
        k2=0.015,
        blur_px=0.7,
    )
    shot = Shot(
        "bright-plate-glare",
        "Brushed bare steel, 1.5 mm, on an A3 ring; a window mirrored in it crosses an edge.",
        lens,
        "silhouette",
        sensor=Sensor(seed=4, paper_level=0.66),
        room=Room(side=(0.27, 0.275, 0.285), overhead=(0.14, 0.14, 0.15)),
        samples=49,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, swim_plate().moved(196, 92, 84))
    surface, box = bright_steel(around(part), 12)
    shot.plate(part, 1.5, surface, box)
    # The window stands where the picture's axis goes after a mirror at the plate's edge.
    aim = np.array([178.0, 205.0, 1.5])
    out = aim - lens.centre_mm
    out[2] = -out[2]
    out /= np.linalg.norm(out)
    w = aim + 900 * out
    shot.add("window", panel(tuple(w), tuple(aim), 150, 230, (1.25, 1.28, 1.33)))
    return shot


SOFT_LEFT = Room(
    side=(0.25, 0.25, 0.26),
    overhead=(0.34, 0.345, 0.36),
    window=(0.60, 0.61, 0.63),
    toward=(0.3, 0.8, 0.6),
)

MARKER = Pen(1.3, (0.022, 0.022, 0.026), 0.96, uneven=0.05, rough_mm=0.03, soft_mm=0.04)


@photograph
def tracing_three_flanges() -> Shot:
    t = ring("A3", 6, (0.9979, 0.9987))
    shot = Shot(
        "tracing-three-flanges",
        "Marker on a sheet of paper inside an A3 ring: outline, three dashed bend lines, two "
        "holes, one cross, and a few words; soft light.",
        phone(
            look_at_mm=(126, 190),
            distance_mm=380,
            tilt_deg=15,
            tilt_toward_deg=20,
            yaw_deg=89,
            off_centre_px=(-27, -14),
            k1=0.015,
            k2=-0.004,
            blur_px=0.7,
        ),
        "ink",
        sensor=Sensor(seed=5),
        samples=36,
        room=SOFT_LEFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    rng = np.random.default_rng(61)
    part = lay_in_ring(shot, t, tray_with_flanges().moved(208, 88, 91.5))
    paper = plain_paper((38, 44, 38 + 190, 44 + 292), 8)
    shot.drawing(part, paper, MARKER, height_mm=0.1, rng=rng)
    left_out = []
    ball = Pen(0.6, (0.05, 0.06, 0.20), 0.9, uneven=0.1)
    for at, size, letters, turn in (((190, 270), 6.0, 9, 93.0), ((52, 60), 7.0, 14, 88.0)):
        for word in scribble(at, size, letters, turn, rng):
            stroke(paper, word, ball, rng)
            left_out.append(box_of(word, "handwriting"))
    shot.extra["left_out"] = left_out
    shot.add("paper", page("paper", paper.box, matt(paper), height_mm=0.1))
    return shot


def box_of(points: np.ndarray, kind: str) -> dict[str, object]:
    return {"kind": kind, "box_mm": [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]}


@photograph
def panel_cut_line() -> Shot:
    t = Target(catalogue.sheet("card", "A4", 7), (1.0014, 0.9991))
    shot = Shot(
        "panel-cut-line",
        "Marker line to cut along on an old painted panel with rust, a card taped beside it; "
        "the panel is larger than the picture.",
        phone(
            look_at_mm=(88, -18),
            distance_mm=352,
            tilt_deg=19,
            tilt_toward_deg=285,
            yaw_deg=4,
            off_centre_px=(12, 29),
            k1=-0.018,
            k2=0.004,
            blur_px=0.75,
        ),
        "ink",
        sensor=Sensor(seed=6, paper_level=0.78),
        room=SOFT,
    )
    card = shot.target(t)
    shot.lay(t, card)
    rng = np.random.default_rng(14)
    part = hatch_opening().moved(-12, -146, 1.2)
    paint = painted((-330, -330, 470, 330), 21, (0.27, 0.36, 0.36), rust_share=0.16)
    height = -0.1  # the card's paper lies on the panel
    pen = Pen(1.8, (0.018, 0.018, 0.02), 0.94, uneven=0.06, rough_mm=0.05, soft_mm=0.06)
    shot.drawing(part, paint, pen, height_mm=height, rng=rng)
    shot.add("panel", page("panel", paint.box, mi.load_dict(gloss(paint)), height_mm=height))
    tape_corners(shot, t)
    return shot


def board(scale: tuple[float, float] = (1.0, 1.0)) -> Target:
    return Target(Sheet("checkerboard", "", 0, 10, 7, 25.0, 0), scale)


@photograph
def checkerboard() -> Shot:
    t = board()
    shot = Shot(
        "checkerboard",
        "A plain printed checkerboard, 9 x 6 inner corners of 25 mm, a rusty gusset on the "
        "blank part of the same paper.",
        phone(
            look_at_mm=(126, 172),
            distance_mm=395,
            tilt_deg=18,
            tilt_toward_deg=140,
            yaw_deg=96,
            off_centre_px=(-14, -22),
            k1=0.022,
            k2=-0.006,
            blur_px=0.7,
        ),
        "silhouette",
        sensor=Sensor(seed=7),
        room=SOFT_LEFT,
    )
    shot.lay(t, shot.target(t, margins_mm=(23.5, 20.0, 23.5, 225.0)))
    shot.table()
    part = drawbar_gusset().moved(40, 212, 8)
    surface, box = rusty(around(part), 31, clean=0.2)
    shot.plate(part, 3.0, surface, box)
    return shot


def lens_shot(name: str, k1: float, k2: float, number: int, yaw: float) -> Shot:
    t = ring("A3", number, (1.0009, 0.9993))
    shot = Shot(
        name,
        f"Rusty 1.2 mm plate on an A3 ring through a wide lens with k1 = {k1:+g}.",
        phone(
            2420.0,
            look_at_mm=(131, 188),
            distance_mm=330,
            tilt_deg=17,
            tilt_toward_deg=75,
            yaw_deg=yaw,
            off_centre_px=(-33, 18),
            k1=k1,
            k2=k2,
            blur_px=0.7,
        ),
        "silhouette",
        sensor=Sensor(seed=number, vignette=0.3),
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, swim_plate().moved(186, 104, 96))
    surface, box = rusty(around(part), 40 + number, clean=-0.3)
    shot.plate(part, 1.2, surface, box)
    return shot


@photograph
def wide_lens_barrel() -> Shot:
    return lens_shot("wide-lens-barrel", -0.06, 0.008, 8, 91.0)


@photograph
def wide_lens_pincushion() -> Shot:
    return lens_shot("wide-lens-pincushion", 0.06, -0.015, 9, -86.0)


@photograph
def eaten_edge() -> Shot:
    t = ring("A3", 10, (0.9984, 0.9971))
    shot = Shot(
        "eaten-edge",
        "A rusty 2 mm bracket whose edges rust has nibbled on about a third of their length; "
        "the truth is the sound shape.",
        phone(
            look_at_mm=(124, 190),
            distance_mm=380,
            tilt_deg=12,
            tilt_toward_deg=160,
            yaw_deg=87,
            off_centre_px=(9, 21),
            k1=-0.012,
            k2=0.003,
            blur_px=0.65,
        ),
        "silhouette",
        sensor=Sensor(seed=10),
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, weed_hatch_bracket().moved(186, 108, 93))
    surface, box = rusty(around(part), 52, clean=-0.2)
    points, stretches = eaten(part.outline.points(), 0.34, 77)
    shot.plate(
        part,
        2.0,
        surface,
        box,
        bevel_mm=0.0,
        outline=points,
        eaten_outline_mm=np.round(points, 3).tolist(),
        eaten_stretches=stretches,
    )
    return shot


@photograph
def two_pieces() -> Shot:
    t = ring("A3", 11, (1.0, 0.9985))
    shot = Shot(
        "two-pieces",
        "Two pieces in one ring: a rusty 3 mm flange and a painted 1.5 mm cover.",
        phone(
            look_at_mm=(128, 188),
            distance_mm=385,
            tilt_deg=27,
            tilt_toward_deg=95,
            yaw_deg=84,
            off_centre_px=(17, -25),
            k1=0.01,
            k2=0.0,
            blur_px=0.7,
        ),
        "silhouette",
        sensor=Sensor(seed=11),
        room=SOFT_LEFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    cover = lay_in_ring(shot, t, rudder_stock_cover().moved(86, 206, 12))
    paint = painted(around(cover), 63, (0.06, 0.17, 0.10), rust_share=0.06)
    shot.plate(cover, 1.5, gloss(paint, 0.2), paint.box)
    hinge = lay_in_ring(shot, t, engine_hatch_flange().moved(88, 86, 22))
    surface, box = rusty(around(hinge), 62)
    shot.plate(hinge, 3.0, surface, box)
    return shot


@photograph
def steep_tilt() -> Shot:
    t = ring("A4", 12, (0.9992, 1.0017))
    shot = Shot(
        "steep-tilt",
        "Rusty 3 mm cover on an A4 ring from 35 degrees off the vertical.",
        phone(
            look_at_mm=(86, 132),
            distance_mm=318,
            tilt_deg=35,
            tilt_toward_deg=262,
            yaw_deg=78,
            off_centre_px=(-21, -11),
            k1=-0.03,
            k2=0.01,
            blur_px=0.75,
        ),
        "silhouette",
        sensor=Sensor(seed=12),
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, rudder_stock_cover().moved(124, 66, 87))
    surface, box = rusty(around(part), 72, clean=0.3)
    shot.plate(part, 3.0, surface, box)
    return shot


@photograph
def straight_down() -> Shot:
    t = ring("Letter", 13, (0.9973, 0.9982))
    shot = Shot(
        "straight-down",
        "Rusty 1.5 mm flange on a Letter ring, camera within a degree of straight above.",
        phone(
            look_at_mm=(92, 112),
            distance_mm=300,
            tilt_deg=0.6,
            tilt_toward_deg=30,
            yaw_deg=93,
            off_centre_px=(24, 19),
            k1=0.02,
            k2=-0.005,
            blur_px=0.65,
        ),
        "silhouette",
        sensor=Sensor(seed=13),
        room=SOFT_LEFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, engine_hatch_flange().moved(132, 58, 84))
    surface, box = rusty(around(part), 82)
    shot.plate(part, 1.5, surface, box)
    return shot


@photograph
def curled_paper() -> Shot:
    t = Target(catalogue.sheet("ring", "A3", 14), (1.0, 1.0), bow_mm=1.6)
    shot = Shot(
        "curled-paper",
        "A tracing drawn on an A3 ring whose middle stands 1.6 mm off the bench: must be warned "
        "about.",
        phone(
            look_at_mm=(128, 190),
            distance_mm=385,
            tilt_deg=28,
            tilt_toward_deg=70,
            yaw_deg=90,
            off_centre_px=(11, -16),
            k1=-0.015,
            k2=0.005,
            blur_px=0.7,
        ),
        "ink",
        sensor=Sensor(seed=14),
        room=SOFT,
    )
    canvas = shot.target(t)
    part = lay_in_ring(shot, t, swim_plate().moved(190, 100, 92))
    shot.drawing(part, canvas, MARKER, height_mm=0.0, rng=np.random.default_rng(91), scale=t.scale)
    shot.lay(t, canvas)
    shot.table()
    return shot


@photograph
def cropped_ring() -> Shot:
    t = ring("A3", 15, (0.9968, 0.9994))
    shot = Shot(
        "cropped-ring",
        "Rusty 2 mm plate on an A3 ring some 40 % of whose corners lie outside the picture.",
        phone(
            look_at_mm=(72, 62),
            distance_mm=306,
            tilt_deg=21,
            tilt_toward_deg=210,
            yaw_deg=99,
            off_centre_px=(-16, 14),
            k1=0.025,
            k2=-0.008,
            blur_px=0.7,
        ),
        "silhouette",
        sensor=Sensor(seed=15),
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, engine_hatch_flange().moved(146, 60, 88))
    surface, box = rusty(around(part), 92)
    shot.plate(part, 2.0, surface, box)
    return shot


@photograph
def worn_tracing() -> Shot:
    t = ring("A3", 16, (1.0018, 0.9976))
    shot = Shot(
        "worn-tracing",
        "A tracing drawn straight on an A3 ring: two small gaps in the outline, dotted bend "
        "lines, handwriting, a stray line and greasy finger marks.",
        phone(
            look_at_mm=(130, 190),
            distance_mm=388,
            tilt_deg=23,
            tilt_toward_deg=300,
            yaw_deg=92,
            off_centre_px=(-12, 23),
            k1=0.018,
            k2=-0.006,
            blur_px=0.8,
        ),
        "ink",
        sensor=Sensor(seed=16),
        room=SOFT_LEFT,
    )
    canvas = shot.target(t)
    part = lay_in_ring(shot, t, tray_with_flanges().moved(206, 90, 88))
    pen = Pen(1.0, (0.025, 0.025, 0.03), 0.93, uneven=0.10, rough_mm=0.05, soft_mm=0.05)
    rng = np.random.default_rng(101)
    for k, (at, size, depth) in enumerate(
        [((150, 200), 9, 0.30), ((84, 250), 12, 0.22), ((120, 92), 7, 0.35)]
    ):
        smudge(canvas, at, size, depth, 200 + k)
    shot.drawing(
        part,
        canvas,
        pen,
        height_mm=0.0,
        rng=rng,
        scale=t.scale,
        dash_mm=(0.02, 3.4),
        gaps=((118.0, 1.6), (402.0, 2.4)),
    )
    left_out = []
    ball = Pen(0.5, (0.05, 0.06, 0.20), 0.9, uneven=0.1)
    for at, size, letters, turn in (((46, 110), 7.0, 16, 84.0), ((150, 150), 5.0, 8, 97.0)):
        for word in scribble(at, size, letters, turn, rng):
            stroke(canvas, word, ball, rng)
            left_out.append(box_of(t.place(word), "handwriting"))
    stray = np.array([[60.0, 318.0], [74.0, 304.0], [92.0, 301.0]])
    stroke(canvas, stray, pen, rng)
    left_out.append(box_of(t.place(stray), "stray line"))
    shot.extra["left_out"] = left_out
    shot.lay(t, canvas)
    shot.table()
    return shot
