"""Any pattern survives DXF, SVG and the page layout: read back by other libraries."""

from __future__ import annotations

import io
import math

import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely
import svgelements
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from digitize.files import dxf, svg
from digitize.files.arcs import beziers
from digitize.files.paper.tiling import PAPERS_MM, Page, part_area, tile
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.extent import closed_extent_mm, extent_mm
from digitize.pattern.model import BendLine, Pattern, PointMark
from digitize.pattern.placement import placed
from digitize.pattern.segments import Arc, Line, Segment

TOLERANCE_MM = 0.01

coordinates = st.floats(-2000, 2000, allow_nan=False).map(lambda v: round(v, 4))
points = st.tuples(coordinates, coordinates)
bulges = st.one_of(
    st.just(0.0), st.just(1.0), st.just(-1.0), st.floats(0.002, 3), st.floats(-3, -0.002)
)
evidences = st.sampled_from(["measured", "restored", "bridged"])


@st.composite
def contours(draw: st.DrawFn) -> Contour:
    """Closed chains of lines and arcs round a middle, as jagged as they come."""
    n = draw(st.integers(2, 9))
    x, y = draw(points)
    size = draw(st.sampled_from([3.0, 40.0, 300.0]))
    corners = []
    for i in range(n):
        r = size * draw(st.floats(0.2, 1))
        a = math.tau * (i + draw(st.floats(0, 0.8))) / n
        corners.append((x + r * math.cos(a), y + r * math.sin(a)))
    edges = []
    for i, start in enumerate(corners):
        end = corners[(i + 1) % n]
        bulge = draw(bulges) if n > 2 else draw(bulges.filter(bool))
        segment: Segment = Arc(start, end, bulge) if bulge else Line(start, end)
        edges.append(Edge(segment, draw(evidences)))
    return Contour(tuple(edges))


circles = st.builds(Circle, points, st.floats(0.3, 500), evidences)
slots = st.builds(
    lambda a, d, r: Slot(a, (a[0] + d[0], a[1] + d[1]), r),
    points,
    st.tuples(st.floats(1, 80), st.floats(-80, 80)),
    st.floats(0.5, 30),
)
shapes = st.one_of(contours(), circles, slots)
patterns = st.builds(
    Pattern,
    st.text(max_size=30),
    shapes,
    st.lists(shapes, max_size=4, unique=True).map(tuple),
    st.lists(st.builds(BendLine, points, points), max_size=2).map(tuple),
    st.lists(st.builds(PointMark, points), max_size=2).map(tuple),
)
units = st.sampled_from([("mm", 1.0), ("in", 25.4)])
several = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def line_of(closed: Closed) -> shapely.Geometry:
    return shapely.LinearRing(closed.points_mm(1e-3))


def farthest_mm(a: shapely.Geometry, b: shapely.Geometry) -> float:
    """Largest distance of either curve from the other, at and between their corners."""
    return max(
        float(shapely.distance(shapely.points(shapely.get_coordinates(p)), q).max())
        for p, q in ((a, b), (b, a))
    )


@pytest.fixture(scope="module", autouse=True)
def fine_arcs() -> None:
    # OGR breaks arcs into chords; a flat arc of a huge radius needs the second bound.
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "0.2", "OGR_ARC_MAX_GAP": "1"})


@several
@given(pattern=patterns, unit=units, version=st.sampled_from(["R2010", "R12"]))
def test_gdal_reads_any_pattern_from_dxf(
    pattern: Pattern, unit: tuple[str, float], version: str
) -> None:
    name, per = unit
    data = dxf.render(pattern, dxf.DxfOptions(name, version))  # type: ignore[arg-type]
    assert data == dxf.render(pattern, dxf.DxfOptions(name, version))  # type: ignore[arg-type]
    meta, _, wkb, fields = pyogrio.raw.read(data)
    layers = fields[list(meta["fields"]).index("Layer")]
    read = [
        shapely.transform(shapely.force_2d(g), lambda xy: xy * per)
        for g, layer in zip(shapely.from_wkb(wkb), layers, strict=True)
        if layer in ("OUTLINE", "OPENING")
    ]
    wanted = [pattern.outline, *pattern.openings]
    assert len(read) == len(wanted)
    for line, closed in zip(read, wanted, strict=True):
        assert line.coords[0] == line.coords[-1]
        assert farthest_mm(line, line_of(closed)) < TOLERANCE_MM


@several
@given(pattern=patterns, unit=units)
def test_svgelements_reads_any_pattern_from_svg(pattern: Pattern, unit: tuple[str, float]) -> None:
    data = svg.render(pattern, svg.SvgOptions(unit[0]))  # type: ignore[arg-type]
    page = svgelements.SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
    x0, _, _, y1 = extent_mm(pattern)
    shapes = [
        shape for layer in ("OUTLINE", "OPENING") for shape in page.get_element_by_id(layer) or ()
    ]
    wanted = [pattern.outline, *pattern.openings]
    assert len(shapes) == len(wanted)
    for shape, closed in zip(shapes, wanted, strict=True):
        xy = [
            (p.x + x0 - svg.MARGIN_MM, y1 + svg.MARGIN_MM - p.y)
            for segment in svgelements.Path(shape)
            if not isinstance(segment, svgelements.Move)
            for p in segment.npoint(np.linspace(0, 1, 2 if _straight(segment) else 300))
            for p in [svgelements.Point(p)]
        ]
        # 300 chords on 120 degrees: within 3e-6 radii of the arc; 500 mm radius is the largest.
        assert farthest_mm(shapely.LineString(xy), line_of(closed)) < TOLERANCE_MM


