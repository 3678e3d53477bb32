"""Silhouettes of thick plates, against ray-cast photographs (conftest.py)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from digitize.tracing.silhouette.finding import NoPieceFound, PieceOutOfFrame, PieceOverBorder
from digitize.tracing.silhouette.trace import SilhouetteOptions, ThicknessMissing, trace_silhouette
from digitize.tracing.traces import BRIDGED, MEASURED

DISC = np.pi / 4
SMALL = {"rays": 2, "size_px": (800, 640), "focal_px": 800}  # a quick photograph


def nearest(openings, ring):
    middle = np.array(shapely.Polygon(ring).centroid.coords[0])
    return min(openings, key=lambda o: np.linalg.norm(o.points_mm.mean(axis=0) - middle))


def circle(points):
    """Centre and radius by linear least squares (Kasa); fine for points all round."""
    a = np.column_stack([2 * points, np.ones(len(points))])
    x, y, c = np.linalg.lstsq(a, (points**2).sum(axis=1), rcond=None)[0]
    return np.array([x, y]), np.sqrt(c + x * x + y * y)


@pytest.fixture(scope="module")
def soft(plate_scene, make_bracket):
    return plate_scene((make_bracket(),), tilt_deg=28)


@pytest.fixture(scope="module")
def hard(plate_scene, make_bracket):
    return plate_scene((make_bracket(),), lamp=(50, 200))


def test_outline_and_openings_in_soft_light(soft, traced, off_mm, hole_of):
    plate = soft.plates[0]
    result, _, _ = traced(soft)
    assert len(result.pieces) == 1
    piece = result.pieces[0]
    off = off_mm(piece.outline.points_mm, plate.exterior)
    assert 0.005 < np.percentile(np.abs(off), 95) < 0.08
    assert abs(np.median(off)) < 0.025
    assert np.mean(piece.outline.evidence == MEASURED) > 0.8
    assert len(piece.openings) == len(plate.interiors)
    for diameter in (12, 6, 4):
        ring = hole_of(plate, DISC * diameter**2)
        loop = nearest(piece.openings, ring)
        centre, radius = circle(loop.points_mm[loop.evidence == MEASURED])
        # Blur draws a small hole in by blur^2 / (2 R): that is the circle fit's to mend.
        assert abs(2 * radius - diameter + 2 * loop.blur_mm**2 / diameter) < 0.10
        assert np.linalg.norm(centre - shapely.Polygon(ring).centroid.coords[0]) < 0.1


def test_loops_turn_one_way_and_never_run_back(soft, traced):
    piece = traced(soft)[0].pieces[0]
    for loop in (piece.outline, *piece.openings):
        ring = shapely.LinearRing(loop.points_mm)
        assert ring.is_ccw
        assert ring.is_simple
        n = len(loop.points_mm)
        assert loop.points_px.shape == (n, 2)
        assert loop.u_mm.shape == loop.evidence.shape == (n,)
        assert set(np.unique(loop.evidence)) <= {MEASURED, BRIDGED}


def test_each_stretch_stands_at_the_height_of_the_edge_seen(soft, traced, off_mm):
    """Laid flat on the paper, or all at the top, part of the outline would be far off."""
    result, _, camera = traced(soft)
    outline = result.pieces[0].outline
    truth = soft.plates[0].exterior
    flat = off_mm(camera.to_sheet(outline.points_px, 0.0), truth)
    top = off_mm(camera.to_sheet(outline.points_px, soft.thickness_mm), truth)
    assert np.percentile(np.abs(flat), 95) > 0.6
    assert np.percentile(np.abs(top), 95) > 0.3


def test_claimed_scatter_is_the_real_one(soft, traced, off_mm):
    outline = traced(soft)[0].pieces[0].outline
    straight = np.abs(off_mm(outline.points_mm, soft.plates[0].exterior)) < 0.15
    kept = straight & (outline.evidence == MEASURED)
    off = off_mm(outline.points_mm, soft.plates[0].exterior)[kept]
    rough = off - np.convolve(np.pad(off, 10, mode="wrap"), np.ones(21) / 21, mode="valid")
    assert 0.3 < np.std(rough) / np.median(outline.u_mm[kept]) < 2.5


def test_cast_shadow_is_left_out(hard, traced, off_mm, hole_of):
    plate = hard.plates[0]
    piece = traced(hard)[0].pieces[0]
    off = off_mm(piece.outline.points_mm, plate.exterior)
    assert 0.005 < np.percentile(np.abs(off), 95) < 0.20
    assert [n.code for n in piece.notices if n.level == "note"] == ["shadow"]
    long = hard.thickness_mm * np.tan(np.radians(hard.lamp[0]))
    assert float(piece.notices[0].text.split(" mm")[0].split()[-1]) == pytest.approx(long, abs=0.25)
    ring = hole_of(plate, DISC * 12**2)
    hole = nearest(piece.openings, ring)
    assert np.percentile(np.abs(off_mm(hole.points_mm, ring)), 90) < 0.25


@pytest.mark.parametrize("azimuth", [20, 110, 290])
def test_cast_shadow_of_every_direction(azimuth, plate_scene, make_bracket, traced, off_mm):
    scene = plate_scene(
        (make_bracket(),), 1.5, lamp=(52, azimuth), rays=2, size_px=(900, 720), focal_px=900
    )
    piece = traced(scene)[0].pieces[0]
    off = off_mm(piece.outline.points_mm, scene.plates[0].exterior)
    assert np.percentile(np.abs(off), 90) < 0.20
    assert any(n.code == "shadow" for n in piece.notices)


def test_glare_is_not_an_opening_and_no_opening_is_lost(plate_scene, make_bracket, traced, off_mm):
    scene = plate_scene(
        (make_bracket(),), 1.5, colour=(0.16, 0.17, 0.18), glare=(54, 50, 7), rays=2
    )
    piece = traced(scene)[0].pieces[0]
    assert len(piece.openings) == len(scene.plates[0].interiors)
    off = np.abs(off_mm(piece.outline.points_mm, scene.plates[0].exterior))
    measured = piece.outline.evidence == MEASURED
    assert measured.mean() > 0.8
    assert np.percentile(off[measured], 95) < 0.08
    # What could not be measured says how far off it may be.
    assert np.mean(off[~measured] < 3.0 * piece.outline.u_mm[~measured]) > 0.95


def test_a_soft_shadow_over_everything_is_still_paper(plate_scene, make_bracket, traced, off_mm):
    scene = plate_scene((make_bracket(),), 1.2, soft_shadow=True, rays=2)
    result, _, _ = traced(scene)
    assert len(result.pieces) == 1
    off = off_mm(result.pieces[0].outline.points_mm, scene.plates[0].exterior)
    assert np.percentile(np.abs(off), 95) < 0.10


@pytest.fixture(scope="module")
def two(plate_scene):
    large = shapely.box(30, 30, 70, 80).buffer(-3).buffer(3, 32)
    small = shapely.Point(95, 50).buffer(12, 64).difference(shapely.Point(95, 50).buffer(4, 64))
    return plate_scene((large, small), 1.2, rays=2, colour=(0.03, 0.05, 0.10))


def test_two_pieces_come_largest_first(two, traced, off_mm):
    result, _, _ = traced(two)
    assert len(result.pieces) == 2
    for piece, plate in zip(result.pieces, two.plates, strict=True):
        assert len(piece.openings) == len(plate.interiors)
        off = off_mm(piece.outline.points_mm, plate.exterior)
        assert np.percentile(np.abs(off), 95) < 0.08


def test_a_region_picks_a_piece(two, traced):
    box = ((80.0, 30.0), (115.0, 30.0), (115.0, 75.0), (80.0, 75.0))
    result, _, _ = traced(two, region_mm=box)
    assert len(result.pieces) == 1
    assert result.pieces[0].outline.points_mm[:, 0].min() > 80
    assert [x.reason for x in result.left_out] == ["outside the region asked for"]
    with pytest.raises(NoPieceFound, match="no piece lies in the region"):
        traced(two, region_mm=((20.0, 20.0), (25.0, 20.0), (25.0, 25.0)))


def test_thickness_is_asked_for(two, traced):
    _, photo, camera = traced(two)
    for missing in (None, 0.0, float("nan")):
        with pytest.raises(ThicknessMissing, match="thickness of the piece is not given"):
            trace_silhouette(photo, camera, None, SilhouetteOptions(missing))


def test_empty_paper(plate_scene, traced):
    speck = plate_scene((shapely.Point(72, 56).buffer(1.2),), 0.5, **SMALL)
    with pytest.raises(NoPieceFound, match="no piece is seen on the paper"):
        traced(speck)


def test_piece_over_the_border_is_refused_with_the_place(plate_scene, traced):
    over = plate_scene((shapely.box(60, 60, 90, 105),), 1.0, **SMALL)
    with pytest.raises(PieceOverBorder, match=r"near x 7\d, y 9\d mm.*inside the blank area"):
        traced(over)


def test_piece_out_of_frame_is_refused_with_the_place(plate_scene, traced):
    cut = plate_scene(
        (shapely.box(70, 40, 126, 70),), 1.0, rays=2, size_px=(800, 640), focal_px=800,
        look_mm=(35.0, 56.0),
    )  # fmt: skip
    with pytest.raises(PieceOutOfFrame, match=r"near x \d+, y \d+ mm.*whole piece in the frame"):
        traced(cut)
