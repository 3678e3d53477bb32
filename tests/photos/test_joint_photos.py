"""Photos of a strewn bench, drawn by OpenCV, through the whole job of several photos.

No photo shows the whole drawing or piece; together they do.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
import strewn

from digitize.errors import DigitizeError, Exit
from digitize.job import JobOptions
from digitize.joint_job import DrawingCutOff, pattern_from_photos
from digitize.pattern.contour import Contour
from digitize.pattern.segments import Arc, Line
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale
from digitize.stitching.stitch import NotAllSeen

EXACT = PrintScale(1.0, 1.0, 1e-4, 1e-4, True, "test")
BODY = shapely.box(260, 230, 760, 500).buffer(-40).buffer(40, quad_segs=64)
HOLE = shapely.Point(430, 370).buffer(30, quad_segs=64)
LAID = (
    ("card", 1, (180, 120), 0.2),
    ("card", 2, (520, 100), -0.1),
    ("ring", 3, (960, 210), 0.5),
    ("card", 3, (150, 600), 2.5),
    ("card", 4, (480, 620), 0.05),
    ("card", 5, (850, 600), -2.0),
)
STANDS = (
    ((320, 365), 540, 12, 40),
    ((720, 365), 540, 14, 150),
    ((850, 365), 560, 12, 270),
)
OPTIONS = {
    "ink": JobOptions(EXACT, mode="ink", line_side="centre", name="floor-section"),
    "silhouette": JobOptions(
        EXACT, mode="silhouette", thicknesses_mm=(0.01,), name="floor-section"
    ),
}


@pytest.fixture(scope="module", params=["ink", "silhouette"])
def shots(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    bench = strewn.bench(1140, 740)
    loops = [shapely.get_coordinates(s.exterior)[:-1] for s in (BODY, HOLE)]
    if request.param == "ink":
        bench.draw(loops, 2.0)
    else:
        bench.put(loops)
    for form, number, middle, angle in LAID:
        bench.lay(sheet(form, "A4", number), middle, angle)
    paths = []
    for k, (at, distance, tilt, azimuth) in enumerate(STANDS):
        shot = strewn.look(at, distance, tilt, azimuth, size_px=(2600, 1950), focal_px=1900.0)
        photo = strewn.photograph(bench, shot, f"{k}.jpg", seed=k)
        path = folder / f"{k}.jpg"
        cv2.imwrite(str(path), photo.rgb, [cv2.IMWRITE_JPEG_QUALITY, 93])
        paths.append(path)
        corners = shot.to_px(loops[0])
        assert not ((corners > 0) & (corners < (2600, 1950))).all()
    return request.param, paths


@pytest.fixture(scope="module")
def result(shots):
    kind, paths = shots
    return pattern_from_photos(paths, OPTIONS[kind])


def to_truth(joint):
    """From the common frame to the bench, by the sheets; and how far those are off."""
    true = {(form, number): (middle, angle) for form, number, middle, angle in LAID}
    found, real = [], []
    for p in joint.placements:
        middle, angle = true[p.sheet.form, p.sheet.number]
        nominal = np.asarray(p.sheet.x_corners() * p.sheet.square_mm, dtype=float)
        c, s = np.cos(angle), np.sin(angle)
        local = nominal - np.array(p.sheet.size_mm) / 2
        found.append(p.to_plane(nominal))
        real.append(local @ np.array([[c, s], [-s, c]]) + middle)
    found, real = np.vstack(found), np.vstack(real)
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, _, vt = np.linalg.svd((found - a).T @ (real - b))

    def move(points):
        return (points - a) @ u @ vt + b

    return move, np.hypot(*(move(found) - real).T).max()


def test_sheets_lie_where_they_were_laid(result):
    _, off_mm = to_truth(result.joint)
    assert result.joint.left_out == ()
    assert len(result.joint.placements) == 6
    assert 1e-4 < off_mm < 0.05


def test_parts_give_one_outline(result):
    move, _ = to_truth(result.joint)
    (piece,) = result.job.traced.pieces
    assert len(piece.openings) == 1
    for loop, shape in ((piece.outline, BODY), (piece.openings[0], HOLE)):
        error = shapely.distance(shape.exterior, shapely.points(move(loop.points_mm)))
        assert np.percentile(error, 95) < 0.15
    (best,) = result.best
    assert len(set(best[best >= 0].tolist())) >= 2


def test_lines_and_arcs_are_those_drawn(result):
    (pattern,) = result.job.patterns
    assert pattern.name == "floor-section"
    assert isinstance(pattern.outline, Contour)
    arcs = [e.segment for e in pattern.outline.edges if isinstance(e.segment, Arc)]
    lines = [e.segment for e in pattern.outline.edges if isinstance(e.segment, Line)]
    assert len(arcs) >= 4
    assert len(lines) >= 4
    codes = {notice.code for notice in pattern.notices}
    assert "photos-joined" in codes
    assert not codes & {"photos-disagree", "sheet-moved", "sheet-lifted", "sheet-bent"}


def test_the_long_side_lies_within_its_uncertainty(result):
    move, _ = to_truth(result.joint)
    long_mm = float(np.ptp(move(result.job.traced.pieces[0].outline.points_mm)[:, 0]))
    (pattern,) = result.job.patterns
    u = np.hypot(np.sqrt(2) * pattern.precision.edge_u_mm, pattern.precision.scale_u * 500)
    assert abs(long_mm - 500) < 3 * u
    assert pattern.precision.edge_u_mm < 0.15


def test_what_no_photo_shows_is_refused(shots):
    kind, paths = shots
    with pytest.raises(DigitizeError) as caught:
        pattern_from_photos(paths[1:], OPTIONS[kind])
    assert caught.value.exit_code == Exit.TRACE
    assert isinstance(caught.value, {"ink": DrawingCutOff, "silhouette": NotAllSeen}[kind])
    assert "one more photo" in str(caught.value)
