"""Files are read back with libraries that did not write them and compared to the pattern.

DXF: GDAL/OGR (pyogrio) and trimesh.  SVG: svgelements.  PDF: PDFium.  PNG: Pillow.
Tolerance 0.01 mm, for rasters 0.1 mm, as the project's aims state it.
"""

from __future__ import annotations

import io
import itertools
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import ezdxf
import ezdxf.recover
import numpy as np
import pyogrio
import pyogrio.raw
import pypdfium2
import pytest
import shapely
import svgelements
import trimesh
from PIL import Image
from scipy import ndimage

from digitize.errors import Notice
from digitize.files import dxf, svg
from digitize.files.atomic import write_bytes
from digitize.files.layers import LAYERS
from digitize.files.paper import writer as paper
from digitize.files.paper.page import NARROW_MM, WIDE_MM
from digitize.files.paper.tiling import MARGIN_MM, Tiling
from digitize.files.pictures import photo_proof, topdown_proof
from digitize.files.pictures.photo_proof import Overlay
from digitize.files.pictures.topdown_proof import TopdownPicture
from digitize.pattern.contour import Circle, Closed, Contour, Edge, Slot
from digitize.pattern.extent import extent_mm
from digitize.pattern.model import BendLine, Pattern, PointMark, Precision, ScribeLine
from digitize.pattern.segments import Arc, Line

TOLERANCE_MM, RASTER_MM = 0.01, 0.1
QUARTER = math.tan(math.pi / 8)


def chain(*points: tuple[float, ...]) -> list[Line | Arc]:
    """Segments through points; a third number is the bulge toward the next point."""
    segments: list[Line | Arc] = []
    for a, b in zip(points, (*points[1:], points[0]), strict=True):
        start, end = (a[0], a[1]), (b[0], b[1])
        segments.append(Arc(start, end, a[2]) if len(a) > 2 else Line(start, end))
    return segments


def bracket() -> Pattern:
    """A weed-hatch bracket: three flanges, a notch, holes, a slot, a window, two poor edges."""
    edges = [
        Edge(s, {10: "restored", 14: "bridged"}.get(i, "measured"))  # type: ignore[arg-type]
        for i, s in enumerate(
            chain(
                *((20, 0), (130, 0, QUARTER), (135, 5), (135, 30), (165, 30, QUARTER), (170, 35)),
                *((170, 85, QUARTER), (165, 90), (135, 90), (135, 120), (95, 120)),
                *((95, 108, -1.0), (79, 108), (79, 120), (20, 120), (20, 90), (-8, 90, QUARTER)),
                *((-13, 85), (-13, 35, QUARTER), (-8, 30), (20, 30)),
            )
        )
    ]
    window = chain(
        *((62, 70), (92, 70, QUARTER), (97, 75), (97, 85, QUARTER)),
        *((92, 90), (62, 90, QUARTER), (57, 85), (57, 75, QUARTER)),
    )
    return Pattern(
        "weed-hatch bracket",
        Contour(tuple(edges)),
        (
            Circle((40, 60), 4.1),
            Circle((118, 60), 4.1),
            Slot((65, 40), (93, 45), 3.25),
            Contour.of(window),
            Circle((152, 60), 2.6, "restored"),
        ),
        (
            BendLine((20, 30), (20, 90), 90.0, True),
            BendLine((135, 30), (135, 90), 90.0, False),
            BendLine((20, 12), (135, 12)),
        ),
        (PointMark((78, 20)), PointMark((4, 60))),
        (ScribeLine((22, 30), (22, 90), "tangent"), ScribeLine((18, 30), (18, 90), "tool")),
        thickness_mm=1.5,
        precision=Precision(0.06, 0.0004),
        notices=(Notice("edge-restored", "part of an edge was rebuilt", "doubt"),),
    )


def skirt() -> Pattern:
    """An engine-hatch side skirt of 900 mm with a crowned upper edge and a row of louvres."""
    outline = chain((0, 0), (860, 0, QUARTER), (900, 40), (880, 210, 0.06), (30, 250), (0, 220))
    louvres = tuple(Slot((120 + i * 75, 70), (120 + i * 75, 150), 6) for i in range(9))
    holes = tuple(Circle(at, 5.25) for at in ((30, 30), (840, 30), (40, 215), (855, 190)))
    return Pattern(
        "engine-hatch side skirt",
        Contour.of(outline),
        (*louvres, *holes),
        (BendLine((0, 14), (890.45, 14), 90.0, False),),
        thickness_mm=1.2,
    )


