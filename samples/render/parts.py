"""The pieces of work on the bench: our own narrow-boat and tractor parts, true size in mm.

Every part is drawn about a corner of its own; scenes move it to where it lies.
"""

from __future__ import annotations

from shapes import Circle, Part, Slot, rounded


def weed_hatch_bracket() -> Part:
    """Three holes, a slot and a notch."""
    return Part(
        "weed-hatch bracket",
        rounded(
            [
                (0, 0, 8),
                (168, 0, 8),
                (168, 62, 0),
                (150, 118, 14),
                (104, 118, 0),
                (104, 92, 4),
                (72, 92, 4),
                (72, 118, 0),
                (0, 118, 12),
            ]
        ),
        (
            Circle((24, 26), 5.25),
            Circle((144, 24), 4.25),
            Circle((26, 92), 8.0),
            Slot((62, 40), (104, 46), 4.5),
        ),
    )


def swim_plate() -> Part:
    """A plain plate with one large radius and a long taper."""
    return Part(
        "swim plate",
        rounded([(0, 0, 0), (172, 0, 6), (172, 40, 6), (120, 104, 30), (40, 104, 0), (0, 74, 10)]),
        (Circle((30, 30), 6.5), Circle((140, 24), 6.5), Slot((60, 72), (96, 72), 6.0)),
    )


def drawbar_gusset() -> Part:
    """A triangle with a large lightening hole and clipped corners."""
    return Part(
        "drawbar gusset",
        rounded([(0, 0, 0), (150, 0, 0), (150, 18, 5), (26, 142, 5), (0, 142, 0)]),
        (Circle((44, 44), 21.0), Circle((126, 13), 5.5), Circle((13, 122), 5.5)),
    )


def engine_hatch_flange() -> Part:
    """A narrow strip with a dog-leg."""
    return Part(
        "engine-hatch hinge flange",
        rounded(
            [
                (0, 0, 6),
                (96, 0, 6),
                (118, 34, 8),
                (118, 74, 16),
                (86, 74, 16),
                (86, 46, 5),
                (78, 32, 8),
                (0, 32, 6),
            ]
        ),
        (
            Circle((16, 16), 4.25),
            Circle((56, 16), 4.25),
            Circle((102, 58), 6.0),
        ),
    )


def rudder_stock_cover() -> Part:
    """A round-ended cover with a big bore."""
    return Part(
        "rudder-stock cover",
        rounded([(0, 0, 10), (90, 0, 38), (90, 78, 38), (0, 78, 10)]),
        (
            Circle((51, 39), 17.5),
            Circle((12, 12), 3.25),
            Circle((12, 66), 3.25),
        ),
    )


def tray_with_flanges() -> Part:
    """A cover with three flanges to be bent along dashed lines, two holes and a centre mark."""
    return Part(
        "engine-box corner cover",
        rounded(
            [
                (0, 26, 0),
                (22, 26, 0),
                (26, 0, 4),
                (174, 0, 4),
                (178, 26, 0),
                (204, 32, 6),
                (204, 110, 6),
                (178, 116, 0),
                (178, 140, 10),
                (22, 140, 0),
                (22, 116, 0),
                (0, 110, 3),
            ]
        ),
        (Circle((58, 96), 9.0), Circle((140, 92), 14.0)),
        bends=(((22, 26), (178, 26)), ((178, 26), (178, 116)), ((22, 26), (22, 116))),
        marks=((96, 58),),
    )


def hatch_opening() -> Part:
    """A line to cut along: an opening with round corners and a step."""
    return Part(
        "weed-hatch opening",
        rounded(
            [(0, 0, 12), (196, 0, 12), (196, 88, 12), (150, 88, 6), (150, 118, 20), (0, 118, 12)]
        ),
        (Circle((34, 84), 11.0),),
        marks=((118, 40),),
    )
