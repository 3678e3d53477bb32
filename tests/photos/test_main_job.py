"""The whole job on path-traced photographs, against the truth they were built from.

The renderer and the truth owe nothing to this package (samples/README.md).  Bounds are the
project's own targets; benchmarks/accuracy.py prints the figures themselves.
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import sample_truth as truths

from digitize.cli.samples_command import job_options
from digitize.errors import DigitizeError
from digitize.job import pattern_from_photo
from digitize.pattern.contour import Circle

IN_A_RING = ("silhouette", "ring")


def facts_of(wanted):
    """Names of the samples of which something is true."""
    found = []
    for path in truths.samples():
        facts = truths.load(path)
        if wanted(facts):
            found.append(facts["name"])
    assert found, "the samples are part of the checkout"
    return found


@cache
def traced(name, **changes):
    facts = truths.load(truths.SAMPLES / f"{name}.json")
    options = replace(job_options(facts), **changes)
    return facts, pattern_from_photo(truths.SAMPLES / facts["photo"], options)


def is_sound(facts):
    """Samples whose edge is all there and whose frame is the ring's."""
    eaten = any(piece.get("eaten_stretches") for piece in facts["pieces"])
    bowed = any(target["bow_mm"] for target in facts["targets"])
    return not eaten and not bowed and facts["targets"][0]["form"] != "checkerboard"


SILHOUETTES = facts_of(lambda f: f["mode"] == "silhouette" and is_sound(f))
DRAWINGS = facts_of(lambda f: f["mode"] == "ink" and is_sound(f))


@pytest.mark.parametrize("name", SILHOUETTES)
def test_silhouettes_lie_on_the_true_outline(name):
    facts, result = traced(name)
    hard = "shadow" in name
    pieces = truths.pieces(facts)
    assert len(result.patterns) == len(pieces)
    for pattern, piece in truths.match(result.patterns, pieces):
        off = truths.deviations_mm(pattern.outline, piece.outline)
        assert np.percentile(off, 95) < (0.20 if hard else 0.10)
        # A comparison that sees nothing would find nothing: noise alone leaves some microns.
        assert np.percentile(off, 95) > 0.002
        assert len(pattern.openings) == len(piece.openings)
        for hole in (o for o in pattern.openings if isinstance(o, Circle)):
            true = min(
                (o for o in piece.openings if isinstance(o, Circle)),
                key=lambda o, hole=hole: math.dist(o.centre_mm, hole.centre_mm),
            )
            assert math.dist(hole.centre_mm, true.centre_mm) < 0.15
            assert abs(2 * (hole.radius_mm - true.radius_mm)) < 0.10


@pytest.mark.parametrize("name", DRAWINGS)
def test_drawings_lie_on_the_true_centre_lines(name):
    facts, result = traced(name, line_side="centre")
    for pattern, piece in truths.match(result.patterns, truths.pieces(facts)):
        off = truths.deviations_mm(pattern.outline, piece.outline)
        assert 0.002 < np.percentile(off, 95) < 0.12
        assert len(pattern.bends) == len(piece.bends)
        for start, end in piece.bends:
            middle = np.add(start, end) / 2
            way = math.atan2(end[1] - start[1], end[0] - start[0])
            normal = np.array([-math.sin(way), math.cos(way)])
            errors = []
            for bend in pattern.bends:
                found = math.atan2(*np.subtract(bend.end_mm, bend.start_mm)[::-1])
                offset = abs(normal @ (np.add(bend.start_mm, bend.end_mm) / 2 - middle))
                errors.append((offset, abs(math.degrees(math.remainder(found - way, math.pi)))))
            offset, angle = min(errors)
            assert offset < 0.2
            assert angle < 0.15
        assert len(pattern.marks) == len(piece.marks)
        for mark, true in zip(pattern.marks, piece.marks, strict=True):
            assert math.dist(mark.at_mm, true) < 0.2


@pytest.mark.parametrize("name", SILHOUETTES + DRAWINGS)
def test_stated_uncertainty_covers_the_overall_size(name):
    facts, result = traced(name, line_side="centre")
    for pattern, piece in truths.match(result.patterns, truths.pieces(facts)):
        size = np.ptp(pattern.outline.points_mm(0.001), axis=0)
        true = np.ptp(piece.outline.points_mm(0.001), axis=0)
        for found, real in zip(size, true, strict=True):
            assert abs(found - real) < pattern.precision.expanded_mm(found)


def test_the_mode_is_chosen_rightly_by_itself():
    for name in facts_of(lambda f: True):
        facts, result = traced(name)
        assert result.traced.mode == facts["mode"], name


def test_thickness_matters():
    """Without the height of its edge a 2 mm plate comes out larger by about H / (H - h)."""
    facts, result = traced("rusty-bracket")
    _, flat = traced("rusty-bracket", thicknesses_mm=(0.01,))
    true = truths.pieces(facts)[0].outline.signed_area_mm2
    assert abs(result.patterns[0].outline.signed_area_mm2 / true - 1) < 0.001
    assert flat.patterns[0].outline.signed_area_mm2 / true > 1.004


def test_an_unmeasured_print_widens_the_uncertainty():
    facts = truths.load(truths.SAMPLES / "rusty-bracket.json")
    sure = traced("rusty-bracket")[1].patterns[0].precision
    scale = replace(job_options(facts).print_scale, u_x=0.006, u_y=0.006, measured=False)
    unsure = traced("rusty-bracket", print_scale=scale)[1].patterns[0].precision
    assert unsure.expanded_mm(180.0) > 3 * sure.expanded_mm(180.0)


def test_a_silhouette_needs_its_thickness():
    with pytest.raises(DigitizeError, match="thickness"):
        traced("rusty-bracket", thicknesses_mm=())


def test_several_thicknesses_need_as_many_pieces():
    with pytest.raises(DigitizeError, match="2 thicknesses were given for 1 piece:"):
        traced("rusty-bracket", thicknesses_mm=(2.0, 1.0))