def keyhole() -> Pattern:
    """A rope guide: an eye of more than half a turn on a straight shank, inside and out."""
    eye = math.tan(math.radians(300) / 4)
    # GDAL draws a bulge above 1 wrongly where the arc runs from left to right, as here.
    outside = chain((10, 60), (-10, 60), (-10, 10 * math.sqrt(3), eye), (10, 10 * math.sqrt(3)))
    inside = chain((4, 40), (-4, 40), (-4, 4 * math.sqrt(3), eye), (4, 4 * math.sqrt(3)))
    return Pattern("rope guide", Contour.of(outside), (Contour.of(inside),))


PATTERNS = {"bracket": bracket(), "skirt": skirt(), "keyhole": keyhole()}


def line_of(closed: Closed) -> shapely.LinearRing:
    return shapely.LinearRing(closed.points_mm(1e-4))


def hausdorff_mm(a: shapely.Geometry, b: shapely.Geometry) -> float:
    """Largest distance of either curve from the other, at points no more than 0.5 mm apart."""
    return max(
        float(shapely.distance(shapely.points(shapely.get_coordinates(p.segmentize(0.5))), q).max())
        for p, q in ((a, b), (b, a))
    )


def cut_lines(pattern: Pattern) -> dict[str, list[shapely.Geometry]]:
    return {
        "OUTLINE": [line_of(pattern.outline)],
        "OPENING": [line_of(o) for o in pattern.openings],
        **{
            layer: [
                shapely.LineString([b.start_mm, b.end_mm])
                for b in pattern.bends
                if b.toward_face is way
            ]
            for layer, way in (("BEND_LINE", None), ("BEND_TOWARD", True), ("BEND_AWAY", False))
        },
        **{
            layer: [
                shapely.LineString([s.start_mm, s.end_mm])
                for s in pattern.scribes
                if s.kind == kind
            ]
            for layer, kind in (("BEND_TANGENT", "tangent"), ("TOOL_LINE", "tool"))
        },
    }


# DXF


@pytest.fixture(scope="module", autouse=True)
def fine_arcs() -> None:
    # OGR breaks arcs into chords; 0.1 degree keeps them within 4e-7 radii.
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "0.1"})


def ogr_layers(path: Path) -> dict[str, list[shapely.Geometry]]:
    """Lines of every layer, as GDAL reads them."""
    meta, _, wkb, fields = pyogrio.raw.read(path)
    names = fields[list(meta["fields"]).index("Layer")]
    layers: dict[str, list[shapely.Geometry]] = {}
    for name, geometry in zip(names, shapely.from_wkb(wkb), strict=True):
        layers.setdefault(str(name), []).append(shapely.force_2d(geometry))
    return layers


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("version", ["R2010", "R12"])
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_gdal_reads_the_lines_of_the_pattern(
    tmp_path: Path, name: str, version: str, unit: str
) -> None:
    pattern, per = PATTERNS[name], {"mm": 1.0, "in": 25.4}[unit]
    options = dxf.DxfOptions(unit, version)  # type: ignore[arg-type]
    path = write_bytes(tmp_path / "p.dxf", dxf.render(pattern, options))
    layers = ogr_layers(path)
    for layer, expected in cut_lines(pattern).items():
        read = [shapely.transform(g, lambda xy: xy * per) for g in layers.get(layer, [])]
        assert len(read) == len(expected)
        for a, b in zip(read, expected, strict=True):
            assert hausdorff_mm(a, b) < TOLERANCE_MM
    for line in layers["OUTLINE"] + layers["OPENING"]:
        assert line.coords[0] == line.coords[-1]  # the gap is exactly 0
    assert set(layers) <= {layer.name for layer in LAYERS.values()}


