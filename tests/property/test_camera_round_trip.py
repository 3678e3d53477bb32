"""Camera mapping: there and back, for any sensible camera and any height."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from digitize.camera.camera import Camera
from digitize.camera.lens import distort, fold_radius, undistort

ROUNDING_PX = 1e-9


@st.composite
def cameras(draw: st.DrawFn) -> Camera:
    """Cameras 100 mm to 3 m over the sheet, tilted up to 60 degrees, of any usual lens."""
    tilt, azimuth, roll = (draw(st.floats(-a, a)) for a in (60, 180, 180))
    turn = Rotation.from_euler("zxz", [azimuth, tilt, roll], degrees=True).as_matrix()
    rotation = np.diag([1.0, -1.0, -1.0]) @ turn
    distance = draw(st.floats(100, 3000))
    target = np.array([draw(st.floats(-200, 200)), draw(st.floats(-200, 200)), 0.0])
    centre = target - distance * rotation[2]
    return Camera(
        size_px=(4000, 3000),
        rotation=rotation,
        translation_mm=-rotation @ centre,
        focal_px=draw(st.floats(1500, 20000)),
        principal_px=(2000 + draw(st.floats(-900, 900)), 1500 + draw(st.floats(-900, 900))),
        k1=draw(st.floats(-0.3, 0.3)),
        k2=draw(st.floats(-0.2, 0.2)),
        covariance=np.zeros((11, 11)),
    )


@given(cameras(), st.integers(0, 2**32 - 1), st.floats(-20, 50))
def test_a_pixel_mapped_to_any_height_and_back_is_itself(
    camera: Camera, seed: int, height_mm: float
) -> None:
    rng = np.random.default_rng(seed)
    pixels = rng.uniform(0, 1, (50, 2)) * [3999, 2999]
    on_sheet = camera.to_sheet(pixels, height_mm)
    seen = np.isfinite(on_sheet).all(axis=1)
    back = camera.to_px(np.column_stack([on_sheet[seen], np.full(seen.sum(), height_mm)]))
    # A ray that grazes the plane meets it far away, where rounding grows with distance.
    far = np.hypot(*(on_sheet[seen] - camera.centre_mm[:2]).T) / abs(camera.centre_mm[2])
    assert np.all(np.abs(back - pixels[seen]).max(axis=1) <= ROUNDING_PX * np.maximum(far, 1))


@given(cameras(), st.integers(0, 2**32 - 1))
def test_a_height_for_each_pixel_is_the_same_as_one_after_the_other(
    camera: Camera, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    pixels, heights = rng.uniform(1000, 2500, (5, 2)), rng.uniform(0, 30, 5)
    together = camera.to_sheet(pixels, heights)
    alone = [camera.to_sheet(p[None], float(h))[0] for p, h in zip(pixels, heights, strict=True)]
    np.testing.assert_allclose(together, alone, rtol=1e-12, equal_nan=True)


@given(st.floats(-5, 5), st.floats(-5, 5))
def test_no_lens_however_absurd_folds_the_picture(k1: float, k2: float) -> None:
    radii = np.linspace(0, 4, 4001)
    rays = np.column_stack([radii * 0.6, radii * 0.8])
    seen = distort(rays, k1, k2)
    inside = np.isfinite(seen).all(axis=1)
    assert inside[0]
    assert np.array_equal(inside, radii < fold_radius(k1, k2))
    shown = np.hypot(*seen[inside].T)
    assert np.all(np.diff(shown) > 0)
    back = undistort(seen[inside], k1, k2)
    # Near the fold the inverse is as steep as a square root: rounding counts by its slope.
    slope = 1 + 3 * k1 * radii**2 + 5 * k2 * radii**4
    error = np.hypot(*(back - rays[inside]).T) * slope[inside]
    assert np.all(error <= 1e-12 * np.maximum(shown, 1))


@given(st.floats(-5, 5), st.floats(-5, 5))
def test_light_that_no_ray_brings_has_no_origin(k1: float, k2: float) -> None:
    fold = fold_radius(k1, k2)
    if not np.isfinite(fold):
        return
    edge = fold * (1 + k1 * fold**2 + k2 * fold**4)
    rays = np.array([[edge * 1.001, 0.0], [0.0, edge * 5]])
    assert np.isnan(undistort(rays, k1, k2)).all()
