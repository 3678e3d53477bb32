"""A photo's trace carried from the frame that it was traced in to another one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.frames import to_common
from digitize.bundle.joint import Placement
from digitize.tracing.traces import Traced, TracedLoop, TracedPiece

FloatArray = NDArray[np.float64]
Move = Callable[[FloatArray], FloatArray]


def carried(traced: Traced, placement: Placement) -> Traced:
    """The trace over a sheet in the common frame."""
    return moved(traced, lambda points: to_common(points, placement))


def moved(traced: Traced, move: Move) -> Traced:
    """The same trace with every place (N, 2) moved; lengths must stay what they are."""
    return replace(
        traced,
        pieces=tuple(_piece(piece, move) for piece in traced.pieces),
        left_out=tuple(replace(item, at_mm=_place(item.at_mm, move)) for item in traced.left_out),
        notices=tuple(notice.moved(lambda at: _place(at, move)) for notice in traced.notices),
    )


def _piece(piece: TracedPiece, move: Move) -> TracedPiece:
    return replace(
        piece,
        outline=_loop(piece.outline, move),
        openings=tuple(_loop(loop, move) for loop in piece.openings),
        bends=tuple(
            replace(
                bend,
                start_mm=_place(bend.start_mm, move),
                end_mm=_place(bend.end_mm, move),
            )
            for bend in piece.bends
        ),
        marks=tuple(replace(mark, at_mm=_place(mark.at_mm, move)) for mark in piece.marks),
        notices=tuple(notice.moved(lambda at: _place(at, move)) for notice in piece.notices),
    )


def _loop(loop: TracedLoop, move: Move) -> TracedLoop:
    return replace(loop, points_mm=move(loop.points_mm))


def _place(at_mm: tuple[float, float], move: Move) -> tuple[float, float]:
    x, y = move(np.array([at_mm]))[0]
    return float(x), float(y)
