"""Four photographs of one floor section, longer than any of them shows, among strewn sheets.

Six sheets lie flat on lining paper round a piece 1.2 m long.  A seventh was laid on a
batten, and an eighth was pushed aside between the second photograph and the third: both are
there to be found and left out.
"""

from __future__ import annotations

from lens import Lens, stand
from materials import rusty
from paint import Canvas, noise
from sensor import Sensor
from shapes import Circle, Part, Slot, rounded
from shot import Shot, Target, matt
from solids import page
from transport import Room

from digitize.sheets import catalogue

FOLDER = "floor-section"
THICKNESS_MM = 1.5
LIFTED, MOVED = ("card", 7), ("card", 8)
_LINING_MM = -0.02  # the paper under everything; sheets lie at 0
_PRINT = (0.9985, 1.0012)

# Form, number, middle, turn, print over the common print: sheets differ by some 0.0003.
_FLAT = (
    ("card", 1, (230.0, 60.0), 12.0, (1.0003, 0.9998)),
    ("card", 2, (590.0, 52.0), -6.0, (0.9997, 1.0002)),
    ("ring", 3, (1085.0, 38.0), 94.0, (1.0001, 1.0004)),
    ("ring", 4, (170.0, 705.0), 83.0, (0.9998, 0.9996)),
    ("card", 5, (650.0, 690.0), 171.0, (1.0002, 1.0001)),
    ("card", 6, (1100.0, 684.0), -158.0, (0.9996, 1.0000)),
)
_STANDS = (
    {"look_at_mm": (330, 390), "distance_mm": 790, "tilt_deg": 12, "tilt_toward_deg": 215},
    {"look_at_mm": (560, 350), "distance_mm": 790, "tilt_deg": 17, "tilt_toward_deg": 300},
    {"look_at_mm": (830, 400), "distance_mm": 790, "tilt_deg": 15, "tilt_toward_deg": 70},
    {"look_at_mm": (1040, 360), "distance_mm": 780, "tilt_deg": 11, "tilt_toward_deg": 345},
)


def floor_section() -> Part:
    """A floor panel: one end cut round, a step for a bearer, a drain and bolt holes."""
    return Part(
        "floor section",
        rounded(
            [
                (60, 190, 20),
                (700, 190, 0),
                (712, 214, 6),
                (860, 214, 6),
                (872, 190, 0),
                (1260, 190, 45),
                (1260, 500, 120),
                (940, 560, 30),
                (60, 560, 20),
                (60, 420, 8),
                (84, 408, 8),
                (84, 330, 8),
                (60, 318, 8),
            ]
        ),
        (
            Circle((130.0, 240.0), 6.5),
            Circle((640.0, 380.0), 32.0),
            Circle((1190.0, 270.0), 8.0),
            Slot((330.0, 480.0), (390.0, 480.0), 9.0),
        ),
    )


def shots() -> list[Shot]:
    """The four photographs, in the order that they were taken in."""
    return [_shot(number) for number in range(len(_STANDS))]


def _target(
    form: str,
    number: int,
    middle: tuple[float, float],
    turn_deg: float,
    print_: tuple[float, float],
    *,
    height_mm: float = 0.0,
) -> Target:
    sheet = catalogue.sheet(form, "A4", number)  # type: ignore[arg-type]
    scale = (_PRINT[0] * print_[0], _PRINT[1] * print_[1])
    target = Target(sheet, scale, (0.0, 0.0), turn_deg, height_mm)
    x, y = target.place(0.5 * target.sheet.x_corners()[[0, -1]].sum(0)[None] * sheet.square_mm)[0]
    target.at_mm = (middle[0] - float(x), middle[1] - float(y))
    return target


def _shot(number: int) -> Shot:
    lens: Lens = stand(
        (2800, 2100),
        2142.0,
        yaw_deg=(3.0, -4.0, 176.0, 2.0)[number],
        off_centre_px=(14, -9),
        k1=0.022,
        k2=-0.009,
        blur_px=0.6,
        **_STANDS[number],  # type: ignore[arg-type]
    )
    shot = Shot(
        f"floor-section-{number + 1}",
        "Rusty 1.5 mm floor section, 1.2 m long, on lining paper among A4 sheets; soft light.",
        lens,
        "silhouette",
        sensor=Sensor(seed=30 + number, quality=90),
        samples=16,
        room=Room(
            side=(0.25, 0.25, 0.26),
            overhead=(0.34, 0.345, 0.36),
            window=(0.60, 0.61, 0.63),
            toward=(0.3, 0.8, 0.6),
        ),
    )
    # The checks of a photograph look at its first target.
    x, y = _STANDS[number]["look_at_mm"]  # type: ignore[misc]
    for one in sorted(_FLAT, key=lambda one: (one[2][0] - x) ** 2 + (one[2][1] - y) ** 2):
        _lay(shot, _target(*one))
    _lay(shot, _target(*LIFTED, (840.0, 62.0), 8.0, (1.0, 1.0), height_mm=19.0))
    at, turn = ((425.0, 688.0), 4.0) if number < 2 else ((433.0, 679.0), 7.0)
    _lay(shot, _target(*MOVED, at, turn, (1.0, 1.0)))
    box = (-400.0, -450.0, 1800.0, 1200.0)
    lining = Canvas.filled(box, 0.5, (0.74, 0.735, 0.72))
    shape = lining.pixels.shape[:2]
    lining.pixels *= (1 + 0.015 * noise(shape, 0.5, 2.0, 8) + 0.02 * noise(shape, 0.5, 120.0, 9))[
        ..., None
    ]
    shot.add("lining", page("lining", lining.box, matt(lining), height_mm=_LINING_MM))
    part = floor_section()
    surface, covered = rusty((50.0, 180.0, 1270.0, 570.0), 41, texel_mm=0.2)
    shot.plate(part, THICKNESS_MM, surface, covered)
    return shot


def _lay(shot: Shot, target: Target) -> None:
    shot.lay(target, shot.target(target))
