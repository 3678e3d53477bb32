"""Finding X-corners in one grey picture, to about a fifth of a pixel.

An X-corner is a saddle of the grey surface whose surroundings, walked round in a circle,
go dark, light, dark, light and look the same half a turn on.  Candidates are the
maxima of minus the Hessian's determinant; the circle test throws out most of what rust, gravel
and lettering produce and gives the directions of the two edges.  Grey values here are as
coded (about a square root of light), so that a shadow does not hide its corners; positions
for measuring come from ``refine``, in linear light.

Directions are angles counter-clockwise as seen, with y up (that is, of ``(dx, -dy)``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
GreyArray = NDArray[np.float32]

RING_SAMPLES = 32
RING_RADIUS_PX = 4.0
SMOOTHING_PX = 1.4
LEAST_STEP = 5.0  # grey steps of 255 between the light and the dark quadrants
LEAST_RESPONSE = 0.35  # of the determinant: a saddle of about LEAST_STEP, blur 1 px
MOST_CANDIDATES = 30_000
FARTHEST_SEEK_PX = 12
NARROWEST_QUADRANT_RAD = np.radians(20.0)


@dataclass(frozen=True, eq=False)
class Corners:
    """X-corner candidates of one picture."""

    xy_px: FloatArray  # (N, 2)
    rays_rad: FloatArray  # (N, 4) edge directions, ascending; ray 0 to ray 1 spans a dark quadrant
    step: FloatArray  # (N,) grey difference of light and dark quadrants

    def __len__(self) -> int:
        """Number of candidates."""
        return len(self.xy_px)


def smooth(grey: NDArray[np.uint8] | GreyArray) -> GreyArray:
    """The picture as the detector sees it: float32, lightly blurred."""
    return np.asarray(
        cv2.GaussianBlur(np.asarray(grey, np.float32), (0, 0), SMOOTHING_PX), np.float32
    )


def saddle_response(smoothed: GreyArray) -> GreyArray:
    """Minus the determinant of the Hessian; positive at saddles."""
    xx = cv2.Sobel(smoothed, cv2.CV_32F, 2, 0, ksize=3, scale=0.25)
    yy = cv2.Sobel(smoothed, cv2.CV_32F, 0, 2, ksize=3, scale=0.25)
    xy = cv2.Sobel(smoothed, cv2.CV_32F, 1, 1, ksize=3, scale=0.25)
    return np.asarray(xy * xy - xx * yy, np.float32)


def detect(smoothed: GreyArray) -> Corners:
    """All X-corner candidates of a smoothed picture."""
    response = saddle_response(smoothed)
    peaks = (response >= cv2.dilate(response, np.ones((3, 3), np.uint8))) & (
        response > LEAST_RESPONSE
    )
    border = int(RING_RADIUS_PX) + 2
    peaks[:border] = peaks[-border:] = False
    peaks[:, :border] = peaks[:, -border:] = False
    ys, xs = np.nonzero(peaks)
    if len(xs) > MOST_CANDIDATES:
        strongest = np.argpartition(-response[ys, xs], MOST_CANDIDATES)[:MOST_CANDIDATES]
        xs, ys = xs[strongest], ys[strongest]
    return examine(smoothed, np.column_stack([xs, ys]).astype(float))


def examine(smoothed: GreyArray, near_px: FloatArray) -> Corners:
    """Those of the places (N, 2) that are X-corners, moved onto their saddle points."""
    xy, settled = _settle(smoothed, near_px)
    xy = xy[settled]
    rays, step, fits = _walk_round(smoothed, xy)
    xy, rays, step = xy[fits], rays[fits], step[fits]
    keep = _unique(xy, step)
    return Corners(xy[keep], rays[keep], step[keep])


def seek(smoothed: GreyArray, near_px: FloatArray, radius_px: FloatArray) -> Corners:
    """X-corners within ``radius_px`` (M,) of places (M, 2), without searching the rest."""
    reach = int(np.clip(np.ceil(radius_px.max(initial=0.0)), 2, FARTHEST_SEEK_PX)) + 1
    height, width = smoothed.shape
    step = np.arange(-reach, reach + 1)
    middle = np.rint(near_px).astype(np.intp)
    ys = np.clip(middle[:, 1, None] + step, 0, height - 1)[:, :, None]
    xs = np.clip(middle[:, 0, None] + step, 0, width - 1)[:, None, :]
    patch = smoothed[ys, xs]
    inner, left, right = patch[:, 1:-1, 1:-1], patch[:, 1:-1, :-2], patch[:, 1:-1, 2:]
    above, below = patch[:, :-2, 1:-1], patch[:, 2:, 1:-1]
    xy = (patch[:, 2:, 2:] + patch[:, :-2, :-2] - patch[:, 2:, :-2] - patch[:, :-2, 2:]) / 4
    response = xy * xy - (left + right - 2 * inner) * (above + below - 2 * inner)
    # The strongest two: the corner, and what a mark or an edge beside it may add.
    flat = response.reshape(len(patch), -1)
    places = []
    for _ in range(2):
        best = flat.argmax(1)
        dy, dx = np.unravel_index(best, response.shape[1:])
        places.append(np.column_stack([dx, dy]) - (reach - 1) + middle)
        near = np.abs(np.arange(2 * reach - 1)[None, :] - dy[:, None])[:, :, None] <= 2
        near = near & (np.abs(np.arange(2 * reach - 1)[None, :] - dx[:, None])[:, None, :] <= 2)
        flat = np.where(near.reshape(flat.shape), -np.inf, flat)
    return examine(smoothed, np.concatenate(places).astype(float))


def _settle(smoothed: GreyArray, xy: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Newton steps onto the saddle of the local quadratic surface (3 x 3 least squares)."""
    height, width = smoothed.shape
    start, xy = xy, xy.copy()
    offsets = np.array([(dx, dy) for dy in (-1, 0, 1) for dx in (-1, 0, 1)], float)
    dx, dy = offsets.T
    design = np.column_stack([dx * dx, dy * dy, dx * dy, dx, dy, np.ones(9)])
    solve = np.linalg.pinv(design)
    for _ in range(2):
        values = sample(smoothed, xy[:, None, :] + offsets)
        a, b, c, d, e, _f = (values @ solve.T).T
        determinant = 4 * a * b - c * c
        safe = np.where(determinant < 0, determinant, -1.0)
        move = np.column_stack([(c * e - 2 * b * d) / safe, (c * d - 2 * a * e) / safe])
        length = np.linalg.norm(move, axis=1, keepdims=True)
        xy += move * np.minimum(1.0, 1.0 / np.maximum(length, 1e-9))
    margin = RING_RADIUS_PX + 1
    inside = (xy > margin).all(1) & (xy[:, 0] < width - 1 - margin)
    inside &= xy[:, 1] < height - 1 - margin
    near = np.abs(xy - start).max(1) < 1.6
    return xy, inside & near & (determinant < 0)


