import math

import folded_pieces as pieces
import numpy as np
import pytest
import shapely

from digitize.bending.spring_back import density_kg_m3
from digitize.nesting.need import grain_for, need, smallest_rectangle
from digitize.pattern.model import Pattern
from digitize.pattern.placement import placed


def test_a_turned_rectangle_is_its_own_stock():
    blank = placed(
        Pattern("plate", pieces.outline([(0, 0), (120, 0), (120, 50), (0, 50)])), math.radians(33.0)
    )
    found = smallest_rectangle(blank)
    assert (found.length_mm, found.width_mm) == pytest.approx((120.0, 50.0))
    assert found.direction_deg == pytest.approx(33.0)
    assert shapely.Polygon(found.corners_mm).area == pytest.approx(6000.0)


def test_the_rectangle_is_the_smallest_there_is():
    """Held against shapely's own, and against a sweep of a thousand directions."""
    random = np.random.default_rng(2)
    for _ in range(20):
        angles = np.sort(random.uniform(0, 2 * np.pi, 9))
        points = np.column_stack([np.cos(angles), np.sin(angles)]) * random.uniform(20, 80, (9, 1))
        blank = Pattern("odd", pieces.outline(points))
        found = smallest_rectangle(blank)
        theirs = shapely.oriented_envelope(shapely.MultiPoint(points))
        assert found.area_mm2 == pytest.approx(theirs.area, rel=1e-6)
        swept = min(smallest_rectangle(blank, float(d)).area_mm2 for d in np.linspace(0, 180, 1000))
        assert found.area_mm2 <= swept * (1 + 1e-9)


def test_weight_is_volume_times_density():
    """A plate of 1 m2 and 1 mm in steel of 7850 kg/m3 weighs 7.85 kg."""
    blank = Pattern(
        "plate", pieces.outline([(0, 0), (1000, 0), (1000, 1000), (0, 1000)]), thickness_mm=1.0
    )
    assert need(blank, density_kg_m3("mild-steel")[0]).weight_kg == pytest.approx(7.85)
    assert need(blank).weight_kg is None


def test_the_grain_turns_the_rectangle_and_names_bends_along_it():
    blank = pieces.developed(pieces.channel()).pattern
    across = need(blank, grain_deg=0.0)
    assert not across.notices
    along = need(blank, grain_deg=90.0)
    assert "B1, B2 along the grain" in along.notices[0].text
    slanted = need(blank, grain_deg=45.0, margin_mm=5.0)
    assert slanted.rectangle.area_mm2 > 1.5 * across.rectangle.area_mm2
    assert slanted.rectangle.direction_deg in (pytest.approx(45.0), pytest.approx(135.0))


def test_the_best_grain_lies_across_all_bends_or_between_them():
    assert grain_for(pieces.developed(pieces.channel()).pattern) == pytest.approx(0.0, abs=1.0)
    assert grain_for(pieces.developed(pieces.tray()).pattern) in (45.0, 135.0)
    assert grain_for(Pattern("flat", pieces.outline([(0, 0), (9, 0), (9, 9)]))) is None
