"""Lines and circles through noisy points by orthogonal distance, with their covariance.

An algebraic fit (Pratt) gives the start and a Gauss-Newton iteration on the
true distances the answer.  The circle is carried as A(x^2 + y^2) + Bx + Cy + D = 0 with
B^2 + C^2 - 4AD = 1 (Pratt 1987; Chernov and Lesort 2005), which stays well behaved when
an arc is so short or so flat that its centre runs away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from digitize.errors import DigitizeError, Exit
from digitize.pattern.segments import Point

FloatArray = NDArray[np.float64]

Number = TypeVar("Number", float, FloatArray)

_STEPS = 60
_CONVERGED = 1e-12
_PRATT = np.array([[0.0, 0, 0, -2], [0, 1, 0, 0], [0, 0, 1, 0], [-2, 0, 0, 0]])
"""Pratt's constraint on the coefficients (A, B, C, D) of a circle, as a quadratic form."""


class CurveError(DigitizeError):
    """The points do not determine the curve that was asked for."""

    exit_code = Exit.TRACE


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line through ``through_mm`` (the weighted centroid).

    ``covariance`` (2, 2) belongs to (offset across the line at ``through_mm`` in mm,
    direction in rad).  ``scatter_mm`` is the weighted RMS distance per degree of freedom.
    """

    through_mm: Point
    direction_rad: float
    covariance: FloatArray
    scatter_mm: float
    sum_of_squares: float

    def distances_mm(self, points_mm: FloatArray) -> FloatArray:
        """Signed distances (N,), positive to the left of the direction."""
        c, s = math.cos(self.direction_rad), math.sin(self.direction_rad)
        d = points_mm - np.asarray(self.through_mm)
        return np.asarray(d[:, 1] * c - d[:, 0] * s, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class CircleFit:
    """A circle; ``covariance`` (3, 3) belongs to (centre x, centre y, radius) in mm."""

    centre_mm: Point
    radius_mm: float
    covariance: FloatArray
    scatter_mm: float
    sum_of_squares: float

    @property
    def u_radius_mm(self) -> float:
        """Standard uncertainty of the radius (first order; a flat arc is skewed beyond it)."""
        return math.sqrt(self.covariance[2, 2])

    def distances_mm(self, points_mm: FloatArray) -> FloatArray:
        """Signed distances (N,), positive outside."""
        d = np.hypot(points_mm[:, 0] - self.centre_mm[0], points_mm[:, 1] - self.centre_mm[1])
        return np.asarray(d - self.radius_mm, dtype=np.float64)


def blur_inset_mm(radius_mm: float, blur_mm: float) -> float:
    """How far a blurred round edge is seen too near its centre of curvature.

    s^2 / (2 R) to first order for a Gaussian blur of one sigma ``blur_mm``: diffusing the
    step profile for s^2 / 2 moves its level lines by curvature (the level-set form of the
    heat equation).  It acts toward the centre whichever side the metal is on, so holes and
    bosses both look small and the true radius is the seen one plus this.  The series fails
    below R of about 2 s, where the value is held.
    """
    return blur_mm**2 / (2.0 * max(radius_mm, 2.0 * blur_mm, 1e-12))


def fit_line(points_mm: FloatArray, u_mm: FloatArray | None = None) -> LineFit:
    """The line of least orthogonal distance (Pearson 1901) through points (N, 2), N >= 2.

    ``u_mm`` (N,) are standard uncertainties across the line; they weigh the points and set
    the covariance.  Without them all points count alike and the scatter sets it.  Raises
    ``CurveError`` for fewer than two different points.
    """
    w = _weights(points_mm, u_mm, 2)
    centroid = np.average(points_mm, axis=0, weights=w)
    d = points_mm - centroid
    xx, yy, xy = (w * d[:, 0] ** 2).sum(), (w * d[:, 1] ** 2).sum(), (w * d[:, 0] * d[:, 1]).sum()
    if not xx + yy > 0.0:
        raise CurveError("a line needs two different points", do="measure more of the edge")
    direction = 0.5 * math.atan2(2.0 * xy, xx - yy)
    c, s = math.cos(direction), math.sin(direction)
    r, t = d[:, 1] * c - d[:, 0] * s, d[:, 0] * c + d[:, 1] * s
    chi2, spread = float((w * r * r).sum()), float((w * t * t).sum())
    scale, scatter = _scale(chi2, w, len(r) - 2, u_mm)
    covariance = np.diag([scale / w.sum(), scale / spread])
    through = (float(centroid[0]), float(centroid[1]))
    return LineFit(through, direction, covariance, scatter, float((r * r).sum()))


def fit_circle(points_mm: FloatArray, u_mm: FloatArray | None = None) -> CircleFit:
    """The circle of least orthogonal distance through points (N, 2), N >= 3.

    ``u_mm`` as for ``fit_line``.  Raises ``CurveError`` when the points are too few or
    so straight that no finite circle is best.
    """
    w = _weights(points_mm, u_mm, 3)
    origin = np.average(points_mm, axis=0, weights=w)
    size = math.sqrt(float(np.average(((points_mm - origin) ** 2).sum(axis=1), weights=w)))
    straight = CurveError(
        "the points lie on a straight line and give no circle", do="fit a line instead"
    )
    if not size > 0.0:
        raise straight
    p = (points_mm - origin) / size
    wn = w / w.sum()
    # The direction form needs an origin on or near the circle, never its centre.
    anchor = p[0]
    a, theta, d = _pratt_form(p, wn, anchor)
    origin = origin + size * anchor
    x, y = p[:, 0] - anchor[0], p[:, 1] - anchor[1]
    damping = 1e-6
    r, jacobian = _distances((a, theta, d), x, y)
    best = float((wn * r * r).sum())
    for _ in range(_STEPS):
        normal = (jacobian * wn[:, None]).T @ jacobian
        gradient = (jacobian * wn[:, None]).T @ r
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
        trial = (a + step[0], theta + step[1], d + step[2])
        if 1.0 + 4.0 * trial[0] * trial[2] > 0.0:
            r_new, jacobian_new = _distances(trial, x, y)
            value = float((wn * r_new * r_new).sum())
            if value <= best * (1.0 + 1e-15):
                (a, theta, d), r, jacobian, best = trial, r_new, jacobian_new, value
                damping = max(damping / 10.0, 1e-15)
                if np.abs(step).max() < _CONVERGED:
                    break
                continue
        damping *= 10.0
        if damping > 1e12:
            break
    if abs(a) < 1e-9:
        raise straight
    root = math.sqrt(1.0 + 4.0 * a * d)
    b, c = root * math.cos(theta), root * math.sin(theta)
    centre = origin + size * np.array([-b, -c]) / (2.0 * a)
    radius = size / (2.0 * abs(a))
    dist = np.hypot(points_mm[:, 0] - centre[0], points_mm[:, 1] - centre[1])
    rest = dist - radius
    chi2 = float((w * rest * rest).sum())
    scale, scatter = _scale(chi2, w, len(rest) - 3, u_mm)
    # d(distance)/d(cx, cy, R) at the solution
    j = np.column_stack(
        (
            (centre[0] - points_mm[:, 0]) / dist,
            (centre[1] - points_mm[:, 1]) / dist,
            -np.ones_like(dist),
        )
    )
    covariance = scale * np.linalg.pinv((j * w[:, None]).T @ j, rcond=1e-15, hermitian=True)
    total = float((rest * rest).sum())
    return CircleFit(
        (float(centre[0]), float(centre[1])), float(radius), covariance, scatter, total
    )


def taubin_mean_square(moments: FloatArray) -> FloatArray:
    """Mean squared distance to Taubin's circle from centred moments, any number at once.

    ``moments`` (6, ...) are the means of xx, yy, xy, xz, yz and zz with z = x^2 + y^2, all
    about the centroid.  Taubin's objective, mean P^2 / mean |grad P|^2, is the smallest root
    of a cubic, and that root is the mean squared distance to first order.
    """
    a0, a1, a2, a3 = taubin_cubic(list(moments))
    x = np.zeros_like(a0)
    for _ in range(12):
        slope = a1 + x * (2.0 * a2 + 3.0 * a3 * x)
        value = a0 + x * (a1 + x * (a2 + a3 * x))
        x = x - np.divide(value, slope, out=np.zeros_like(x), where=np.abs(slope) > 1e-300)
    return np.asarray(np.maximum(x, 0.0), dtype=np.float64)


def taubin_cubic(moments: Sequence[Number]) -> tuple[Number, Number, Number, Number]:
    """Coefficients of the cubic, constant first (Chernov, Circular and Linear Regression, 2010).

    From the means of xx, yy, xy, xz, yz and zz about the centroid, numbers or arrays.
    """
    mxx, myy, mxy, mxz, myz, mzz = moments
    mz = mxx + myy
    cov = mxx * myy - mxy * mxy
    var = mzz - mz * mz
    a2 = -3.0 * mz * mz - mzz
    a1 = var * mz + 4.0 * cov * mz - mxz * mxz - myz * myz
    a0 = mxz * (mxz * myy - myz * mxy) + myz * (myz * mxx - mxz * mxy) - var * cov
    return a0, a1, a2, 4.0 * mz


def _weights(points_mm: FloatArray, u_mm: FloatArray | None, least: int) -> FloatArray:
    if len(points_mm) < least or not np.isfinite(points_mm).all():
        raise CurveError(
            f"a fit needs at least {least} finite points", do="measure more of the edge"
        )
    if u_mm is None:
        return np.ones(len(points_mm))
    if not (np.isfinite(u_mm).all() and (u_mm > 0.0).all()):
        raise CurveError("the points need positive finite uncertainties", do="leave them out")
    return np.asarray(1.0 / u_mm**2, dtype=np.float64)


def _scale(chi2: float, w: FloatArray, dof: int, u_mm: FloatArray | None) -> tuple[float, float]:
    """Factor from inverse weight to variance, and scatter in mm."""
    per_dof = chi2 / dof if dof > 0 else 0.0
    scatter = math.sqrt(per_dof * len(w) / float(w.sum()))
    return (per_dof if u_mm is None else 1.0), scatter


def _distances(
    form: tuple[float, float, float], x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Signed distances and their derivatives by (A, direction of gradient, D)."""
    a, theta, d = form
    z = x * x + y * y
    e = math.sqrt(1.0 + 4.0 * a * d)
    u = x * math.cos(theta) + y * math.sin(theta)
    v = -x * math.sin(theta) + y * math.cos(theta)
    p = a * z + e * u + d
    root = np.sqrt(np.maximum(1.0 + 4.0 * a * p, 0.0))
    r = 2.0 * p / (1.0 + root)
    root = np.maximum(root, 1e-9)
    # P = r + A r^2 holds exactly, hence dr = (dP - r^2 dA) / (1 + 2 A r)
    j = np.column_stack((z + 2.0 * d / e * u - r * r, e * v, 2.0 * a / e * u + 1.0)) / root[:, None]
    return r, j


