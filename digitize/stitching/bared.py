"""A photo made bare: sheets taken up and the end of the photo papered over.

A piece that lies among sheets, and reaches out of the photo, cannot be told from its
surroundings by light alone.  Where the sheets lie is known, though, and so is where the
photo ends: both are painted in the light of the ground beside them.  A piece cut off then
ends in a straight line, which is no edge of it, and whoever traces the bare photo has to
say so (``cut_by``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.bundle.frames import over_sheet
from digitize.bundle.joint import Placement
from digitize.camera.camera import Camera
from digitize.photo.photo import Photo
from digitize.sheets.layout import Sheet
from digitize.stitching.ground import ground_light, papers_in
from digitize.tracing.light import PaperLight, fit_paper_light
from digitize.tracing.silhouette.finding import find_blobs, view_from_above
from digitize.tracing.traces import CUT, Traced, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

_ROOM_MM = 12.0  # of ground round a thing
_BAND = 3  # squares of the ring that is not there
_RIM_PX = 96  # of paper round the photo
_NEAR_PX = 5.0  # so near to what was painted nothing is an edge
_STRIP = 512  # rows painted at a time


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """The photo with a rim, and everything painted over."""

    photo: Photo
    camera: Camera  # in the frame of the sheet it is traced over
    light: PaperLight
    over: Placement  # that sheet
    painted: shapely.Geometry  # in the bare photo's pixels

    def looked_at(self, thickness_mm: float, least_mm2: float) -> list[Box]:
        """Boxes x0, y0, x1, y1 on the sheet that things lie in, each with ground round it."""
        view = view_from_above(self.camera, _everywhere(self.over), self.light, self.over.scale)
        blobs, _ = find_blobs(view, thickness_mm, least_mm2)
        boxes = shapely.union_all(
            [shapely.box(*_bounds(blob.outline_mm, _ROOM_MM)) for blob in blobs]
        )
        # Things so near one another that their boxes touch are looked at together.
        while True:
            joined = [shapely.box(*part.bounds) for part in shapely.get_parts(boxes)]
            following = shapely.union_all(joined)
            if following.equals(boxes):
                return [_four(part.bounds) for part in shapely.get_parts(boxes)]
            boxes = following

    def framed(self, box_mm: Box) -> tuple[Camera, Sheet, FloatArray]:
        """The camera over a ring that would have a box for its blank middle, that ring, and
        its corner (2,) on the sheet.

        Looking down on so much and no more is as fine as can be.
        """
        x0, y0, x1, y1 = box_mm
        columns, rows = (int(np.ceil(side)) + 2 * _BAND for side in (x1 - x0, y1 - y0))
        ring = Sheet("ring", "", 0, columns, rows, 1.0, _BAND)
        corner = np.array([x0 - _BAND, y0 - _BAND])
        shift = self.camera.rotation[:, :2] @ corner
        camera = replace(self.camera, translation_mm=self.camera.translation_mm + shift)
        return camera, ring, corner

    def cut_by(self, traced: Traced) -> Traced:
        """The trace in the photo's own pixels, edges of what was painted marked as CUT."""
        return replace(traced, pieces=tuple(self._piece(piece) for piece in traced.pieces))

    def _piece(self, piece: TracedPiece) -> TracedPiece:
        return replace(
            piece,
            outline=self._loop(piece.outline),
            openings=tuple(self._loop(loop) for loop in piece.openings),
        )

    def _loop(self, loop: TracedLoop) -> TracedLoop:
        far = shapely.distance(self.painted, shapely.points(loop.points_px))
        evidence = np.where(far < _NEAR_PX, CUT, loop.evidence).astype(np.uint8)
        return replace(loop, points_px=loop.points_px - _RIM_PX, evidence=evidence)


def bared(photo: Photo, camera: Camera, placements: Sequence[Placement], over: Placement) -> Bare:
    """The photo without sheets, to be traced over one of them.

    ``camera`` is in the common frame.  Raises ``PaperNotSeen``.
    """
    wide = replace(photo, rgb=cv2.copyMakeBorder(photo.rgb, *(_RIM_PX,) * 4, cv2.BORDER_REPLICATE))
    px, py = camera.principal_px
    rimmed = replace(
        camera,
        size_px=(wide.width_px, wide.height_px),
        principal_px=(px + _RIM_PX, py + _RIM_PX),
    )
    local = over_sheet(rimmed, over)
    height, width = wide.rgb.shape[:2]
    reach = _RIM_PX + 2
    inner = shapely.box(reach, reach, width - 1 - reach, height - 1 - reach)
    whole = shapely.box(0, 0, width - 1, height - 1)
    papers = shapely.union_all(papers_in(rimmed, placements))
    painted = shapely.union(shapely.difference(whole, inner), papers)
    light = fit_paper_light(wide, local, over.sheet, over.scale)
    ground = ground_light(light, painted, papers)
    mask = _mask(painted, width, height)
    bare = replace(wide, rgb=_painted(wide.rgb, ground, mask, _noise(wide.rgb, mask)))
    return Bare(bare, local, replace(ground, photo=bare), over, painted)


def _mask(painted: shapely.Geometry, width: int, height: int) -> NDArray[np.bool_]:
    """Pixels (rows, columns) to paint."""
    mask = np.zeros((height, width), np.uint8)
    for part in shapely.get_parts(painted):
        rings = [part.exterior, *part.interiors]
        corners = [np.round(shapely.get_coordinates(r)).astype(np.int32) for r in rings]
        cv2.fillPoly(mask, corners, 1)
    return mask > 0


def _noise(rgb: NDArray[Any], mask: NDArray[np.bool_]) -> float:
    """Standard deviation, in steps of the coding, of the evener half of what is not masked."""
    some = rgb[::7, ::7, 1].astype(np.float32)
    beside = rgb[::7, 1::7, 1].astype(np.float32)[:, : some.shape[1]]
    off = np.abs(some[:, : beside.shape[1]] - beside)[~mask[::7, ::7][:, : beside.shape[1]]]
    # The mean, because the median of whole steps is often nought; without the piece's edges.
    calm = np.sort(off)[: int(0.9 * len(off))]
    return float(calm.mean() * np.sqrt(np.pi) / 2) if len(calm) else 0.0


def _painted(
    rgb: NDArray[Any], ground: PaperLight, mask: NDArray[np.bool_], noise: float
) -> NDArray[Any]:
    """The picture with the ground's light and noise, sRGB coded, where it is masked.

    Without noise the eye for roughness would take the ground itself for rough.
    """
    height, width = mask.shape
    rng = np.random.default_rng(0)
    full = np.iinfo(rgb.dtype).max
    out = rgb.copy()
    for top in range(0, height, _STRIP):
        rows = slice(top, min(top + _STRIP, height))
        light = np.clip(ground.white(0, rows.start, width, rows.stop), 0.0, 1.0)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        grain = rng.normal(0.0, noise, (*coded.shape[:2], 1))
        levels = np.clip(np.round(coded * full + grain), 0, full).astype(rgb.dtype)
        out[rows][mask[rows]] = levels[mask[rows]]
    return out


def _everywhere(placement: Placement) -> Sheet:
    """The sheet as if printed all over: what lies round it counts, not its blank middle."""
    return replace(placement.sheet, form="card", band=0)


def _bounds(points: FloatArray, room: float) -> Box:
    (x0, y0), (x1, y1) = points.min(axis=0) - room, points.max(axis=0) + room
    return float(x0), float(y0), float(x1), float(y1)


def _four(bounds: tuple[float, ...]) -> Box:
    x0, y0, x1, y1 = bounds
    return x0, y0, x1, y1
