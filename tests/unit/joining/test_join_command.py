"""``digitize join`` as a person runs it."""

import json

import pytest

from digitize.errors import Exit
from digitize.pattern import document
from digitize.pattern.contour import Contour
from digitize.pattern.model import Pattern
from digitize.pattern.segments import Line


def face(folder, name, *points):
    closed = zip(points, points[1:] + points[:1], strict=True)
    path = folder / f"{name}.pattern.json"
    pattern = Pattern(name, Contour.of([Line(a, b) for a, b in closed]), thickness_mm=1.5)
    path.write_text(document.dumps(pattern))
    return path


@pytest.fixture
def lid(tmp_path):
    return face(tmp_path, "lid", (0, 0), (100, 0), (100, 60), (0, 60))


@pytest.fixture
def flange(tmp_path):
    return face(tmp_path, "flange", (0, 0), (60.2, 0), (55, 20), (5, 20))


def test_two_faces_become_a_pattern_that_can_be_developed(digitize, lid, flange, tmp_path):
    joint = "A.E2 B.E1 away 90 r2"
    code, out, err = digitize("join", lid, flange, "--joint", joint, "-n", "both", "-o", "made")
    assert code == 0, err
    assert "A.E2 B.E1" in out
    assert "-0.20 mm" in out
    made = document.loads((tmp_path / "made" / "both.pattern.json").read_text())
    assert (made.bends[0].toward_face, made.bends[0].inside_radius_mm) == (False, 2.0)
    assert made.provenance.made_by.startswith("digitize ")
    assert len(list((tmp_path / "made").iterdir())) == 5
    assert digitize("blank", "made/both.pattern.json", "--into", "made")[0] == 0
    again = digitize("join", lid, flange, "--joint", joint, "-n", "both", "-o", "made")
    assert again[0] == Exit.FILE


def test_scripts_get_every_joint_in_numbers(digitize, lid, flange):
    code, out, err = digitize(
        "join", lid, flange, "-j", "A.E4, B.E1", "--bend", "B1 toward 90 r1", "--ends", "tangent",
        "--json",
    )  # fmt: skip
    assert code == 0, err
    found = json.loads(out)
    (joint,) = found["joints"]
    assert joint["difference_mm"] == pytest.approx(-0.2)
    assert joint["gap_mm"] == pytest.approx(2 * (1.0 + 1.5))
    assert [f["name"] for f in found["faces"]] == ["lid", "flange"]


def test_a_bend_along_part_of_a_side(digitize, lid, flange, tmp_path):
    words = ("-j", "A.E1 B.E1 at 25 toward 90", "-n", "part", "--json")
    code, out, err = digitize("join", lid, flange, *words)
    assert code == 0, err
    assert "joint-as-said" in out
    made = document.loads((tmp_path / "part.pattern.json").read_text())
    (bend,) = made.bends
    assert sorted((bend.start_mm[0], bend.end_mm[0])) == pytest.approx([25.0, 85.2])
    assert bend.angle_deg == 90


@pytest.mark.parametrize(
    "case",
    [
        ((), Exit.PATTERN, "more than one way (A.E"),
        (("-j", "A.E2"), Exit.PATTERN, "'A.E2' is no joint"),
        (("-j", "A.E2 B.E1 sideways"), Exit.ASKED, "says nothing about a bend"),
        (("-j", "A.E1 B.E1"), Exit.PATTERN, "allow more than 1 mm with --within"),
        (("-j", "A.E2 B.E1", "--within", "0.1mm"), Exit.PATTERN, "more than 0.1 mm"),
        (("-j", "A.E1 B.E1 at 60mm"), Exit.PATTERN, "reaches 20.2 mm beyond the end of A.E1"),
        (("-j", "A.E1 B.E1 at -5"), Exit.ASKED, "-5"),
        (("-j", "A.E1 B.E1 at noon"), Exit.ASKED, "noon"),
        (("-j", "A.E2 B.E1", "--ends", "tangent"), Exit.ASKED, "lack the width of B1"),
        (("-j", "A.E2 B.E1", "--turned-over", "C"), Exit.ASKED, "no face"),
    ],
)
def test_what_cannot_be_joined_is_one_sentence(digitize, lid, flange, case):
    words, code, sentence = case
    found, _, err = digitize("join", lid, flange, *words)
    assert found == code
    assert sentence in err