@pytest.mark.parametrize("version", ["R2010", "R12"])
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_trimesh_reads_true_arcs_and_closed_loops(tmp_path: Path, version: str, unit: str) -> None:
    whole, per = bracket(), {"mm": 1.0, "in": 25.4}[unit]
    measured = Contour.of([e.segment for e in whole.outline.as_contour().edges])
    pattern = Pattern("only what is cut", measured, whole.openings[:4])
    options = dxf.DxfOptions(unit, version, notes=False)  # type: ignore[arg-type]
    with io.BytesIO(dxf.render(pattern, options)) as stream:
        path = trimesh.load_path(stream, file_type="dxf")
    assert path.is_closed
    assert len(path.entities) == sum(
        1 if isinstance(c, Circle) else len(c.as_contour().edges)
        for c in (pattern.outline, *pattern.openings)
    )
    read = sorted(
        (
            *(c * per for c in arc.center(path.vertices).center),
            arc.center(path.vertices).radius * per,
        )
        for arc in path.entities
        if isinstance(arc, trimesh.path.entities.Arc)
    )
    wanted = sorted(
        (*circle.centre_mm, circle.radius_mm)
        for closed in (pattern.outline, *pattern.openings)
        for circle in (
            [closed]
            if isinstance(closed, Circle)
            else [e.segment for e in closed.as_contour().edges if isinstance(e.segment, Arc)]
        )
    )
    assert np.allclose(np.sort(read, axis=0), np.sort(wanted, axis=0), atol=TOLERANCE_MM)
    areas = sorted(polygon.area * per**2 for polygon in path.polygons_closed)
    wanted_areas = sorted(abs(c.signed_area_mm2) for c in (pattern.outline, *pattern.openings))
    # trimesh measures area over chords.
    assert areas == pytest.approx(wanted_areas, rel=5e-3)
    if version == "R2010":
        assert path.units == {"mm": "millimeters", "in": "inches"}[unit]


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_the_dxf_auditor_finds_nothing_and_no_entity_comes_twice(name: str, version: str) -> None:
    data = dxf.render(PATTERNS[name], dxf.DxfOptions(version=version))  # type: ignore[arg-type]
    document, auditor = ezdxf.recover.read(io.BytesIO(data))
    assert not auditor.errors
    assert not auditor.fixes
    seen = set()
    for entity in document.modelspace():
        match entity.dxftype():
            case "LWPOLYLINE":
                shape: object = tuple(entity.get_points("xyb"))
                assert entity.closed
            case "POLYLINE":
                shape = tuple((*v.dxf.location, v.dxf.bulge) for v in entity.vertices)
                assert entity.is_closed
            case "CIRCLE":
                shape = (*entity.dxf.center, entity.dxf.radius)
            case "ARC":
                shape = (*entity.dxf.center, entity.dxf.radius, entity.dxf.start_angle)
            case "LINE":
                shape = frozenset([tuple(entity.dxf.start), tuple(entity.dxf.end)])
            case "TEXT":
                assert entity.dxf.layer == "NOTE"
                continue
            case other:
                raise AssertionError(other)
        assert shape not in seen, shape
        seen.add(shape)
    kinds = {e.dxftype() for e in document.modelspace()}
    if version == "R12":
        assert document.dxfversion == "AC1009"
        assert kinds <= {"POLYLINE", "LINE", "ARC", "CIRCLE", "TEXT"}
    else:
        assert kinds <= {"LWPOLYLINE", "LINE", "ARC", "CIRCLE", "TEXT"}


@pytest.mark.parametrize(("unit", "code", "metric"), [("mm", 4, 1), ("in", 1, 0)])
def test_the_dxf_header_states_the_unit(unit: str, code: int, metric: int) -> None:
    # $INSUNITS: 1 inches, 4 millimetres (DXF reference; list in the ezdxf documentation).
    data = dxf.render(bracket(), dxf.DxfOptions(unit))  # type: ignore[arg-type]
    tags = [line.strip() for line in data.decode().splitlines()]
    for variable, value in (("$INSUNITS", code), ("$MEASUREMENT", metric)):
        at = tags.index(variable)
        assert tags[at + 1 : at + 3] == ["70", str(value)]


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_an_r12_file_carries_a_bar_of_known_length(tmp_path: Path, unit: str) -> None:
    options = dxf.DxfOptions(unit, "R12")  # type: ignore[arg-type]
    notes = ogr_layers(write_bytes(tmp_path / "p.dxf", dxf.render(bracket(), options)))["NOTE"]
    bar = max(g.length for g in notes if g.geom_type == "LineString")
    assert bar == pytest.approx({"mm": 100.0, "in": 4.0}[unit], abs=1e-6)


