"""Plain paper as a reference: rendered photographs, sizes, and sheets that are none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import as_photo
from scenes import SCENES, THICK, length_errors_mm

from digitize.reference.by_paper import camera_by_paper
from digitize.reference.paper import PAPERS, PaperUnknown, measured_paper, paper_named
from digitize.reference.shape import length_u_mm
from digitize.reference.sight_paper import PaperNotFound, sight_paper
from digitize.reference.solve import ReferenceUnclear


@pytest.mark.parametrize("header", [True, False])
@pytest.mark.parametrize("name", ["paper", "paper-tilted", "paper-partly-covered", "paper-across"])
def test_a_piece_by_a_plain_sheet(photo_of, name, header):
    photo, shot = photo_of(name, header=header), SCENES[name]
    seen = sight_paper(photo)
    corners = shot.px(shot.plates[0].corners_mm.astype(float))
    off = np.linalg.norm(corners[:, None] - seen.corners_px, axis=2).min(axis=1)
    assert off.max() < 0.5
    found = camera_by_paper(photo, seen, paper_named("a4"))
    camera = found.solution.camera
    assert not found.square_on_assumed
    assert camera.tilt_deg == pytest.approx(shot.tilt_deg, abs=1.5)
    for error, true, px in length_errors_mm(shot, camera):
        u = 2 * length_u_mm(camera, px, THICK)
        assert abs(error) < min(0.8, u)
        # Never finer than the trimming of the side it goes by.
        assert u > 2 * 0.7 * 2 / math.sqrt(3) / 297 * true
    assert "A4" in found.name


def test_a_measured_sheet_is_finer(photo_of):
    photo, shot = photo_of("paper"), SCENES["paper"]
    seen = sight_paper(photo)
    rough = camera_by_paper(photo, seen, paper_named("A4")).solution.camera
    fine = camera_by_paper(photo, seen, measured_paper(297, 210, 0.2)).solution.camera
    px = length_errors_mm(shot, fine)[0][2]
    assert length_u_mm(fine, px, THICK) < 0.4 * length_u_mm(rough, px, THICK)


@pytest.mark.parametrize("name", ["paper", "paper-tilted"])
@pytest.mark.parametrize("wrong", ["Legal", "Tabloid"])
def test_a_sheet_of_another_shape_is_refused_or_doubted(photo_of, name, wrong):
    photo = photo_of(name)
    try:
        found = camera_by_paper(photo, sight_paper(photo), paper_named(wrong))
    except ReferenceUnclear as refused:
        assert "does not have the shape of" in str(refused)  # noqa: PT017 - either is right
    else:
        assert "odd-camera" in [n.code for n in found.notices if n.level == "doubt"]


def test_a_square_sheet_looks_the_same_either_way(photo_of):
    photo = photo_of("paper")
    seen = sight_paper(photo)
    with pytest.raises(ReferenceUnclear, match="which side of the"):
        camera_by_paper(photo, seen, measured_paper(250, 250, 40))


def test_corners_help_where_given(photo_of):
    photo, shot = photo_of("paper-partly-covered"), SCENES["paper-partly-covered"]
    corners = shot.px(shot.plates[0].corners_mm.astype(float))
    rough = corners + np.array([[6, -4], [-5, 5], [3, 6], [-6, -3]])
    seen = sight_paper(photo, rough[[2, 0, 3, 1]])
    off = np.linalg.norm(corners[:, None] - seen.corners_px, axis=2).min(axis=1)
    assert off.max() < 0.5
    with pytest.raises(PaperNotFound, match="where its corners are said to be"):
        sight_paper(photo, corners * 0.2 + 900)


@pytest.mark.parametrize(
    "corners", [np.zeros((3, 2)), np.array([[0, 0], [1, 1], [2, np.nan], [3, 3]])]
)
def test_corners_that_make_no_sense(photo_of, corners):
    with pytest.raises(PaperNotFound, match="four corners"):
        sight_paper(photo_of("paper"), corners)


def test_no_paper():
    rng = np.random.default_rng(1)
    dark = rng.integers(20, 60, (600, 800, 3)).astype(np.uint8)
    with pytest.raises(PaperNotFound, match="no plain sheet of paper is seen"):
        sight_paper(as_photo(dark))


def test_sizes():
    # ISO 216:2007, table of the A series; ANSI/ASME Y14.1 sizes A and B; from memory.
    assert (PAPERS["a4"].short_mm, PAPERS["a4"].long_mm) == (210, 297)
    assert (PAPERS["a3"].short_mm, PAPERS["a3"].long_mm) == (297, 420)
    assert PAPERS["letter"].long_mm == pytest.approx(279.4)
    for size in PAPERS.values():
        if size.name.startswith("A"):
            assert size.long_mm / size.short_mm == pytest.approx(math.sqrt(2), rel=0.004)
    # ISO 216: 2 mm from 150 to 600 mm, 1.5 mm below; rectangular (JCGM 100, 4.3.7).
    assert PAPERS["a4"].u_long_mm == pytest.approx(2 / math.sqrt(3))
    assert PAPERS["a5"].u_short_mm == pytest.approx(1.5 / math.sqrt(3))


@pytest.mark.parametrize("sides", [(0, 100, 0.3), (100, math.inf, 0.3), (100, 90, 0), (5, 9, 6)])
def test_sides_that_make_no_sense(sides):
    with pytest.raises(PaperUnknown):
        measured_paper(*sides)
    with pytest.raises(PaperUnknown, match="say one of"):
        paper_named("foolscap")
