from dataclasses import replace

import folded_pieces as pieces
import pytest
import trimesh

from digitize.bending.bead import ArcBead
from digitize.bending.facts import Said, Stock, told
from digitize.bending.laws import Din6935, Faa
from digitize.bending.materials import material
from digitize.bending.setback import BadBend
from digitize.blank.making import Order, made_to
from digitize.folding.from_pattern import NotFoldable, blank_of
from digitize.folding.solid import fold_up
from digitize.pattern import document

STEEL = material("steel")


@pytest.mark.parametrize("law", [Din6935(), Faa()])
def test_a_blank_read_from_its_file_folds_by_the_law_it_was_developed_with(law):
    blank = pieces.developed(pieces.tray(), {"all": Said(75.0, True, 2.0)}, 1.5, law)
    read, notices = blank_of(document.loads(document.dumps(blank.pattern)), STEEL)
    assert {round(f.allowance_mm, 6) for f in read.facts} == {
        round(f.allowance_mm, 6) for f in blank.facts
    }
    assert not notices
    assert read.pattern.outline.signed_area_mm2 == pytest.approx(
        blank.pattern.outline.signed_area_mm2
    )


def test_a_blank_without_tangent_lines_says_that_the_law_is_assumed():
    blank = pieces.developed(pieces.channel(), law=Faa())
    _, notices = blank_of(replace(blank.pattern, scribes=()), STEEL)
    assert [n.code for n in notices] == ["law-assumed"]


def test_a_traced_pattern_that_says_its_bends_is_developed():
    blank = pieces.developed(pieces.channel())
    read, _ = blank_of(told(pieces.channel(), blank.facts), STEEL)
    assert read.facts[0].traced == "outside"


def test_what_is_missing_is_named():
    pattern = pieces.channel()
    with pytest.raises(NotFoldable, match="how thick"):
        blank_of(pattern, STEEL)
    with pytest.raises(NotFoldable, match="no bend lines"):
        blank_of(replace(pattern, bends=()), STEEL, 1.0)
    with pytest.raises(BadBend, match="which way B1"):
        blank_of(pattern, STEEL, 1.0)
    blank = pieces.developed(pattern)
    with pytest.raises(BadBend, match="tangent lines of B1"):
        blank_of(blank.pattern, STEEL, 0.1)


def test_words_about_bends_develop_a_traced_pattern_and_leave_a_blank_alone():
    said = {"all": Said(90.0, True, 1.2), "B2": Said(45.0, False, 0.0, k=0.5)}
    read, _ = blank_of(pieces.channel(), STEEL, 1.0, said)
    one, two = read.facts
    assert (one.angle_deg, one.toward_face, one.radius_mm) == (90.0, True, 1.2)
    assert (two.angle_deg, two.toward_face, two.radius_mm, two.k) == (45.0, False, 0.0, 0.5)
    developed = pieces.developed(pieces.channel()).pattern
    with pytest.raises(BadBend, match="B2 lies on a blank"):
        blank_of(developed, STEEL, said={"B2": Said(45.0)})
    again, _ = blank_of(developed, STEEL, said={"all": Said(45.0)})  # speaks of what lacks it
    assert [f.angle_deg for f in again.facts] == [90.0, 90.0]


def test_a_blank_with_a_bead_folds_flat_there():
    stock = Stock(STEEL, 1.2, Faa())
    order = Order(stock, {"B1": Said(90.0, True, 1.2)}, beads={"B2": (ArcBead(20, 4), True)})
    beaded, _ = made_to(pieces.channel(), order)
    read, notices = blank_of(document.loads(document.dumps(beaded.pattern)), STEEL)
    assert [f.angle_deg for f in read.facts] == [90.0, 0.0]
    assert not notices
    solid = fold_up(read)
    assert trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False).is_watertight