def _straight(segment: svgelements.PathSegment) -> bool:
    return isinstance(segment, svgelements.Line | svgelements.Close)


@given(
    start=points,
    step=st.tuples(st.floats(0.01, 500), st.floats(-500, 500)),
    bulge=bulges.filter(bool),
)
def test_curves_of_the_pdf_stay_on_the_arc(
    start: tuple[float, float], step: tuple[float, float], bulge: float
) -> None:
    arc = Arc(start, (start[0] + step[0], start[1] + step[1]), bulge)
    p = np.array(start)
    t = np.linspace(0, 1, 20)[:, None]
    for control1, control2, end in beziers(arc):
        a, b, c = np.array(control1), np.array(control2), np.array(end)
        curve = (1 - t) ** 3 * p + 3 * (1 - t) ** 2 * t * a + 3 * (1 - t) * t**2 * b + t**3 * c
        radii = np.hypot(*(curve - arc.centre_mm).T)
        assert np.allclose(radii, arc.radius_mm, rtol=2e-6)
        p = c
    assert tuple(p) == arc.end_mm


@given(closed=shapes)
def test_the_extent_is_that_of_fine_chords(closed: Closed) -> None:
    low, high = np.reshape(closed_extent_mm(closed), (2, 2))
    chords = closed.points_mm(1e-4)
    assert (low <= chords.min(axis=0) + 1e-6).all()
    assert (high >= chords.max(axis=0) - 1e-6).all()
    assert np.allclose(low, chords.min(axis=0), atol=2e-4)
    assert np.allclose(high, chords.max(axis=0), atol=2e-4)


@given(pattern=patterns, turn=st.floats(-7, 7), move=points)
def test_turning_and_moving_keeps_area_and_length(
    pattern: Pattern, turn: float, move: tuple[float, float]
) -> None:
    there = placed(pattern, turn, move)
    for a, b in zip(
        (pattern.outline, *pattern.openings), (there.outline, *there.openings), strict=True
    ):
        assert b.length_mm == pytest.approx(a.length_mm, rel=1e-9)
        scale = a.length_mm * (2000 + a.length_mm)  # areas cancel far from (0, 0)
        assert abs(b.signed_area_mm2 - a.signed_area_mm2) < 1e-9 * scale


boards = st.builds(
    lambda w, h, x, y, cut: Pattern(
        "board",
        Contour.of(
            [
                Line((x, y), (x + w, y)),
                Line((x + w, y), (x + w, y + h * cut)),
                Line((x + w, y + h * cut), (x + w * cut, y + h * cut)),
                Line((x + w * cut, y + h * cut), (x + w * cut, y + h)),
                Line((x + w * cut, y + h), (x, y + h)),
                Line((x, y + h), (x, y)),
            ]
        ),
    ),
    st.floats(5, 1500),
    st.floats(5, 1500),
    coordinates,
    coordinates,
    st.floats(0.1, 0.9),
)


@settings(deadline=None)
@given(
    board=boards,
    paper=st.sampled_from(["A4", "Letter", "A3"]),
    overlap=st.floats(10, 15),
    orientation=st.sampled_from([None, "portrait", "landscape"]),
)
def test_pages_hold_all_of_the_part_and_meet(
    board: Pattern, paper: str, overlap: float, orientation: str | None
) -> None:
    tiling = tile(board, PAPERS_MM[paper], overlap, orientation)  # type: ignore[arg-type]
    area = part_area(board)
    windows = {p: shapely.box(*tiling.window(p)) for p in tiling.pages}
    whole = shapely.union_all(list(windows.values()))
    assert area.difference(whole.buffer(1e-6)).is_empty
    for page in tiling.pages:
        for beside in (Page(page.row, page.column + 1), Page(page.row + 1, page.column)):
            if beside not in windows:
                continue
            x0, y0, x1, y1 = windows[page].intersection(windows[beside]).bounds
            assert min(x1 - x0, y1 - y0) == pytest.approx(overlap)
    # One page joins on to the next by an edge, not by a corner.
    reached, todo = {tiling.pages[0]}, [tiling.pages[0]]
    while todo:
        page = todo.pop()
        for step in ((0, 1), (1, 0), (0, -1), (-1, 0)):
            beside = Page(page.row + step[0], page.column + step[1])
            if beside in windows and beside not in reached:
                reached.add(beside)
                todo.append(beside)
    assert len(reached) == len(tiling.pages)
    if orientation is None:
        upright = tile(board, PAPERS_MM[paper], overlap, "portrait")
        across = tile(board, PAPERS_MM[paper], overlap, "landscape")
        assert len(tiling.pages) == min(len(upright.pages), len(across.pages))