def test_restored_edges_have_a_line_on_the_waste_side_a_millimetre_off(tmp_path: Path) -> None:
    pattern = bracket()
    beside = ogr_layers(write_bytes(tmp_path / "p.dxf", dxf.render(pattern)))["RESTORED_EDGE"]
    metal = shapely.Polygon(
        pattern.outline.points_mm(1e-3), [o.points_mm(1e-3) for o in pattern.openings]
    )
    assert len(beside) == 3  # restored edge, bridged edge, restored hole
    for line in beside:
        assert not metal.intersects(line)
        middle = line.interpolate(0.5, normalized=True)
        assert metal.boundary.distance(middle) == pytest.approx(1.0, abs=TOLERANCE_MM)


# SVG


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_svgelements_reads_the_lines_of_the_pattern(name: str, unit: str) -> None:
    pattern = PATTERNS[name]
    data = svg.render(pattern, svg.SvgOptions(unit))  # type: ignore[arg-type]
    # At 25.4 pixels to the inch a pixel is a millimetre.
    page = svgelements.SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
    x0, _, _, y1 = extent_mm(pattern)

    def points(shape: svgelements.Shape) -> shapely.Geometry:
        path = svgelements.Path(shape)
        xy = [
            (segment.point(t).x, segment.point(t).y)
            for segment in path
            if not isinstance(segment, svgelements.Move)
            for t in np.linspace(0, 1, 2 if isinstance(segment, svgelements.Line) else 200)
        ]
        return shapely.LineString([(x + x0 - svg.MARGIN_MM, y1 + svg.MARGIN_MM - y) for x, y in xy])

    for layer, expected in cut_lines(pattern).items():
        if not expected:
            continue
        group = page.get_element_by_id(layer)
        assert len(group) == len(expected)
        for shape, line in zip(group, expected, strict=True):
            assert hausdorff_mm(points(shape), line) < TOLERANCE_MM
            if layer in ("OUTLINE", "OPENING"):
                path = svgelements.Path(shape)
                assert path.first_point == path.current_point


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_svg_says_its_size_in_real_units(unit: str) -> None:
    root = ET.fromstring(svg.render(bracket(), svg.SvgOptions(unit, notes=False)))  # type: ignore[arg-type]
    per = {"mm": 1.0, "in": 25.4}[unit]
    for name, size in (("width", 183 + 10), ("height", 120 + 10)):
        assert root.attrib[name].endswith(unit)
        assert float(root.attrib[name].removesuffix(unit)) * per == pytest.approx(size, abs=1e-4)
    assert root.attrib["viewBox"] == (
        f"0 0 {root.attrib['width'].removesuffix(unit)} {root.attrib['height'].removesuffix(unit)}"
    )


# PDF

DPI = 600
PX_PER_MM = DPI / 25.4


class Pages:
    """A PDF as PDFium draws it, grey, with millimetres from the paper's lower left corner."""

    def __init__(self, data: bytes) -> None:
        self.document = pypdfium2.PdfDocument(data)

    def __len__(self) -> int:
        return len(self.document)

    def grey(self, number: int) -> np.ndarray:
        bitmap = self.document[number].render(scale=DPI / 72, grayscale=True)
        return np.array(bitmap.to_numpy()).squeeze()

    def size_mm(self, number: int) -> tuple[float, float]:
        width, height = self.document[number].get_size()
        return width / 72 * 25.4, height / 72 * 25.4

    def text(self, number: int) -> str:
        return str(self.document[number].get_textpage().get_text_range())


