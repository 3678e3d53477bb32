"""A face with three flanges, drawn by lot and cut apart: refused or right, never another piece."""

import math
import random

import shapely
import shapely.affinity

from digitize.joining.faces import NotJoined
from digitize.joining.join import join
from digitize.pattern.contour import Contour
from digitize.pattern.model import Pattern, Precision
from digitize.pattern.placement import placed
from digitize.pattern.region import polygon
from digitize.pattern.segments import Line

PIECES = 50
OFF_MM = 0.05  # of each corner, each way


def drawn(lot):
    """Corners of the middle face, and of each flange with the side that it stands on."""
    w, h = lot.uniform(60, 200), lot.uniform(60, 200)
    middle = [
        (0, 0),
        (w, 0),
        (w + lot.uniform(-15, 15), h),
        (lot.uniform(-15, 15), h + lot.uniform(-20, 20)),
    ]
    flanges = []
    for side in lot.sample(range(4), 3):
        length, deep = math.dist(middle[side], middle[(side + 1) % 4]), lot.uniform(15, 70)
        right, left = (lot.choice((0, 0, lot.uniform(0, 10))) for _ in "rl")
        flanges.append((side, [(0, 0), (length, 0), (length - right, deep), (left, deep)]))
    return middle, flanges


def whole(middle, flanges):
    """The piece in one, by shapely's own movements."""
    areas = [shapely.Polygon(middle)]
    for side, corners in flanges:
        (x0, y0), (x1, y1) = middle[side], middle[(side + 1) % 4]
        flange = shapely.affinity.rotate(
            shapely.Polygon(corners),
            math.degrees(math.atan2(y1 - y0, x1 - x0)) + 180.0,
            origin=(0, 0),
        )
        areas.append(shapely.affinity.translate(flange, x1, y1))
    return shapely.union_all(areas)


def seen(corners, lot):
    """A face as it might be traced: each corner a little off."""
    off = [(x + lot.gauss(0, OFF_MM), y + lot.gauss(0, OFF_MM)) for x, y in corners]
    lines = [Line(a, b) for a, b in zip(off, off[1:] + off[:1], strict=True)]
    return Pattern("face", Contour.of(lines), precision=Precision(OFF_MM, 0.0003))


def test_pieces_drawn_by_lot_are_joined_rightly_or_not_at_all():
    lot = random.Random(11)
    joined = 0
    for _ in range(PIECES):
        middle, flanges = drawn(lot)
        faces = [seen(middle, lot)]
        for _, corners in flanges:
            faces.append(placed(seen(corners, lot), lot.uniform(0, 6), (3.0, -4.0)))
        try:
            found = polygon(join(faces).pattern.outline)
        except NotJoined:
            continue
        joined += 1
        apart = found.symmetric_difference(whole(middle, flanges))
        assert apart.buffer(-0.5).is_empty
    assert joined > PIECES // 2


def test_the_check_itself_sees_a_flange_on_the_wrong_side():
    lot = random.Random(2)
    middle, flanges = drawn(lot)
    moved = [((side + 1) % 4, corners) for side, corners in flanges]
    apart = whole(middle, flanges).symmetric_difference(whole(middle, moved))
    assert not apart.buffer(-0.5).is_empty
