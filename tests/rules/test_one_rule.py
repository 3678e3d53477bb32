"""Rendered photographs of rules: read right, within the aim, and always inside the ±."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import SCENES, THICK, length_errors_mm

from digitize.reference.by_rule import camera_by_rules
from digitize.reference.rules import TAPE
from digitize.reference.shape import length_u_mm, shape_doubt
from digitize.reference.sight_rules import (
    GraduationUnclear,
    RuleNotFound,
    RuleOptions,
    sight_rules,
)


def worst(shot, found):
    camera = found.solution.camera
    rows = length_errors_mm(shot, camera)
    error = max(abs(e) for e, _, _ in rows)
    share = max(abs(e) / (2 * length_u_mm(camera, px, THICK)) for e, _, px in rows)
    return error, share


@pytest.mark.parametrize(
    ("name", "reads", "within_mm"),
    [
        ("square-on", {"1 mm", "1/16 inch"}, 0.5),
        ("rusty-tilted", {"1 mm", "1/16 inch"}, 1.5),
        ("sixty-fourths", {"1/64 inch"}, 0.5),
        ("half-millimetres", {"0.5 mm", "1 mm"}, 0.6),
        ("bright-marks", {"1 mm"}, 0.5),
        ("awkward", {"1 mm"}, 0.8),
    ],
)
def test_a_300_mm_piece_by_one_rule(photo_of, name, reads, within_mm):
    photo = photo_of(name)
    rules = sight_rules(photo)
    assert rules[0].name in reads
    assert len(rules) == 1  # both edges of one rule are not two rules
    found = camera_by_rules(photo, rules)
    error, share = worst(SCENES[name], found)
    assert error < within_mm
    assert share < 1
    assert found.solution.camera.tilt_deg == pytest.approx(SCENES[name].tilt_deg, abs=2)
    assert found.notices[0].code == "rule-read"


def test_without_a_header_square_on_is_as_good(photo_of):
    photo = photo_of("square-on", header=False)
    error, share = worst(SCENES["square-on"], camera_by_rules(photo, sight_rules(photo)))
    assert error < 0.5
    assert share < 1


def test_two_rules_see_the_whole_perspective(photo_of):
    photo = photo_of("two-rules")
    rules = sight_rules(photo)
    assert [r.name for r in rules] == ["1 mm", "1 mm"]
    both = camera_by_rules(photo, rules)
    one = camera_by_rules(photo, rules[:1])
    error, share = worst(SCENES["two-rules"], both)
    assert error < 0.6
    assert share < 1
    assert not both.square_on_assumed
    piece = length_errors_mm(SCENES["two-rules"], both.solution.camera)[0][2]
    wide = shape_doubt(one.solution.camera, piece, THICK).length_u_mm(300)
    assert shape_doubt(both.solution.camera, piece, THICK).length_u_mm(300) < 0.5 * wide


def test_a_curved_tape_is_not_asked_how_the_camera_leaned(photo_of):
    photo = photo_of("tape")
    rules = sight_rules(photo, RuleOptions(body=TAPE))
    found = camera_by_rules(photo, rules)
    assert found.square_on_assumed
    assert "square-on-assumed" in [n.code for n in found.notices]
    assert worst(SCENES["tape"], found)[1] < 1
    careful = camera_by_rules(photo, rules, level_deg=1.0)
    px = length_errors_mm(SCENES["tape"], found.solution.camera)[0][2]
    wide, narrow = (length_u_mm(f.solution.camera, px, THICK) for f in (found, careful))
    assert narrow < 0.5 * wide


def test_a_bench_without_a_rule(photo_of):
    with pytest.raises(RuleNotFound, match="no rule is seen in the photo"):
        sight_rules(photo_of("no-rule"))


def test_the_user_says_where_and_what(photo_of):
    photo = photo_of("square-on")
    shot = SCENES["square-on"]
    a, b = shot.px(np.array([[10.0, 0.0, 0.7], [295.0, 0.0, 0.7]]))
    millimetres = sight_rules(photo, RuleOptions(between_px=(tuple(a), tuple(b))))
    assert [r.name for r in millimetres] == ["1 mm"]
    inches = sight_rules(photo, RuleOptions(units="inch"))
    assert [r.name for r in inches] == ["1/16 inch"]
    x, y = shot.px(np.array([[150.0, 100.0, 0.0]]))[0]
    with pytest.raises(RuleNotFound, match="where it was said to be"):
        sight_rules(photo, RuleOptions(box_px=(x - 100, y - 60, x + 100, y + 60)))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (RuleOptions(box_px=(5000, 5000, 6000, 6000)), "outside the photo"),
        (RuleOptions(between_px=((10, 10), (20, 10))), "too close together"),
    ],
)
def test_places_that_make_no_sense(photo_of, options, says):
    with pytest.raises(RuleNotFound, match=says):
        sight_rules(photo_of("square-on"), options)


def test_two_inches_of_a_rule_are_not_taken_for_anything(photo_of):
    photo = photo_of("short-inches")
    with pytest.raises(GraduationUnclear, match=r"1/16 inch or 1/8 inch .*: say how far apart"):
        sight_rules(photo)
    with pytest.raises(GraduationUnclear, match="say how far apart"):
        sight_rules(photo, RuleOptions(units="mm"))
    told = sight_rules(photo, RuleOptions(division_mm=25.4 / 16))
    assert told[0].length_mm < 65
    found = camera_by_rules(photo, told)
    _, share = worst(SCENES["short-inches"], found)
    assert share < 1
    px = length_errors_mm(SCENES["short-inches"], found.solution.camera)[0][2]
    assert length_u_mm(found.solution.camera, px, THICK) > 1.0  # 50 mm cannot carry 300
