"""Four photographs of a folded cover that could not be flattened: each face in turn.

The cover has a large face with a flange below and a chain of two faces at its right.  Each
face is photographed alone on an A4 ring, as a plate that ends at the outside mould lines; the
faces beside it, which would stand up from the bench, are not shown.
"""

from __future__ import annotations

from lens import stand
from materials import rusty
from scenes import SOFT, around, lay_in_ring, ring
from sensor import Sensor
from shapes import Circle, Part, Slot, rounded
from shot import Shot

FOLDER = "face-by-face"
THICKNESS_MM = 1.5
_BENDS = (((112, 0), (112, 170)), ((172, 6), (172, 158)), ((0, 0), (112, 0)))


def whole() -> Part:
    """The cover as one pattern with its bends, in outside mould line sizes."""
    faces = {face.name: face for face in cover_faces()}
    return Part(
        "stern-gear cover",
        rounded(
            [
                (0, 0, 0),
                (6, -36, 5),
                (104, -36, 5),
                (112, 0, 0),
                (172, 6, 0),
                (206, 18, 6),
                (206, 150, 6),
                (172, 158, 0),
                (112, 170, 0),
                (40, 170, 10),
                (0, 138, 0),
            ]
        ),
        tuple(o for face in faces.values() for o in face.openings),
        bends=_BENDS,
    )


def cover_faces() -> tuple[Part, ...]:
    """The four faces, each where it lies in the whole pattern."""
    return (
        Part(
            "A",
            rounded([(0, 0, 0), (112, 0, 0), (112, 170, 0), (40, 170, 10), (0, 138, 0)]),
            (Circle((30, 40), 8.0), Circle((56, 110), 17.5)),
        ),
        Part(
            "B",
            rounded([(112, 0, 0), (172, 6, 0), (172, 158, 0), (112, 170, 0)]),
            (Slot((142, 50), (142, 90), 5.5),),
        ),
        Part(
            "C",
            rounded([(172, 6, 0), (206, 18, 6), (206, 150, 6), (172, 158, 0)]),
            (Circle((191, 40), 4.25), Circle((191, 128), 4.25)),
        ),
        Part(
            "D",
            rounded([(0, 0, 0), (6, -36, 5), (104, -36, 5), (112, 0, 0)]),
            (Circle((26, -20), 4.25), Circle((86, -20), 4.25)),
        ),
    )


_LAID = (  # where each face's middle comes to lie, and how it is turned
    ((88.0, 128.0), 4.0),
    ((86.0, 132.0), 187.0),
    ((90.0, 126.0), -5.0),
    ((84.0, 134.0), 97.0),
)
_STANDS = (
    {"distance_mm": 282, "tilt_deg": 13, "tilt_toward_deg": 70, "yaw_deg": 88},
    {"distance_mm": 275, "tilt_deg": 17, "tilt_toward_deg": 200, "yaw_deg": 93},
    {"distance_mm": 280, "tilt_deg": 10, "tilt_toward_deg": 320, "yaw_deg": -86},
    {"distance_mm": 272, "tilt_deg": 15, "tilt_toward_deg": 150, "yaw_deg": 91},
)


def shots() -> list[Shot]:
    """The four photographs, face A to face D."""
    return [_shot(number) for number in range(len(_STANDS))]


def _shot(number: int) -> Shot:
    t = ring("A4", 11 + number, (0.9985, 1.0012))
    face = cover_faces()[number]
    middle, turn = _LAID[number]
    x0, y0, x1, y1 = around(face, 0.0)
    laid = face.moved(-(x0 + x1) / 2, -(y0 + y1) / 2, 0.0).moved(*middle, turn)
    shot = Shot(
        f"face-{face.name.lower()}",
        f"Face {face.name} of a rusty 1.5 mm cover on an A4 ring, soft window light; the faces "
        "beside it are not shown.",
        stand(
            (2000, 1500),
            1530.0,
            look_at_mm=(88, 128),
            off_centre_px=(-9, 12),
            k1=-0.02,
            k2=0.008,
            blur_px=0.7,
            **_STANDS[number],  # type: ignore[arg-type]
        ),
        "silhouette",
        sensor=Sensor(seed=50 + number, quality=90),
        samples=16,
        room=SOFT,
    )
    shot.lay(t, shot.target(t))
    shot.table()
    part = lay_in_ring(shot, t, laid)
    surface, box = rusty(around(part), 61 + number, clean=0.4)
    shot.plate(part, THICKNESS_MM, surface, box)
    shot.extra["whole"] = whole().truth()
    return shot
