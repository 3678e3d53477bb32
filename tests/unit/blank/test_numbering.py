"""One name for a face wherever it is met: on the piece, its blank, and that blank folded."""

import numpy as np
import pytest

from digitize.bending.facts import Said, Stock
from digitize.bending.laws import NeutralLine
from digitize.bending.materials import material
from digitize.blank.faces import split
from digitize.blank.making import Order, made_to
from digitize.folding.from_pattern import blank_of
from digitize.pattern.contour import Contour
from digitize.pattern.document import dumps, loads
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line

METAL = material("mild-steel")
BOX = [
    (20, 0), (90, 0), (90, 20), (110, 20), (110, 60), (90, 60),
    (90, 95), (20, 95), (20, 60), (0, 60), (0, 20), (20, 20),
]  # fmt: skip
BOTTOM, RIGHT, TOP, LEFT = (
    ((20, 20), (90, 20)), ((90, 20), (90, 60)), ((90, 60), (20, 60)), ((20, 60), (20, 20)),
)  # fmt: skip
TABBED = [
    (0, 0), (100, 0), (100, 60), (70, 60), (70, 30), (60, 30), (60, 60), (30, 60), (30, 30),
    (20, 30), (20, 60), (0, 60),
]  # fmt: skip
PIECES = {
    "box": (BOX, (RIGHT, TOP, LEFT, BOTTOM)),
    "three flanges": (BOX, (TOP, LEFT, RIGHT)),
    "channel": ([(0, 0), (90, 0), (90, 50), (0, 50)], (((60, 0), (60, 50)), ((25, 0), (25, 50)))),
    "angle": ([(0, 0), (90, 0), (90, 50), (0, 50)], (((60, 0), (60, 50)),)),
    "even angle": ([(0, 0), (90, 0), (90, 50), (0, 50)], (((45, 0), (45, 50)),)),
    "three tabs": (TABBED, (((0, 40), (100, 40)),)),
}


def piece(name, first=0):
    """The piece, its outline begun at another corner."""
    corners, bends = PIECES[name]
    corners = corners[first:] + corners[:first]
    sides = [Line(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    return Pattern(
        name, Contour.of(sides), bends=tuple(BendLine(*ends) for ends in bends), thickness_mm=1.0
    )


def known_by(faces):
    """The bends round each face, F1 first."""
    return [
        sorted(c.bends for c in faces.chords if f in (c.outer, c.inner)) for f in range(faces.count)
    ]


def places(blank):
    return np.array([blank.on_face_mm(f) for f in range(blank.tree.faces.count)])


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("side", ["traced", "from-behind", "opposite-hand"])
def test_a_blank_and_the_piece_folded_of_it_name_faces_alike(name, side):
    stock = Stock(METAL, 1.0, NeutralLine(0.44))
    for first, base in ((0, None), (3, 1)):
        order = Order(stock, {"all": Said(90.0, True, 1.0)}, base=base, side=side, relief="square")
        blank, _ = made_to(piece(name, first), order)
        folded, _ = blank_of(loads(dumps(blank.pattern)), METAL)
        assert known_by(folded.tree.faces) == known_by(blank.tree.faces)
        assert places(folded) == pytest.approx(places(blank), abs=4.0)
        assert known_by(blank.tree.faces) == known_by(split(piece(name)))


def test_numbers_follow_the_bends():
    assert known_by(split(piece("box"))) == [
        [(0,)], [(0,), (1,), (2,), (3,)], [(1,)], [(2,)], [(3,)],
    ]  # fmt: skip
    channel = split(piece("channel"))
    assert known_by(channel) == [[(0,)], [(0,), (1,)], [(1,)]]
    assert channel.polygon(0).bounds == (60.0, 0.0, 90.0, 50.0)
    assert split(piece("angle")).polygon(0).bounds == (60.0, 0.0, 90.0, 50.0)  # the smaller
    tabs = split(piece("three tabs"))
    assert [round(tabs.polygon(f).centroid.x) for f in (0, 2, 3)] == [10, 45, 85]
