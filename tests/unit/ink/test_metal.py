"""Marker lines on metal beside a card, and what tells a drawing from a piece."""

import cv2
import numpy as np
import pytest
from shapely import LinearRing, LineString, Point, affinity, box

from digitize.tracing.ink.strokes import NothingDrawn
from digitize.tracing.ink.trace import InkOptions, trace_ink
from digitize.tracing.mode import choose_mode

BOUNDS = (-150.0, -170.0, 150.0, 40.0)


def cloud(shape, res, size_mm, seed):
    """Smooth noise of unit variance with a grain of about ``size_mm``."""
    rng = np.random.default_rng(seed)
    k = max(1, int(size_mm / res / 2))
    small = rng.standard_normal((shape[0] // k + 4, shape[1] // k + 4)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    whole = cv2.resize(small / small.std(), (small.shape[1] * k, small.shape[0] * k))
    return whole[: shape[0], : shape[1]]


def rust(shape, res):
    patch = sum(a * cloud(shape, res, s, 3) for s, a in ((40, 0.5), (8, 0.4), (2, 0.35)))
    grain = sum(a * cloud(shape, res, s, 9) for s, a in ((15, 0.6), (3, 0.4), (0.5, 0.3)))
    share = 1 / (1 + np.exp(-3 * patch))[..., None]
    colour = np.array([0.30, 0.12, 0.05]) * (1 - share) + np.array([0.16, 0.12, 0.10]) * share
    return (colour * np.exp(0.28 * grain)[..., None]).astype(np.float32)


def paint(shape, res):
    """Green paint, blistered through to rust in places."""
    base = np.array([0.12, 0.22, 0.17]) * np.exp(0.08 * cloud(shape, res, 0.6, 1))[..., None]
    spots = cloud(shape, res, 12, 5) + 0.6 * cloud(shape, res, 2, 6) > 1.9
    return np.where(spots[..., None], rust(shape, res), base).astype(np.float32)


def brushed(shape, res):
    rows = np.random.default_rng(2).standard_normal((shape[0], 1)).astype(np.float32)
    rows = cv2.GaussianBlur(rows, (0, 0), 1.2)
    tone = 0.10 * rows / rows.std() + 0.12 * cloud(shape, res, 40, 4)
    return (np.array([0.42, 0.42, 0.43]) * np.exp(tone)[..., None]).astype(np.float32)


SURFACES = {
    "black on rust": (rust, (0.03, 0.03, 0.03)),
    "white on rust": (rust, (0.75, 0.74, 0.70)),
    "black on paint": (paint, (0.03, 0.03, 0.03)),
    "red on paint": (paint, (0.50, 0.06, 0.05)),
    "blue on brushed steel": (brushed, (0.04, 0.06, 0.30)),
}


def panel(drawn, photograph, ground, ink, pen_mm=1.6):
    x, y = -120.0, -150.0
    corners = [(0, 0), (120, 6), (124, 66), (86, 98), (4, 95), (0, 0)]
    outline = drawn.by_hand(LineString([(x + a, y + b) for a, b in corners]))
    hole = Point(x + 35, y + 33).buffer(10, quad_segs=64).exterior
    cx, cy = x + 84.0, y + 28.0
    shapes = [
        outline.buffer(pen_mm / 2),
        hole.buffer(pen_mm / 2),
        *drawn.dashed((x + 2, y + 57), (x + 123, y + 60), 6, 3.5, pen_mm=pen_mm),
        LineString([(cx - 5, cy), (cx + 5, cy)]).buffer(pen_mm / 2),
        LineString([(cx, cy - 5), (cx, cy + 5)]).buffer(pen_mm / 2),
    ]
    shot = photograph(
        layers=[(shape, ink) for shape in shapes],
        form="card",
        ground=ground,
        bounds_mm=BOUNDS,
        look_at_mm=(0.0, -60.0),
        across_mm=300.0,
        roll_deg=0.0,
        azimuth_deg=-80.0,
        light=lambda p: 0.7 * np.exp(-((p[:, 0] / 450) ** 2) - ((p[:, 1] + 50) / 450) ** 2),
    )
    return shot, outline, hole, (cx, cy), ((x + 2, y + 57), (x + 123, y + 60))


@pytest.mark.parametrize("name", SURFACES)
def test_line_on_metal_beside_a_card(drawn, photograph, name):
    shot, outline, hole, cross, (start, end) = panel(drawn, photograph, *SURFACES[name])
    result = trace_ink(shot.photo, shot.camera, shot.sheet, InkOptions(line_side="centre"))
    (piece,) = result.pieces
    assert np.percentile(drawn.distances(piece.outline.points_mm, outline), 95) < 0.10
    (opening,) = piece.openings
    assert np.percentile(drawn.distances(opening.points_mm, hole), 95) < 0.10
    (bend,) = piece.bends
    d = np.subtract(end, start) / np.hypot(*np.subtract(end, start))
    n = np.array([-d[1], d[0]])
    assert max(abs((np.subtract(p, start)) @ n) for p in (bend.start_mm, bend.end_mm)) < 0.2
    (mark,) = piece.marks
    assert np.hypot(*np.subtract(mark.at_mm, cross)) < max(0.1, 3 * mark.u_mm)
    assert piece.outline.line_width_mm == pytest.approx(1.6, abs=0.12)
    assert len(result.left_out) < 30
    assert choose_mode(shot.photo, shot.camera, shot.sheet)[0] == "ink"


def desk(shape, res):
    """Dark wood with a loose sheet of white paper on it, a little askew."""
    grain = cv2.GaussianBlur(cloud(shape, res, 2, 8), (0, 0), 0.1, sigmaY=40)
    base = np.array([0.20, 0.12, 0.07]) * np.exp(0.4 * grain / grain.std())[..., None]
    corners = np.array([(-138, -168), (18, -163), (15, -36), (-141, -41)]) - (BOUNDS[0], BOUNDS[3])
    cells = np.rint(corners * (1, -1) / res).astype(np.int32)
    shade = cv2.fillPoly(np.zeros(shape, np.float32), [cells + 12], 1.0)
    base *= 1 - 0.6 * cv2.GaussianBlur(shade, (0, 0), 8)[..., None]
    white = cv2.fillPoly(np.zeros(shape, np.uint8), [cells], 1)
    return np.where(white[..., None] > 0, (0.88, 0.88, 0.87), base).astype(np.float32)


def test_drawing_on_a_sheet_of_paper_beside_a_card(drawn, photograph):
    shot, outline, hole, cross, _ = panel(drawn, photograph, desk, drawn.BLACK, pen_mm=1.0)
    result = trace_ink(shot.photo, shot.camera, shot.sheet, InkOptions(line_side="centre"))
    (piece,) = result.pieces
    assert np.percentile(drawn.distances(piece.outline.points_mm, outline), 95) < 0.06
    (opening,) = piece.openings
    assert np.percentile(drawn.distances(opening.points_mm, hole), 95) < 0.06
    assert len(piece.bends) == 1
    (mark,) = piece.marks
    assert np.hypot(*np.subtract(mark.at_mm, cross)) < 0.05


@pytest.mark.parametrize("ground", [rust, paint, brushed])
def test_bare_metal_without_a_line_says_so(photograph, ground):
    shot = photograph(
        form="card", ground=ground, bounds_mm=BOUNDS, look_at_mm=(0.0, -60.0), across_mm=300.0,
        roll_deg=0.0, azimuth_deg=-80.0,
    )  # fmt: skip
    with pytest.raises(NothingDrawn):
        trace_ink(shot.photo, shot.camera, shot.sheet)


def test_drawing_on_paper_is_ink(board, photograph):
    b = board()
    b.circle(0.4, 0.4, 12.0)
    shot = photograph(layers=b.layers)
    assert choose_mode(shot.photo, shot.camera, shot.sheet) == (
        "ink",
        "a drawn line closes round bare surface",
    )


@pytest.mark.parametrize(
    ("colour", "edge"), [((0.22, 0.10, 0.05), None), ((0.5, 0.5, 0.52), (0.2, 0.2, 0.2))]
)
def test_piece_on_paper_is_silhouette(photograph, colour, edge):
    plate = LinearRing([(45, 60), (125, 60), (125, 180), (45, 180)])
    shape = box(45, 60, 125, 180).difference(Point(80, 110).buffer(9))
    layers = [(affinity.translate(shape, 1.5, -1.0), (0.4, 0.4, 0.39)), (shape, colour)]
    if edge is not None:
        layers.append((plate.buffer(0.4), edge))
    shot = photograph(layers=layers)
    assert choose_mode(shot.photo, shot.camera, shot.sheet)[0] == "silhouette"


def test_open_drawing_is_still_ink_and_a_blank_sheet_is_not(photograph, drawn):
    stroke = LineString([(50, 60), (120, 60), (120, 170)]).buffer(0.5)
    shot = photograph(layers=[(stroke, drawn.BLACK)])
    assert choose_mode(shot.photo, shot.camera, shot.sheet)[0] == "ink"
    shot = photograph()
    assert choose_mode(shot.photo, shot.camera, shot.sheet) == (
        "silhouette",
        "no drawn line was found on the paper",
    )
