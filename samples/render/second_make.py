"""The weed-hatch bracket made anew and photographed by another stand: how far off is it?

The old one is the photograph ``rusty-bracket``.  The new one's lower edge is 1.2 mm long, its
upper left edge 0.9 mm short, one hole 0.6 mm off and another 0.5 mm too wide; everything
else is as it was.
"""

from __future__ import annotations

from lens import stand
from materials import rusty
from scenes import SOFT, around, lay_in_ring, ring
from sensor import Sensor
from shapes import Circle, Part, Slot, rounded
from shot import Shot

FOLDER = "second-make"


def remade_bracket() -> Part:
    """The bracket of ``parts.weed_hatch_bracket`` as somebody cut it again."""
    return Part(
        "weed-hatch bracket, second make",
        rounded(
            [
                (0, -1.2, 8),
                (168, -1.2, 8),
                (168, 62, 0),
                (150, 118, 14),
                (104, 118, 0),
                (104, 92, 4),
                (72, 92, 4),
                (72, 117.1, 0),
                (0, 117.1, 12),
            ]
        ),
        (
            Circle((24.6, 26), 5.25),
            Circle((144, 24), 4.5),
            Circle((26, 92), 8.0),
            Slot((62, 40), (104, 46), 4.5),
        ),
    )


def shots() -> list[Shot]:
    """The one photograph."""
    t = ring("A3", 6, (1.0012, 0.9986))
    shot = Shot(
        "second-make",
        "The bracket of rusty-bracket made anew, fresh 2 mm steel with flash rust, on another "
        "A3 ring; soft window light.",
        stand(
            (4000, 3000),
            3060.0,
            look_at_mm=(128, 186),
            distance_mm=400,
            tilt_deg=17,
            tilt_toward_deg=75,
            yaw_deg=86,
            off_centre_px=(-21, 14),
            k1=-0.02,
            k2=0.008,
            blur_px=0.7,
        ),
        "silhouette",
        sensor=Sensor(seed=21),
        samples=36,
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, remade_bracket().moved(190, 118, 96))
    surface, box = rusty(around(part), 17, clean=0.6)
    shot.plate(part, 2.0, surface, box)
    return [shot]
