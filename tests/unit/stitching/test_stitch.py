"""Loops of several photos joined into one, against a drawing that is known.

What each photo shows is made by shapely from the true shape: shifted a little, noisy, and
cut off where the photo ends.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from digitize.camera.camera import Camera
from digitize.stitching.stitch import NotAllSeen, PhotoTrace, stitch
from digitize.tracing.traces import (
    BRIDGED,
    CUT,
    MEASURED,
    Traced,
    TracedBend,
    TracedLoop,
    TracedMark,
    TracedPiece,
)

SPACING = 0.35


def plate():
    """A floor section, 1200 by 300 mm, with rounded ends, a notch, two holes and a slot."""
    body = shapely.box(0, 0, 1200, 300).buffer(-40).buffer(40, quad_segs=32)
    notch = shapely.box(560, 250, 640, 310).buffer(5, quad_segs=16)
    hole = shapely.Point(200, 150).buffer(30, quad_segs=64)
    middle = shapely.Point(600, 120).buffer(45, quad_segs=64)
    slot = shapely.LineString([(900, 100), (1000, 200)]).buffer(12, quad_segs=32)
    return body.difference(shapely.union_all([notch, hole, middle, slot]))


def camera_at(x, y, height=900.0):
    rotation = np.diag([1.0, -1.0, -1.0])
    centre = np.array([x, y, height])
    return Camera(
        (4000, 3000), rotation, -rotation @ centre, 3000.0, (2000.0, 1500.0), 0, 0,
        np.zeros((11, 11)),
    )  # fmt: skip


def loop_of(ring, frame, rng, *, shift=(0.0, 0.0), noise=0.01, camera=None):
    length = ring.length
    places = np.arange(0, length, SPACING)
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, places))
    if not shapely.LinearRing(points).is_ccw:
        points = points[::-1]
    cut = np.zeros(len(points), dtype=bool)
    if frame is not None:
        cut = shapely.distance(frame.exterior, shapely.points(points)) < 1e-6
    step = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    across = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(*step.T)[:, None]
    moved = points + np.asarray(shift) + rng.normal(0, noise, len(points))[:, None] * across
    return TracedLoop(
        points_mm=moved,
        points_px=camera.to_px(moved),
        u_mm=np.full(len(points), noise),
        evidence=np.where(cut, CUT, MEASURED).astype(np.uint8),
        blur_mm=0.2,
    )


def traced(shape, camera, rng, frame=None, **view):
    seen = shape if frame is None else shape.intersection(frame)
    pieces = []
    for part in shapely.get_parts(seen):
        pieces.append(
            TracedPiece(
                loop_of(part.exterior, frame, rng, camera=camera, **view),
                tuple(loop_of(r, frame, rng, camera=camera, **view) for r in part.interiors),
            )
        )
    return Traced("silhouette", tuple(pieces))


def photo(number, shape, x, rng, frame=None, **view):
    camera = camera_at(x, 150.0)
    return PhotoTrace(f"{number}.jpg", camera, traced(shape, camera, rng, frame, **view), 0.0)


def errors_mm(loop, ring):
    return shapely.distance(shapely.LinearRing(ring), shapely.points(loop.points_mm))


def most_mm(loop, ring):
    """All but the few points at corners, where directions across the edge mean little."""
    return float(np.percentile(errors_mm(loop, ring), 99))


def rings(shape):
    return [shape.exterior, *sorted(shape.interiors, key=lambda r: -shapely.Polygon(r).area)]


def by_area(piece):
    loops = sorted(piece.openings, key=lambda o: -shapely.Polygon(o.points_mm).area)
    return [piece.outline, *loops]


def test_whole_views_are_averaged():
    rng = np.random.default_rng(1)
    shape = plate()
    shifts = [(0.05, 0.0), (-0.05, 0.02), (0.0, -0.02)]
    photos = [photo(k, shape, 300 + 300 * k, rng, shift=s) for k, s in enumerate(shifts)]
    found = stitch(photos)
    (piece,) = found.pieces
    assert piece.photos == (0, 1, 2)
    loops = by_area(piece.piece)
    assert len(loops) == 4
    for loop, ring in zip(loops, rings(shape), strict=True):
        error = errors_mm(loop, ring)
        assert np.percentile(error, 95) < 0.06
        assert shapely.LinearRing(loop.points_mm).is_ccw
        assert (loop.evidence == MEASURED).all()
    assert found.traced.pieces == (piece.piece,)


def row_of_frames():
    return [shapely.box(400 * k - 60, -50, 400 * k + 460, 350) for k in range(3)]


def test_three_photos_of_parts_give_one_outline():
    rng = np.random.default_rng(2)
    shape = plate()
    shifts = [(0.08, 0.05), (-0.06, -0.05), (0.05, 0.08)]
    photos = [
        photo(k, shape, 400 * k + 200, rng, frame, shift=s)
        for k, (frame, s) in enumerate(zip(row_of_frames(), shifts, strict=True))
    ]
    (piece,) = stitch(photos).pieces
    loops = by_area(piece.piece)
    assert len(loops) == 4  # the middle hole lies in the middle photo, the notch too
    for loop, ring in zip(loops, rings(shape), strict=True):
        assert errors_mm(loop, ring).max() < 0.2
        assert np.isin(loop.evidence, (MEASURED, BRIDGED)).all()
    assert set(piece.outline.photo) == {0, 1, 2}


def test_no_step_where_one_photo_takes_over():
    rng = np.random.default_rng(3)
    shape = shapely.box(0, 0, 1200, 300)
    photos = [
        photo(k, shape, 400 * k + 200, rng, frame, shift=(0.0, s), noise=0.001)
        for k, (frame, s) in enumerate(zip(row_of_frames(), (0.1, -0.1, 0.1), strict=True))
    ]
    (piece,) = stitch(photos).pieces
    points = piece.piece.outline.points_mm
    top = points[(points[:, 1] > 250) & (points[:, 0] > 20) & (points[:, 0] < 1180)]
    top = top[np.argsort(top[:, 0])]
    slope = np.abs(np.diff(top[:, 1]) / np.diff(top[:, 0]))
    assert np.ptp(top[:, 1]) == pytest.approx(0.2, abs=0.02)
    assert slope.max() < 0.03


def test_a_hole_that_no_photo_shows_whole():
    rng = np.random.default_rng(4)
    shape = shapely.box(0, 0, 800, 300).difference(shapely.Point(400, 150).buffer(60, quad_segs=64))
    frames = [shapely.box(-50, -50, 425, 350), shapely.box(375, -50, 850, 350)]
    photos = [photo(k, shape, 200 + 400 * k, rng, f) for k, f in enumerate(frames)]
    assert all(not p.traced.pieces[0].openings for p in photos)
    (piece,) = stitch(photos).pieces
    (hole,) = piece.piece.openings
    assert errors_mm(hole, shape.interiors[0]).max() < 0.1
    assert shapely.Polygon(hole.points_mm).area == pytest.approx(np.pi * 3600, rel=2e-3)
    assert errors_mm(piece.piece.outline, shape.exterior).max() < 0.2


def test_a_part_that_no_photo_shows_is_named():
    rng = np.random.default_rng(5)
    shape = plate()
    frames = row_of_frames()[:2]
    photos = [photo(k, shape, 400 * k + 200, rng, frame) for k, frame in enumerate(frames)]
    with pytest.raises(NotAllSeen) as caught:
        stitch(photos)
    assert "of the outline lie outside every photo (near x 860, y" in str(caught.value)
    assert str(caught.value).endswith(
        "take one more photo that shows that part, with two of the sheets in view."
    )


def test_the_surer_photo_is_heard_most():
    rng = np.random.default_rng(6)
    shape = shapely.box(0, 0, 300, 200)
    sure = photo(0, shape, 150, rng, noise=0.005)
    vague = photo(1, shape, 150, rng, noise=0.1, shift=(0.1, 0.1))
    (piece,) = stitch([sure, vague]).pieces
    assert most_mm(piece.piece.outline, shape.exterior) < 0.03
    assert (piece.outline.photo == 0).mean() > 0.99


def test_uncertain_cameras_count():
    rng = np.random.default_rng(7)
    shape = shapely.box(0, 0, 300, 200)
    vague = photo(1, shape, 150, rng, shift=(0.1, 0.1))
    covariance = np.zeros((11, 11))
    covariance[3, 3] = covariance[4, 4] = 0.3**2
    unsure = dataclasses.replace(
        vague, camera=dataclasses.replace(vague.camera, covariance=covariance)
    )
    (piece,) = stitch([unsure, photo(0, shape, 150, rng)]).pieces
    assert most_mm(piece.piece.outline, shape.exterior) < 0.03
    assert np.median(piece.outline.placing_u_mm) < 0.01


def test_what_one_photo_bridged_another_measured():
    rng = np.random.default_rng(8)
    shape = shapely.box(0, 0, 300, 200)
    one, other = (photo(k, shape, 150, rng) for k in range(2))
    loop = one.traced.pieces[0].outline
    hidden = (loop.points_mm[:, 0] > 100) & (loop.points_mm[:, 1] < 1)
    points = loop.points_mm.copy()
    points[hidden, 1] -= 0.5
    evidence = np.where(hidden, BRIDGED, loop.evidence).astype(np.uint8)
    bad = dataclasses.replace(loop, points_mm=points, evidence=evidence)
    one = dataclasses.replace(
        one, traced=dataclasses.replace(one.traced, pieces=(TracedPiece(bad),))
    )
    (piece,) = stitch([one, other]).pieces
    assert (piece.piece.outline.evidence == MEASURED).all()
    assert most_mm(piece.piece.outline, shape.exterior) < 0.04
    (alone,) = stitch([one]).pieces
    assert (alone.piece.outline.evidence == BRIDGED).sum() * 0.4 == pytest.approx(200, abs=3)


def test_photos_that_disagree_are_named_and_the_uncertainty_widened():
    rng = np.random.default_rng(9)
    shape = shapely.box(0, 0, 300, 200)
    one, other = (photo(k, shape, 150, rng) for k in range(2))
    loop = one.traced.pieces[0].outline
    shaded = (loop.points_mm[:, 1] < 1) & (loop.points_mm[:, 0] > 100)
    points = loop.points_mm.copy()
    points[shaded, 1] -= 0.8
    moved = dataclasses.replace(loop, points_mm=points)
    one = dataclasses.replace(
        one, traced=dataclasses.replace(one.traced, pieces=(TracedPiece(moved),))
    )
    (piece,) = stitch([one, other]).pieces
    assert [n.code for n in piece.piece.notices] == ["photos-disagree"]
    assert "up to 0.8 mm apart" in piece.piece.notices[0].text
    bottom = piece.piece.outline.points_mm[:, 1] < 1
    right = piece.piece.outline.points_mm[:, 0] > 120
    assert np.median(piece.piece.outline.u_mm[bottom & right]) > 0.3
    assert np.median(piece.piece.outline.u_mm[~bottom]) < 0.02


def test_an_opening_in_one_photo_of_three_is_outvoted():
    rng = np.random.default_rng(10)
    plain = shapely.box(0, 0, 300, 200)
    dirty = plain.difference(shapely.Point(100, 100).buffer(8))
    photos = [photo(k, s, 150, rng) for k, s in enumerate((dirty, plain, plain))]
    (piece,) = stitch(photos).pieces
    assert piece.piece.openings == ()
    assert [n.code for n in piece.piece.notices] == ["opening-outvoted"]
    (piece,) = stitch([photos[0], photo(3, dirty, 150, rng), photos[1]]).pieces
    assert len(piece.piece.openings) == 1


def test_two_pieces_stay_two():
    rng = np.random.default_rng(11)
    shape = shapely.union(shapely.box(0, 0, 300, 200), shapely.box(320, 0, 420, 90))
    photos = [photo(k, shape, 150, rng) for k in range(2)]
    pieces = stitch(photos).pieces
    assert [p.photos for p in pieces] == [(0, 1), (0, 1)]
    assert [len(p.piece.openings) for p in pieces] == [0, 0]


def test_a_narrow_slot_keeps_its_sides_apart():
    rng = np.random.default_rng(12)
    shape = shapely.box(0, 0, 300, 200).difference(shapely.box(100, 50, 101.2, 150))
    photos = [photo(k, shape, 150, rng, shift=(0.05 * k, 0)) for k in range(2)]
    (piece,) = stitch(photos).pieces
    (slot,) = piece.piece.openings
    assert np.ptp(slot.points_mm[:, 0]) == pytest.approx(1.2, abs=0.08)


def test_bends_and_marks_of_several_photos_become_one():
    rng = np.random.default_rng(13)
    shape = shapely.box(0, 0, 300, 200)
    photos = []
    for k, (reach, u) in enumerate(((150.0, 0.05), (300.0, 0.1))):
        one = photo(k, shape, 150, rng)
        piece = dataclasses.replace(
            one.traced.pieces[0],
            bends=(
                TracedBend((0.0, 60.0 + 0.05 * k), (reach, 60.0 + 0.05 * k), u, 0.1, 9),
                TracedBend((0.0, 120.0), (300.0, 120.0), u, 0.1, 9),
            ),
            marks=(TracedMark((40.0 + 0.1 * k, 40.0), 0.05),),
        )
        photos.append(
            dataclasses.replace(one, traced=dataclasses.replace(one.traced, pieces=(piece,)))
        )
    (piece,) = stitch(photos).pieces
    assert len(piece.piece.bends) == 2
    first = next(b for b in piece.piece.bends if b.start_mm[1] < 100)
    assert sorted([first.start_mm[0], first.end_mm[0]]) == pytest.approx([0.0, 300.0], abs=0.01)
    assert first.u_mm == 0.05
    (mark,) = piece.piece.marks
    assert mark.at_mm == pytest.approx((40.05, 40.0))