def _algebraic_form(p: FloatArray, w: FloatArray) -> FloatArray:
    """Pratt's (1987) circle: (A, B, C, D), B^2 + C^2 - 4 A D = 1, from centred, scaled points."""
    z = (p * p).sum(axis=1)
    design = np.column_stack((z, p, np.ones(len(p)))) * np.sqrt(w)[:, None]
    _, s, vt = np.linalg.svd(design, full_matrices=False)
    if s[-1] < 1e-12 * s[0]:
        q = vt[-1]
    else:
        # min |design q|^2 under q^T N q = 1: with y = S V^T q the reciprocal eigenproblem
        m = (vt.T / s).T
        inverse = m @ _PRATT @ m.T
        _, vectors = np.linalg.eigh(inverse)
        q = m.T @ vectors[:, -1]
    norm = q[1] ** 2 + q[2] ** 2 - 4.0 * q[0] * q[3]
    if not norm > 0.0:
        raise CurveError("the points give no circle", do="measure more of the edge")
    return np.asarray(q / math.sqrt(norm), dtype=np.float64)


def _pratt_form(p: FloatArray, w: FloatArray, anchor: FloatArray) -> tuple[float, float, float]:
    """(A, direction of the gradient, D) of Pratt's circle with the origin moved to ``anchor``."""
    a, b, c, d = _algebraic_form(p, w)
    x, y = anchor
    value = a * (x * x + y * y) + b * x + c * y + d
    return float(a), math.atan2(c + 2.0 * a * y, b + 2.0 * a * x), float(value)
