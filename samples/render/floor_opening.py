"""An opening in a floor plate with a card taped beside it, for ``digitize fit``.

The plate runs out of the picture on all sides.  Through the opening a dark bilge shows, and
a rib that crosses it 45 mm further down.  The second photograph is taken in low sun: it
shines past the rim onto the rib, and one cut wall is as bright as the plate's face.
"""

from __future__ import annotations

import mitsuba as mi
import numpy as np
from lens import Lens, stand
from lights import disc
from materials import gloss, painted, rusty
from scenes import SOFT, tape_corners
from sensor import Sensor
from shapes import Part, rounded
from shot import Shot, Target
from solids import page, plate
from transport import Room

from digitize.sheets import catalogue

FOLDER = "floor-opening"
PAPER_MM = 0.1  # the card's own thickness: the plate's face lies that far under its print
THICKNESS_MM = 2.0
RIB_MM = 45.0  # below the face


def cut_out() -> Part:
    """What was cut out of a floor: a step for a bearer, one corner cut off."""
    return Part(
        "floor opening",
        rounded(
            [
                (0, 0, 10),
                (150, 0, 10),
                (182, 34, 5),
                (182, 104, 14),
                (96, 104, 4),
                (96, 88, 4),
                (0, 88, 10),
            ]
        ),
    )


def shots() -> list[Shot]:
    """Soft light, and low sun."""
    about = "An opening in a painted floor plate 2 mm thick, a card taped beside it; a rib and "
    soft = Shot(
        "floor-opening",
        about + "a dark bilge show through.",
        where((86, -28), 372, 16, 250),
        "opening",
        sensor=Sensor(seed=31, paper_level=0.78),
        room=SOFT,
        beneath_mm=-RIB_MM,
    )
    sun = Shot(
        "floor-opening-sun",
        about + "a dark bilge show through. Low sun on the rib and on one cut wall.",
        where((84, -34), 366, 17, 262),
        "opening",
        sensor=Sensor(seed=32, paper_level=0.78),
        room=Room(side=(0.13, 0.15, 0.19), overhead=(0.20, 0.22, 0.27)),
        samples=36,
        beneath_mm=-RIB_MM,
    )
    for shot in (soft, sun):
        cut_floor(shot)
    aim = np.array([124.0, 190.0, 0.0])
    way = np.array([-0.62, 0.38, 0.69])
    at = aim + 1600 * way / np.linalg.norm(way)
    sun.add("sun", disc((at[0], at[1], at[2]), tuple(aim), 8.0, (21000, 19500, 17000)))
    return [soft, sun]


def where(
    look_at_mm: tuple[float, float], distance_mm: float, tilt_deg: float, toward_deg: float
) -> Lens:
    """A phone of 8 MP."""
    return stand(
        (3200, 2400),
        2450.0,
        look_at_mm=look_at_mm,
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        tilt_toward_deg=toward_deg,
        yaw_deg=3,
        off_centre_px=(-14, 9),
        k1=-0.022,
        k2=0.006,
        blur_px=0.7,
    )


def cut_floor(shot: Shot) -> None:
    """The card, the plate with its opening, and what lies beneath."""
    t = Target(catalogue.sheet("card", "A4", 5), (0.9984, 1.0011))
    shot.lay(t, shot.target(t))
    tape_corners(shot, t)
    part = cut_out().moved(-6, -142, 1.7)
    edge = part.outline.points()
    paint = painted((-330, -330, 470, 330), 43, (0.30, 0.29, 0.24), rust_share=0.12)
    x0, y0, x1, y1 = paint.box
    shot.edges.append(edge[::-1])
    shot.add(
        "floor",
        plate(
            "floor",
            np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]),
            [edge],
            mi.load_dict(gloss(paint, 0.2)),
            thickness_mm=THICKNESS_MM,
            box=paint.box,
            base_mm=-PAPER_MM - THICKNESS_MM,
        ),
    )
    bilge, box = rusty((-330, -330, 470, 330), 44, texel_mm=0.4)
    shot.add("bilge", page("bilge", box, mi.load_dict(bilge), height_mm=-160.0))
    rib, box = rusty((70, -330, 104, 330), 45, texel_mm=0.2)
    shot.add("rib", page("rib", box, mi.load_dict(rib), height_mm=-RIB_MM))
    shot.pieces.append(
        {**part.truth(), "thickness_mm": THICKNESS_MM, "surface_height_mm": -PAPER_MM}
    )
