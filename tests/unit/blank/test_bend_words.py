import pytest

from digitize.bending.facts import Said
from digitize.bending.setback import BadBend
from digitize.cli.bend_words import BendFile, bends_said, read_bend_file


def test_words_become_facts_and_later_words_add():
    said = bends_said(["B1,b2 toward 90 r1.5", "B2 away inside", "ALL 45° k0.42"], "mm")
    assert said == {
        "B1": Said(90.0, True, 1.5),
        "B2": Said(90.0, False, 1.5, "inside"),
        "all": Said(angle_deg=45.0, k=0.42),
    }


def test_lengths_may_carry_their_unit():
    assert bends_said(["B1 r=1/16in"], "mm")["B1"].radius_mm == pytest.approx(1.5875)
    assert bends_said(["B1 r0.06"], "in")["B1"].radius_mm == pytest.approx(1.524)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("toward 90", "'toward' is no bend"),
        ("B1", "nothing is said of B1"),
        ("", "is no bend"),
        ("B1 sideways", "'sideways' says nothing"),
        ("B1 rx", "is not a length"),
    ],
)
def test_words_that_make_no_sense_are_named(text, says):
    with pytest.raises(BadBend, match=says):
        bends_said([text], "mm")


def test_a_file_says_the_same(tmp_path):
    path = tmp_path / "bends.toml"
    path.write_text(
        'metal = "stainless"\nthickness = "1.5mm"\nlaw = "faa"\n'
        '[all]\ndirection = "toward"\nangle = 90\n'
        '[B2]\ndirection = "away"\nradius = "2mm"\ntraced = "rolled"\nk = 0.4\n'
    )
    assert read_bend_file(path, "mm") == BendFile(
        "stainless",
        "1.5mm",
        "faa",
        {"all": Said(90.0, True), "B2": Said(None, False, 2.0, "rolled", 0.4)},
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("angle = ", "not valid TOML"),
        ("angle = 90", "angle in the bends file is not understood"),
        ("[B1]\nangle = true", r"\[B1\] angle = True"),
        ('[B1]\ndirection = "left"', "direction = 'left'"),
        ("[face]\nangle = 90", "face in the bends file"),
    ],
)
def test_files_that_make_no_sense_are_refused(tmp_path, text, says):
    path = tmp_path / "bends.toml"
    path.write_text(text)
    with pytest.raises(BadBend, match=says):
        read_bend_file(path, "mm")


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(BadBend, match=r"cannot be read \(.*none\.toml"):
        read_bend_file(tmp_path / "none.toml", "mm")
