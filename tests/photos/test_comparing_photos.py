"""Pieces from photographs held over what they should be: the whole way to the deviation.

A bracket and its second make were photographed by two stands, and a bracket that rust has eaten
by one.  The photographs are path-traced (samples/README.md); the truth is the outlines as they were
built, two of them laid over each other as they were drawn about one corner.
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import sample_truth as truths
import shapely

from digitize.cli.samples_command import job_options
from digitize.comparing.comparison import compare
from digitize.comparing.features import features_of
from digitize.comparing.pose import Pose
from digitize.job import pattern_from_photo
from digitize.pattern.dimensions import dimensions
from digitize.pattern.model import Pattern

OLD = truths.SAMPLES / "rusty-bracket.json"
NEW = truths.SAMPLES / "second-make" / "second-make.json"
# Where the scenes lay the bracket's own corner (samples/render/scenes.py, second_make.py).
OLD_LAID = Pose(math.radians(-84.0), (70.0, 268.0))
NEW_LAID = Pose(math.radians(96.0), (190.0, 118.0))
LAID_ANYHOW = Pose(math.radians(131.0), (-40.0, 510.0))


@cache
def traced(path):
    facts = truths.load(path)
    (pattern,) = pattern_from_photo(path.parent / facts["photo"], job_options(facts)).patterns
    (piece,) = truths.pieces(facts)
    return pattern, piece


@pytest.fixture(scope="module")
def found():
    """Laid over by the two features that the second make has where they were."""
    old, new = traced(OLD)[0], traced(NEW)[0]
    holes = {f.name: f for f in features_of(old)}
    large = max((f for f in holes.values() if f.kind == "hole"), key=lambda f: f.size_mm)
    return compare(old, new, locked=(large.name, "S1"))


def test_deviation_map_is_the_true_one(found):
    old, new = traced(OLD)[1], traced(NEW)[1]
    own = NEW_LAID.back(new.outline.points_mm(0.001))
    edge = shapely.LinearRing(OLD_LAID.of(own))
    whole = shapely.Polygon(old.outline.points_mm(0.001))
    side = found.deviation.new
    along = shapely.line_locate_point(edge, shapely.points(side.places_mm))
    at = shapely.get_coordinates(shapely.line_interpolate_point(edge, along))
    true = shapely.distance(whole.exterior, shapely.points(at))
    true *= np.where(shapely.contains_xy(whole, at), -1.0, 1.0)
    assert true.max() == pytest.approx(1.2, abs=1e-3)  # the scene is the one described
    assert true.min() == pytest.approx(-0.9, abs=1e-3)
    off = np.abs(side.signed_mm - true)
    assert np.percentile(off, 95) < 0.15
    assert np.mean(off <= side.expanded_mm) > 0.95


def test_an_edge_on_rust_beside_a_wall_too_narrow_to_see_is_measured():
    """35 mm of it went for unclear, though anybody can see it, and the width was ± 0.9 mm."""
    pattern, true = traced(NEW)
    assert "edge-unclear" not in {n.code for n in pattern.notices}
    sizes = {d.name: d for d in dimensions(pattern).dimensions if d.kind == "overall"}
    assert sizes["OW"].expanded < 0.3
    assert sizes["OW"].value == pytest.approx(168.0, abs=sizes["OW"].expanded)
    ring = shapely.LinearRing(true.outline.points_mm(0.001))
    off = shapely.distance(ring, shapely.points(pattern.outline.points_mm(0.05)))
    assert np.percentile(off, 95) < 0.05


def test_says_what_the_second_maker_did(found):
    more = [s for s in found.stretches if s.kind == "more"]
    less = [s for s in found.stretches if s.kind == "less"]
    assert more[0].largest_mm == pytest.approx(1.2, abs=0.1)
    assert sum(s.length_mm for s in more) == pytest.approx(168.0, abs=12.0)
    assert less[0].largest_mm == pytest.approx(0.9, abs=0.1)
    changed = [c for c in found.changes.both if not c.same]
    assert sorted(c.off_mm for c in changed) == pytest.approx([0.0, 0.6], abs=0.1)
    assert sorted(c.size_mm for c in changed) == pytest.approx([0.0, 0.5], abs=0.1)
    assert len(found.changes.both) == 4


@pytest.fixture(scope="module")
def eaten():
    """The bracket with a third of its edge nibbled off, as seen, laid down anyhow; and sound."""
    path = truths.SAMPLES / "eaten-edge.json"
    facts = truths.load(path)
    (piece,) = truths.pieces(facts)
    lost = sum(s["length_mm"] for s in facts["pieces"][0]["eaten_stretches"])
    assert lost > 0.3 * piece.outline.length_mm
    options = replace(job_options(facts), restore_eaten=False, polyline=True)
    (seen,) = pattern_from_photo(path.parent / facts["photo"], options).patterns
    return LAID_ANYHOW.pattern_back(seen), Pattern("sound", piece.outline, piece.openings)


def off_truth(eaten, fit):
    """Rotation in degrees, and what the middle of the piece is off by, of the pose found.

    The truth is in the photo's own millimetres, so the right pose is the one that undoes how
    the pattern was laid down.
    """
    seen, sound = eaten
    pose = compare(sound, seen, fit=fit).registration.pose
    turn = math.atan2(*(pose.matrix @ LAID_ANYHOW.matrix.T)[[1, 0], 0])
    corners = sound.outline.points_mm(0.1)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    back = pose.of(LAID_ANYHOW.back(middle[None]))[0]
    return abs(math.degrees(turn)), float(np.linalg.norm(back - middle))


def test_an_eaten_piece_is_laid_by_what_rust_has_left(eaten):
    turn_deg, off_mm = off_truth(eaten, "sound")
    assert turn_deg < 0.05
    assert off_mm < 0.1
    # All of the edge leads astray: the nibbled stretches have a say in it.
    astray_deg, astray_mm = off_truth(eaten, "all")
    assert astray_deg > 2 * turn_deg
    assert astray_mm > 2 * off_mm


def test_nobody_is_told_to_trim_to_what_rust_has_left():
    """One nibbled stretch has too little sound edge beside it, and is drawn as it is now."""
    found = compare(traced(truths.SAMPLES / "eaten-edge.json")[0], traced(OLD)[0])
    assert "edge-left-eaten" in {n.code for n in found.notices}
    (stretch,) = (s for s in found.stretches if s.length_mm > 10.0)
    assert stretch.ragged
    assert "do not trim to it" in stretch.sentence
    again = compare(traced(OLD)[0], traced(NEW)[0])
    assert not any(s.ragged for s in again.stretches)
