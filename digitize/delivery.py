"""What a finished job leaves in a folder: document, drawings, paper template, proofs.

Everything is made before anything is written, and nothing is written over unasked, so a
failure leaves the folder as it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.camera.topdown import topdown
from digitize.files import dxf, svg
from digitize.files.atomic import refuse_existing, write_all
from digitize.files.notes import doubt_lines, note_lines
from digitize.files.paper import writer as paper
from digitize.files.pictures import photo_proof, topdown_proof
from digitize.files.pictures.photo_proof import Overlay
from digitize.files.pictures.topdown_proof import TopdownPicture
from digitize.files.units import Unit
from digitize.job import JobResult
from digitize.pattern import document
from digitize.pattern.contour import Closed
from digitize.pattern.model import Pattern
from digitize.photo.reading import read_photo
from digitize.tracing.traces import TracedPiece

DOCUMENT = ".pattern.json"
PHOTO_PROOF = "-photo.png"
_EACH_PATTERN = (DOCUMENT, ".dxf", "-r12.dxf", ".svg", "-1to1.pdf", "-topdown.png")

_TOPDOWN_PX = 2000.0  # longest side
_SHOWN_STEP_PX = 10  # between places where a photo is asked whether it reaches there


@dataclass(frozen=True, slots=True)
class DeliveryOptions:
    """Unit of the drawings and paper of the template."""

    unit: Unit = "mm"
    paper: str = "A4"


def refuse_overwriting(folder: Path, stem: str) -> None:
    """Stop before the work begins where its files exist; raises ``NotWritten``."""
    refuse_existing(folder / f"{stem}{suffix}" for suffix in (*_EACH_PATTERN, PHOTO_PROOF))


def deliver(
    result: JobResult, folder: Path, options: DeliveryOptions, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write every file of a job and return their paths; raises ``NotWritten``."""
    files: dict[Path, bytes] = {}
    for pattern in result.patterns:
        for suffix, data in zip(_EACH_PATTERN, _of(pattern, result, options), strict=True):
            files[folder / f"{pattern.name}{suffix}"] = data
    stem = result.stem
    files[folder / f"{stem}{PHOTO_PROOF}"] = photo_proof.render(
        result.photo.rgb, tuple(_overlays(result)), _caption(result, options.unit)
    )
    return write_all(files, overwrite=overwrite)


def _of(pattern: Pattern, result: JobResult, options: DeliveryOptions) -> Iterator[bytes]:
    """The files of one pattern, in the order of ``_EACH_PATTERN``."""
    unit = options.unit
    yield document.dumps(pattern).encode()
    yield dxf.render(pattern, dxf.DxfOptions(unit))
    yield dxf.render(pattern, dxf.DxfOptions(unit, "R12"))
    yield svg.render(pattern, svg.SvgOptions(unit))
    yield paper.render(pattern, paper.PaperOptions(paper=options.paper, unit=unit))
    picture = _topdown_picture(pattern, result)
    yield topdown_proof.render(pattern, picture, unit=unit)


def _topdown_picture(pattern: Pattern, result: JobResult) -> TopdownPicture:
    box_mm = topdown_proof.shown_mm(pattern)
    mm_per_px = max(box_mm[2] - box_mm[0], box_mm[3] - box_mm[1]) / _TOPDOWN_PX
    height_mm = result.face_height_mm(pattern)
    rgb = topdown(result.photo, result.solution.camera, box_mm, mm_per_px, height_mm=height_mm)
    missing = ~_shown(result.solution.camera, box_mm, rgb.shape[:2], height_mm)
    for path, camera in result.beside:
        helps = missing & _shown(camera, box_mm, rgb.shape[:2], height_mm)
        if helps.any():
            other = topdown(read_photo(path), camera, box_mm, mm_per_px, height_mm=height_mm)
            rgb[helps] = other[helps]
            missing &= ~helps
    return TopdownPicture(rgb, box_mm)


def _shown(
    camera: Camera, box_mm: tuple[float, ...], shape: tuple[int, ...], height_mm: float
) -> NDArray[np.bool_]:
    """Which pixels (rows, columns) of a picture from above a photo reaches."""
    rows, columns = shape
    x0, y0, x1, y1 = box_mm
    across, down = -(-columns // _SHOWN_STEP_PX), -(-rows // _SHOWN_STEP_PX)
    x = x0 + (np.arange(across) + 0.5) / across * (x1 - x0)
    y = y1 - (np.arange(down) + 0.5) / down * (y1 - y0)
    places = np.array([(a, b, height_mm) for b in y for a in x])
    px = camera.to_px(places)
    inside = ((px > 0) & (px < np.array(camera.size_px) - 1)).all(axis=1)
    share = cv2.resize(inside.reshape(down, across).astype(np.float32), (columns, rows))
    return np.asarray(share > 0.99)


def _caption(result: JobResult, unit: Unit) -> list[str]:
    patterns = result.patterns
    if len(patterns) == 1:
        return note_lines(patterns[0], unit)
    lines = [f"{len(patterns)} pieces: {', '.join(p.name for p in patterns)}"]
    for pattern in patterns:
        name, sheet, precision = note_lines(pattern, unit)[:3]
        lines.append(f"{name}: {sheet}, {precision}")
    return [*lines, *_doubts(patterns)]


def _doubts(patterns: Sequence[Pattern]) -> list[str]:
    """The doubts about several patterns, with the names of those that each is about."""
    about: dict[str, list[str]] = {}
    for pattern in patterns:
        for line in doubt_lines(pattern):
            about.setdefault(line, []).append(pattern.name)
    return [
        line if len(names) == len(patterns) else f"{' and '.join(names)}: {line}"
        for line, names in about.items()
    ]


def _overlays(result: JobResult) -> Iterator[Overlay]:
    sighting, camera = result.sightings[0], result.solution.camera
    yield Overlay(sighting.corners_px[result.solution.used], "target")
    for other in result.sightings[1:]:
        yield Overlay(other.corners_px, "target")
    for item in result.traced.left_out:
        half = item.size_mm / 2
        corners = np.array(item.at_mm) + np.array([(-half, -half), (half, half)])
        yield Overlay(camera.to_px(corners), "left-out", label=item.reason)
    for pattern, piece in zip(result.patterns, result.traced.pieces, strict=True):
        label = pattern.name if len(result.patterns) > 1 else ""
        yield from _piece_overlays(result, pattern, piece, label)


def _piece_overlays(
    result: JobResult, pattern: Pattern, piece: TracedPiece, label: str
) -> Iterator[Overlay]:
    camera, height_mm = result.solution.camera, result.face_height_mm(pattern)
    yield Overlay(piece.outline.points_px, "outline", closed=True, label=label)
    for opening in piece.openings:
        yield Overlay(opening.points_px, "opening", closed=True)
    for closed in (pattern.outline, *pattern.openings):
        for points_mm in _unseen(closed):
            lifted = np.column_stack((points_mm, np.full(len(points_mm), height_mm)))
            yield Overlay(camera.to_px(lifted), "restored")
    for number, bend in enumerate(pattern.bends, 1):
        ends_mm = np.array([bend.start_mm, bend.end_mm])
        yield Overlay(camera.to_px(ends_mm), "bend", label=f"B{number}")
    for mark in pattern.marks:
        yield Overlay(camera.to_px(np.array([mark.at_mm])), "mark")


def _unseen(closed: Closed) -> Iterator[np.ndarray]:
    """Edges of the pattern that were not measured."""
    for edge in closed.as_contour().edges:
        if edge.evidence != "measured":
            yield edge.segment.points_mm(0.05)