def ink_mm(grey: np.ndarray, box: tuple[float, float, float, float]) -> np.ndarray:
    """Centres (N, 2) of dark pixels in a box of the page, in mm from its lower left corner."""
    x0, y0, x1, y1 = (round(v * PX_PER_MM) for v in box)
    h = grey.shape[0]
    window = grey[h - y1 : h - y0, x0:x1]
    rows, columns = np.nonzero(window < 128)
    return np.column_stack(
        ((columns + x0 + 0.5) / PX_PER_MM, (h - (rows + h - y1) - 0.5) / PX_PER_MM)
    )


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
def test_a_part_on_one_page_is_printed_at_true_size(sheet: str) -> None:
    whole = bracket()
    options = paper.PaperOptions(sheet)
    pages = Pages(paper.render(whole, options))
    assert len(pages) == 1
    assert pages.size_mm(0) == pytest.approx(
        {"A4": (210, 297), "Letter": (215.9, 279.4)}[sheet], abs=0.01
    )
    tiling = paper.layout(whole, options)
    x0, y0, x1, y1 = tiling.window(tiling.pages[0])
    low = (MARGIN_MM, MARGIN_MM + tiling.foot_mm)
    ink = ink_mm(pages.grey(0), (*low, low[0] + x1 - x0, low[1] + y1 - y0))
    in_pattern = ink - low + (x0, y0)
    # Every cut line is inked all along its middle...
    tree = shapely.STRtree(shapely.points(in_pattern))
    for closed in (whole.outline, *whole.openings):
        if isinstance(closed, Circle) and closed.evidence != "measured":
            continue
        solid = [e.segment for e in closed.as_contour().edges if e.evidence == "measured"]
        for segment in solid:
            line = shapely.LineString(segment.points_mm(1e-3))
            along = shapely.points(shapely.get_coordinates(line.segmentize(0.3)))
            _, distance = tree.query_nearest(along, return_distance=True, all_matches=False)
            assert distance.max() < RASTER_MM
    # ...and evenly to both sides of it: the mean of the ink across an edge is the edge.
    for at, across in (((40.0, 0.0), 1), ((100.0, 0.0), 1), ((170.0, 50.0), 0), ((-13.0, 70.0), 0)):
        near = in_pattern[np.abs(in_pattern - at).max(axis=1) < 2.0]
        assert near[:, across].mean() == pytest.approx(at[across], abs=0.03)
    hole = whole.openings[0]
    assert isinstance(hole, Circle)
    radii = np.hypot(*(in_pattern - hole.centre_mm).T)
    ring = radii[np.abs(radii - hole.radius_mm) < 0.6]
    assert ring.mean() == pytest.approx(hole.radius_mm, abs=0.03)
    assert ring.max() - ring.min() == pytest.approx(WIDE_MM, abs=RASTER_MM)


@pytest.mark.parametrize(("unit", "long_mm"), [("mm", 100.0), ("in", 101.6)])
def test_every_page_has_a_check_bar_of_the_stated_length(unit: str, long_mm: float) -> None:
    pages = Pages(paper.render(skirt(), paper.PaperOptions(unit=unit)))  # type: ignore[arg-type]
    assert len(pages) > 4
    for number in range(len(pages)):
        grey = pages.grey(number)
        bar = ink_mm(grey, (5.0, MARGIN_MM + 3.45, 115.0, MARGIN_MM + 6.8))
        ends = bar[bar[:, 1] > MARGIN_MM + 6.0]  # only the end ticks reach up here
        for ink in (bar, ends):
            assert np.ptp(ink[:, 0]) == pytest.approx(long_mm + NARROW_MM, abs=RASTER_MM)
        assert "Print at 100 %" in pages.text(number)


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
def test_pages_joined_by_their_lay_marks_give_the_whole_part(sheet: str) -> None:
    """Find the lay marks on both pages, join the pages by them alone, then measure."""
    pattern, options = skirt(), paper.PaperOptions(sheet)
    tiling = paper.layout(pattern, options)
    pages = Pages(paper.render(pattern, options))
    skip = len(pages) - len(tiling.pages)  # the cover
    images = {p: pages.grey(skip + i) for i, p in enumerate(tiling.pages)}
    found = {p: lay_mark_centres(images[p], tiling) for p in tiling.pages}
    place = {tiling.pages[0]: np.zeros(2)}
    # Walk the pages; every neighbour is laid by the lay marks along the shared seam.
    todo = [tiling.pages[0]]
    while todo:
        page = todo.pop()
        for beside in tiling.pages:
            if (
                beside in place
                or abs(page.row - beside.row) + abs(page.column - beside.column) != 1
            ):
                continue
            step = np.array(tiling.window_mm) - tiling.overlap_mm
            rough = step * (beside.column - page.column, page.row - beside.row)
            shifts = [
                a - b
                for a in found[page]
                for b in found[beside]
                if np.hypot(*(a - b - rough)) < 5.0
            ]
            assert len(shifts) >= 2, (page.label, beside.label)
            assert np.ptp(shifts, axis=0).max() < 0.06
            place[beside] = place[page] + np.mean(shifts, axis=0)
            todo.append(beside)
    assert len(place) == len(tiling.pages)
    low = np.array((MARGIN_MM, MARGIN_MM + tiling.foot_mm))
    ink = np.vstack(
        [ink_mm(images[p], (*low, *(low + tiling.window_mm))) + place[p] for p in tiling.pages]
    )
    x0, y0, _, _ = tiling.window(tiling.pages[0])
    ink += np.array((x0, y0)) - low
    tree = shapely.STRtree(shapely.points(ink))
    for closed in (pattern.outline, *pattern.openings):
        along = shapely.get_coordinates(line_of(closed).segmentize(1.0))
        _, distance = tree.query_nearest(
            shapely.points(along), return_distance=True, all_matches=False
        )
        assert distance.max() < RASTER_MM
    # Six hundred millimetres and three seams apart: the outer edges of the outer louvres.
    first, last = (
        ink[(np.abs(ink[:, 1] - 90) < 5) & (np.abs(ink[:, 0] - x) < 1)][:, 0].mean()
        for x in (114.0, 726.0)
    )
    assert last - first == pytest.approx(612.0, abs=RASTER_MM)


