"""A bracket and its second make, photographed by two stands: the whole way to the deviation.

Both photographs are path-traced (samples/README.md); the truth is the two outlines as they
were built, laid over each other as they were drawn about one corner.
"""

import math
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

OLD = truths.SAMPLES / "rusty-bracket.json"
NEW = truths.SAMPLES / "second-make" / "second-make.json"
# Where the scenes lay the bracket's own corner (samples/render/scenes.py, second_make.py).
OLD_LAID = Pose(math.radians(-84.0), (70.0, 268.0))
NEW_LAID = Pose(math.radians(96.0), (190.0, 118.0))


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
