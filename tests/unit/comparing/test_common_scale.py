"""What two photos have of one print's scale is not counted in their difference."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from digitize.comparing.comparison import Comparison, compare
from digitize.comparing.pose import Pose
from digitize.pattern import document
from digitize.pattern.budget import POWERS, Budget, Field, Part
from digitize.pattern.common_scale import shared_scale_u
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import Pattern, Precision, Provenance
from digitize.pattern.segments import Line, Point

READ_U, PAPER_U, CAMERA_U, EDGE_U_MM = 0.0009, 0.0005 / math.sqrt(2), 0.0001, 0.01
FACTORS = (0.9971, 1.0016)
Change = Callable[[Pattern], Pattern]


def linear(x: float, y: float) -> Field:
    """A field that grows along its axes by so much at one local unit."""
    across = tuple(x if power == (1, 0) else 0.0 for power in POWERS)
    return Field(across, tuple(y if power == (0, 1) else 0.0 for power in POWERS))


def panel(name: str, low_mm: float = 0.0, number: int = 7) -> Pattern:
    """A side panel, 400 x 300 mm, 100 mm of its lower edge out; measured by a printer profile."""
    size = 200.0
    common = math.hypot(READ_U, PAPER_U) * size
    parts = (
        Part("print scale", (linear(common, common), linear(0.06, -0.06))),
        Part("camera", (linear(CAMERA_U * size, CAMERA_U * size),)),
    )
    step: list[Point] = [(150.0, 0.0), (150.0, -low_mm), (250.0, -low_mm), (250.0, 0.0)]
    corners: list[Point] = [(0.0, 0.0), (400.0, 0.0), (400.0, 300.0), (0.0, 300.0)]
    if low_mm:
        corners[1:1] = step
    ends = [*corners[1:], corners[0]]
    return Pattern(
        name,
        Contour.of([Line(a, b) for a, b in zip(corners, ends, strict=True)]),
        (Circle((350.0, 40.0), 6.0),),
        precision=Precision(
            EDGE_U_MM,
            math.sqrt(READ_U**2 + PAPER_U**2 + CAMERA_U**2),
            Budget((200.0, 150.0), 0.0, size, parts),
        ),
        provenance=Provenance(
            "hand",
            photo_sha256=name,
            target=f"ring A4, sheet {number}",
            print_scale=FACTORS,
            print_measured=True,
        ),
    )


def held(new: Pattern) -> Comparison:
    """The old panel and this one, laid down anyhow and once through the document."""
    new = document.loads(document.dumps(Pose(2.2, (-71.0, 33.0)).pattern_back(new)))
    return compare(panel("old"), new)


def at_lower_edge(found: Comparison) -> float:
    """U in the middle of the lower edge, 150 mm from the middle of the piece."""
    side = found.deviation.old
    nearest = np.argmin(np.linalg.norm(side.places_mm - (200.0, 0.0), axis=1))
    return float(side.expanded_mm[nearest])


def test_one_profile_is_not_counted_twice() -> None:
    found = held(panel("new", number=8))
    each = (PAPER_U**2 + CAMERA_U**2) * 150.0**2 + EDGE_U_MM**2
    assert at_lower_edge(found) == pytest.approx(2 * math.sqrt(2 * each), rel=0.01)
    (hole,) = found.changes.both
    reach = math.dist((350.0, 40.0), (200.0, 150.0))
    each = (PAPER_U**2 + CAMERA_U**2) * reach**2 + EDGE_U_MM**2
    assert hole.off_expanded_mm == pytest.approx(2 * math.sqrt(2 * each), rel=0.01)


def test_a_difference_shows_that_two_prints_would_hide() -> None:
    """Some edge 0.3 mm out: below what two printers leave open, above what one does."""
    (stretch,) = held(panel("new", low_mm=0.3)).stretches
    assert stretch.kind == "more"
    assert stretch.largest_mm == pytest.approx(0.3, abs=0.02)
    other = replace(panel("new", low_mm=0.3).provenance, print_scale=(0.9990, 1.0004))
    assert not held(replace(panel("new", low_mm=0.3), provenance=other)).stretches


def told(**more: object) -> Change:
    return lambda p: replace(p, provenance=replace(p.provenance, **more))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        told(print_scale=(0.9971, 1.0017)),
        told(print_measured=False),
        told(print_scale=None),
        lambda p: replace(p, precision=replace(p.precision, budget=None)),
        lambda p: replace(p, precision=None),
    ],
    ids=["other profile", "not measured", "no print", "no causes", "no precision"],
)
def test_else_both_scales_count(change: Change) -> None:
    new = change(panel("new"))
    assert shared_scale_u(panel("old"), new) == shared_scale_u(new, panel("old")) == 0.0
    if new.precision is not None:
        each = (READ_U**2 + PAPER_U**2 + CAMERA_U**2) * 150.0**2 + EDGE_U_MM**2
        assert at_lower_edge(held(new)) == pytest.approx(2 * math.sqrt(2 * each), rel=0.01)


def test_true_prints_are_one_only_by_their_sheet() -> None:
    true = told(print_scale=(1.0, 1.0))
    old = true(panel("old"))
    assert shared_scale_u(old, true(panel("new"))) == pytest.approx(READ_U, rel=1e-3)
    assert shared_scale_u(old, true(panel("new", number=8))) == 0.0


def test_two_pieces_in_one_photo_share_the_paper_too() -> None:
    new = told(photo_sha256="old")(panel("new"))
    assert shared_scale_u(panel("old"), new) == pytest.approx(math.hypot(READ_U, PAPER_U), rel=1e-3)
    assert shared_scale_u(panel("old"), panel("new")) == pytest.approx(READ_U, rel=1e-3)


def test_one_photo_is_one_print_though_nobody_measured_it() -> None:
    unmeasured = told(photo_sha256="one", print_measured=False, print_scale=None)
    pair = unmeasured(panel("old")), unmeasured(panel("new"))
    assert shared_scale_u(*pair) == pytest.approx(math.hypot(READ_U, PAPER_U), rel=1e-3)
    other_sheet = told(target="ring A4, sheet 9")(pair[1])
    assert shared_scale_u(pair[0], other_sheet) == 0.0