def lay_mark_centres(grey: np.ndarray, tiling: Tiling) -> list[np.ndarray]:
    """Centres in mm of lay marks in the overlaps: two black quarters of 3 mm radius, tip to tip.

    The white quarters of the right size, enclosed by the ring, are found; the centre is the
    middle between the two, which a grey pixel at their tips may join to one.
    """
    low = np.array((MARGIN_MM, MARGIN_MM + tiling.foot_mm))
    high, lap = low + tiling.window_mm, tiling.overlap_mm
    marks: list[np.ndarray] = []
    for x0, y0, x1, y1 in (
        (low[0], low[1], low[0] + lap, high[1]),
        (high[0] - lap, low[1], high[0], high[1]),
        (low[0], low[1], high[0], low[1] + lap),
        (low[0], high[1] - lap, high[0], high[1]),
    ):
        left, right = round(x0 * PX_PER_MM), round(x1 * PX_PER_MM)
        top, bottom = (grey.shape[0] - round(y * PX_PER_MM) for y in (y1, y0))
        labels, count = ndimage.label(grey[top:bottom, left:right] > 128)
        sizes = np.bincount(labels.ravel(), minlength=count + 1)
        quarter = math.pi * 3.0**2 / 4 * PX_PER_MM**2
        # The seam's dotted line and the ring take a little of the white.
        white = [i for i in range(1, count + 1) if 0.7 * quarter < sizes[i] < 1.02 * quarter]
        middles = ndimage.center_of_mass(labels > 0, labels, white)
        points = np.array(
            [
                ((left + c + 0.5) / PX_PER_MM, (grey.shape[0] - top - r - 0.5) / PX_PER_MM)
                for r, c in middles
            ]
        ).reshape(-1, 2)
        # The centroid of a quarter lies 4 sqrt(2) r / (3 pi) = 1.80 mm from the tip.
        for a, b in itertools.combinations(points, 2):
            centre = (a + b) / 2
            if abs(math.dist(a, b) - 3.6) < 0.3:
                marks.append(centre)
        joined = [i for i in range(1, count + 1) if 1.4 * quarter < sizes[i] < 2.04 * quarter]
        for r, c in ndimage.center_of_mass(labels > 0, labels, joined):
            marks.append(
                np.array(
                    ((left + c + 0.5) / PX_PER_MM, (grey.shape[0] - top - r - 0.5) / PX_PER_MM)
                )
            )
    # The strips share the page's corners.
    return [m for i, m in enumerate(marks) if not any(np.hypot(*(m - n)) < 0.5 for n in marks[:i])]


def test_the_page_map_shows_pages_that_are_left_out() -> None:
    corner = Contour.of(chain((0, 0), (700, 0), (700, 60), (60, 60), (60, 900), (0, 900)))
    pattern = Pattern("angle", corner)
    tiling = paper.layout(pattern)
    assert len(tiling.pages) < tiling.rows * tiling.columns
    pages = Pages(paper.render(pattern))
    assert len(pages) == len(tiling.pages) + 1
    for number, page in enumerate(tiling.pages, 1):
        assert page.label in pages.text(0)
        assert page.label in pages.text(number)
        assert f"page {number} of {len(tiling.pages)}" in pages.text(number)


