"""Both edges of a bar whose blur and place are known exactly, against the noise bound."""

import numpy as np
import pytest
from scipy.special import ndtr

from digitize.tracing.ink.closed_line import _carried_over, measure_closed
from digitize.tracing.ink.drawn_surface import DrawnSurface
from digitize.tracing.ink.stroke_edges import measure

PAPER, INK = 0.62, 0.05


def bar(width_px, blur_px, noise, light=None, tilt=0.013):
    """A nearly upright bar; its middle at row y is at 40.3 + tilt * y."""
    y, x = np.mgrid[0:400, 0:80].astype(float)
    middle = 40.3 + tilt * y
    share = ndtr((x - middle + width_px / 2) / blur_px) - ndtr(
        (x - middle - width_px / 2) / blur_px
    )
    image = PAPER - (PAPER - INK) * share
    if light is not None:
        image *= light(x, y)
    image += np.random.default_rng(0).normal(0, noise, image.shape)
    return image.astype(np.float32)


def along(tilt=0.013, off=0.0):
    y = np.arange(20.0, 380.0, 2.0)
    points = np.column_stack((40.3 + tilt * y + off, y))
    normals = np.tile(np.array([1.0, -tilt]) / np.hypot(1.0, tilt), (len(y), 1))
    return points, normals


@pytest.mark.parametrize("width_px", [3.0, 5.0, 9.0, 22.0])
@pytest.mark.parametrize("darker", [True, False])
def test_edges_of_a_bar_to_a_few_hundredths_of_a_pixel(width_px, darker):
    image = bar(width_px, 0.9, 0.01)
    points, normals = along(off=1.3)
    seen = measure(
        image if darker else 1.0 - image,
        points,
        normals,
        np.full(len(points), 1.2 * width_px),
        darker=darker,
    )
    assert seen.both_ok.mean() > 0.98
    near, far = seen.near_px + 1.3 + width_px / 2, seen.far_px + 1.3 - width_px / 2
    middle = (near + far) / 2
    assert abs(middle.mean()) < 0.01
    assert middle.std() < 0.06
    assert abs(seen.width_px.mean() - width_px) < (0.15 if width_px < 4 else 0.05)
    # Accuracy notes, section 2: one row gives 1.88 sqrt(blur) noise / contrast.
    bound = 1.88 * np.sqrt(0.9) * 0.01 / (PAPER - INK)
    scatter = (far if width_px > 4 else middle).std()
    assert 0.4 * bound < scatter < 3.0 * bound
    assert 0.5 < np.median(seen.u_far_px) / np.hypot(bound, 0.02) < 2.5


def test_half_in_shade_both_halves_are_measured():
    def shade(_, y):
        return np.where(y < 200, 1.0, 0.25)

    image = bar(8.0, 0.9, 0.002, light=shade)
    points, normals = along()
    clear = np.abs(points[:, 1] - 200) > 4
    seen = measure(image, points, normals, np.full(len(points), 8.0), darker=True)
    assert seen.both_ok[clear].all()
    assert np.abs(seen.width_px[clear] - 8.0).max() < 0.2


def test_missing_ink_is_not_ok():
    image = bar(6.0, 0.9, 0.005)
    image[180:220] = PAPER
    points, normals = along()
    seen = measure(image, points, normals, np.full(len(points), 6.0), darker=True)
    inside = np.abs(points[:, 1] - 200) < 14
    assert not seen.both_ok[inside].any()
    assert seen.both_ok[np.abs(points[:, 1] - 200) > 26].all()


def test_no_stroke_at_all_is_none(photograph):
    shot = photograph()
    surface = DrawnSurface(shot.photo.linear_grey, True, shot.camera, 0.0)
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    circle = np.column_stack((85 + 20 * np.cos(angle), 130 + 20 * np.sin(angle)))
    assert measure_closed(surface, circle, 1.0) is None


def test_a_point_or_two_unseen_lie_between_their_neighbours():
    """A speck of rust put one point 3 px off, and the edge half a pen inside it became a spike."""
    turn = np.linspace(0.0, 2 * np.pi, 200, endpoint=False)
    line = 300.0 * np.column_stack((np.cos(turn), np.sin(turn)))
    points, unseen = line.copy(), np.array([50, 120, 121])
    points[unseen] *= 0.99
    measured = np.ones(200, dtype=bool)
    measured[unseen] = False
    carried, u = _carried_over(points, np.full(200, 0.05), measured, 8.0)
    assert np.abs(carried - line).max() < 0.3  # of the chord over two unseen ones
    assert (u[unseen] > 0.1).all()
    assert (carried[measured] == line[measured]).all()