def _walk_round(
    smoothed: GreyArray, xy: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Edge directions (N, 4), light-dark step (N,), and whether the circle looks like an X."""
    n, half = RING_SAMPLES, RING_SAMPLES // 2
    angle = 2 * np.pi * np.arange(n) / n
    circle = RING_RADIUS_PX * np.column_stack([np.cos(angle), -np.sin(angle)])
    values = sample(smoothed, xy[:, None, :] + circle)
    even = (values[:, :half] + values[:, half:]) / 2
    odd = (values[:, :half] - values[:, half:]) / 2
    # A shading ramp is odd and harmless: leave its first harmonic out of the judgement.
    wave = np.exp(-1j * angle[:half])
    first = 2 * (odd @ wave) / half
    odd = odd - (first[:, None] * wave.conj()).real
    ranked = np.sort(even, axis=1)
    quarter = half // 4
    dark, light = ranked[:, :quarter].mean(1), ranked[:, -quarter:].mean(1)
    step = light - dark
    fits = (step > LEAST_STEP) & (np.sqrt((odd**2).mean(1)) < 0.22 * step)
    fits &= np.abs(first) < 1.0 * step

    # One light run and one dark run in half a turn; its two ends are the edges.
    level = ((dark + light) / 2)[:, None]
    is_dark = even < level
    after = np.roll(is_dark, -1, axis=1)
    into, out_of = ~is_dark & after, is_dark & ~after
    fits &= (into.sum(1) == 1) & (out_of.sum(1) == 1)
    rows = np.arange(len(xy))

    def crossing(change: NDArray[np.bool_]) -> FloatArray:
        k = change.argmax(1)
        here, there = even[rows, k], even[rows, (k + 1) % half]
        gap = there - here
        part = (level[:, 0] - here) / np.where(gap == 0, 1.0, gap)
        return np.asarray((k + np.clip(part, 0.0, 1.0)) * (2 * np.pi / n))

    start, stop = crossing(into), crossing(out_of)
    span = (stop - start) % np.pi
    fits &= (span > NARROWEST_QUADRANT_RAD) & (span < np.pi - NARROWEST_QUADRANT_RAD)
    rays = start[:, None] + np.column_stack(
        [np.zeros_like(span), span, np.full_like(span, np.pi), span + np.pi]
    )
    return rays, step, fits


def _unique(xy: FloatArray, step: FloatArray) -> NDArray[np.intp]:
    """Indices without those that settled on the same saddle."""
    cell = np.round(xy).astype(np.int64)
    order = np.argsort(-step, kind="stable")
    _, first = np.unique(cell[order, 0] * (1 << 32) + cell[order, 1], return_index=True)
    return np.sort(order[first])


def sample(image: GreyArray | NDArray[np.uint8], at_px: FloatArray) -> FloatArray:
    """Bilinear values of ``image`` at pixels (..., 2)."""
    shape = at_px.shape[:-1]
    flat = np.ascontiguousarray(at_px.reshape(-1, 2), np.float32)
    # remap takes pictures of at most 32767 rows: fold the list into rows of 1024.
    fold = 1024
    padded = np.zeros((-(-max(len(flat), 1) // fold) * fold, 2), np.float32)
    padded[: len(flat)] = flat
    values = cv2.remap(
        np.asarray(image),
        padded.reshape(-1, fold, 2),
        None,  # type: ignore[call-overload]  # OpenCV's stubs do not know of the joint map
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values.reshape(-1)[: len(flat)].reshape(shape), np.float64)