def test_a_printer_known_to_be_untrue_is_allowed_for() -> None:
    options = paper.PaperOptions(orientation="portrait", print_scale=(1.01, 0.98))
    pages = Pages(paper.render(bracket(), options))
    tiling = paper.layout(bracket(), options)
    assert len(tiling.pages) == 1
    x0, y0, _, _ = tiling.window(tiling.pages[0])
    grey = pages.grey(0)
    # What lies on the page in the file's millimetres is printed smaller by the two factors.
    printed = ink_mm(grey, (5.0, 40.0, 205.0, 290.0)) * (1.01, 0.98)
    at = printed - (MARGIN_MM, MARGIN_MM + tiling.foot_mm) + (x0, y0)
    left = at[(np.abs(at[:, 1] - 60) < 15) & (np.abs(at[:, 0] + 13) < 1)][:, 0].mean()
    right = at[(np.abs(at[:, 1] - 60) < 15) & (np.abs(at[:, 0] - 170) < 1)][:, 0].mean()
    low = at[(np.abs(at[:, 0] - 60) < 15) & (np.abs(at[:, 1]) < 1)][:, 1].mean()
    high = at[(np.abs(at[:, 0] - 50) < 15) & (np.abs(at[:, 1] - 120) < 1)][:, 1].mean()
    assert right - left == pytest.approx(183.0, abs=RASTER_MM)
    assert high - low == pytest.approx(120.0, abs=RASTER_MM)


# PNG


def near(pixels: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.abs(pixels.astype(int) - colour).max(axis=2) < 40


def test_the_photo_proof_draws_where_things_were_seen() -> None:
    photo = np.full((3000, 4000, 3), 90, np.uint8)
    ring = np.array([[1000.0, 800.0], [3000.0, 800.0], [3000.0, 2200.0], [1000.0, 2200.0]])
    data = photo_proof.render(photo, [Overlay(ring, "outline", closed=True)], ["bracket"])
    image = np.asarray(Image.open(io.BytesIO(data)))
    assert image.shape[1] == 2400
    assert image.shape[0] > 1800  # the caption
    rows, columns = np.nonzero(near(image[:1800], photo_proof.COLOURS["outline"]))
    k = 2400 / 4000
    for seen, true in (
        (columns.min(), 1000),
        (columns.max(), 3000),
        (rows.min(), 800),
        (rows.max(), 2200),
    ):
        assert seen == pytest.approx((true + 0.5) * k - 0.5, abs=1.6)


def test_the_topdown_proof_lays_the_pattern_on_its_picture() -> None:
    """A picture that holds a dark disc where the pattern has its hole: both must coincide."""
    pattern = Pattern(
        "plate",
        Contour.of(chain((0, 0), (120, 0), (120, 80), (0, 80))),
        (Circle((30.0, 55.0), 10.0),),
    )
    scale = 12.5  # pixels to the millimetre
    y, x = np.mgrid[0:1250, 0:1750]
    x_mm, y_mm = (x + 0.5) / scale - 10, 90 - (y + 0.5) / scale
    disc = np.hypot(x_mm - 30, y_mm - 55) < 6.0
    rgb = np.where(disc[..., None], 0, 255).astype(np.uint8).repeat(3, axis=2)
    data = topdown_proof.render(pattern, TopdownPicture(rgb, (-10.0, -10.0, 130.0, 90.0)))
    image = np.asarray(Image.open(io.BytesIO(data)))
    labels, _ = ndimage.label(near(image, (240, 228, 66)), np.ones((3, 3)))
    yellow = np.argwhere(labels == np.bincount(labels.ravel())[1:].argmax() + 1)
    ring = (yellow.min(axis=0) + yellow.max(axis=0)) / 2
    dark = np.abs(image.astype(int) - 64).max(axis=2) < 12  # faded black
    disc_px = np.argwhere(ndimage.binary_opening(dark, iterations=4))
    centre = (disc_px.min(axis=0) + disc_px.max(axis=0)) / 2
    px_per_mm = (yellow.max(axis=0) - yellow.min(axis=0)).mean() / 20.0
    assert np.abs(ring - centre).max() / px_per_mm < RASTER_MM
    assert (disc_px.max(axis=0) - disc_px.min(axis=0)).mean() / px_per_mm == pytest.approx(
        12, abs=0.3
    )
