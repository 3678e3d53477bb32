import math
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pypdfium2
import pytest
import shapely
from pypdfium2.raw import FPDF_PAGEOBJ_TEXT

from digitize.errors import Notice
from digitize.files import dxf, svg
from digitize.files.paper import writer as paper
from digitize.files.paper.key import MARK_DASHES
from digitize.files.paper.offcut import Offcut
from digitize.files.paper.page import NARROW_MM, WIDE_MM
from digitize.files.paper.part import _runs
from digitize.files.paper.seams import lay_marks, seams
from digitize.files.paper.tiling import MARGIN_MM, PAPERS_MM, Page, part_area, tile
from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.model import BendLine, Drawn, Pattern, PointMark, Precision, ScribeLine
from digitize.pattern.segments import Line, Point


def plate(width: float, height: float, **more: object) -> Pattern:
    corners: list[Point] = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    edges = [
        Edge(Line(a, b), "restored" if i == 2 else "measured")
        for i, (a, b) in enumerate(zip(corners, [*corners[1:], corners[0]], strict=True))
    ]
    return Pattern("step plate", Contour(tuple(edges)), **more)  # type: ignore[arg-type]


def texts(data: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(data)
    found = [document[i].get_textpage().get_text_range() for i in range(len(document))]
    document.close()
    return found


@pytest.mark.parametrize(
    ("page", "label"), [((0, 0), "A1"), ((1, 2), "B3"), ((25, 0), "Z1"), ((26, 9), "AA10")]
)
def test_pages_are_named_like_squares_of_a_map(page: tuple[int, int], label: str) -> None:
    assert Page(*page).label == label


@pytest.mark.parametrize(
    ("size", "paper_name", "pages", "orientation"),
    [
        # A4 upright shows 190 x 251 mm, lying 277 x 164; 3 mm of air all round.
        ((184, 245), "A4", 1, "portrait"),
        ((185, 245), "A4", 2, "portrait"),
        ((271, 158), "A4", 1, "landscape"),
        ((271, 159), "A4", 2, "portrait"),
        ((100, 100), "Letter", 1, "portrait"),
    ],
)
def test_the_fewest_pages_are_taken(
    size: tuple[float, float], paper_name: str, pages: int, orientation: str
) -> None:
    tiling = tile(plate(*size), PAPERS_MM[paper_name], 12.0)
    assert (len(tiling.pages), tiling.orientation) == (pages, orientation)


def test_pages_without_any_of_the_part_are_left_out() -> None:
    strip: list[Point] = [(0, 0), (4, 0), (330, 650), (330, 654), (326, 654), (0, 4)]
    edges = [Line(a, b) for a, b in zip(strip, [*strip[1:], strip[0]], strict=True)]
    tiling = tile(Pattern("strut", Contour.of(edges)), PAPERS_MM["A4"], 12.0, "portrait")
    assert (tiling.rows, tiling.columns) == (3, 2)
    assert [p.label for p in tiling.pages] == ["A2", "B1", "B2", "C1"]


def test_the_page_says_what_it_is() -> None:
    pattern = plate(
        120.0,
        60.0,
        openings=(Circle((20, 30), 4.25), Slot((60, 30), (80, 30), 3)),
        bends=(BendLine((0, 12), (120, 12), 90.0, True), BendLine((0, 50), (120, 50), 45.0, False)),
        marks=(PointMark((100, 30)),),
        thickness_mm=1.5,
        precision=Precision(0.05, 0.0005),
        notices=(Notice("print-unmeasured", "nobody measured the bars", "doubt"),),
    )
    (text,) = texts(paper.render(pattern))
    for words in (
        "step plate",
        "1.5 mm sheet",
        "± 0.19 mm on 120 mm",
        "scale 1:1",
        "Print at 100 %",
        "must measure 100 mm",
        "Doubt: nobody measured the bars",
        "B1 bend 90° up",
        "B2 bend 45° down",
        "Ø8.50",
        "26.00 × 6.00",
        "rebuilt",
        "centre-punch",
    ):
        assert words in text


def test_inch_pages_speak_inches() -> None:
    (text,) = texts(paper.render(plate(101.6, 50.8), paper.PaperOptions("Letter", unit="in")))
    assert "must measure 4 in" in text
    assert " mm" not in text


def test_a_turned_part_and_an_untrue_printer_are_mentioned() -> None:
    options = paper.PaperOptions(turn=True, print_scale=(0.9975, 1.002))
    (text,) = texts(paper.render(plate(300.0, 8.0), options))
    assert "turned" in text
    assert "0.9975 across and 1.0020 along" in text


def test_neighbours_name_each_other() -> None:
    data = paper.render(plate(350.0, 100.0))
    first, second = texts(data)
    assert "A2 goes on top" in first
    assert "lay on A1" in second
    assert "lay page on\r\npage here" in first


def test_lay_marks_keep_clear_of_the_lines_of_the_part() -> None:
    pattern = plate(700.0, 300.0, openings=tuple(Circle((x, 150), 6) for x in range(20, 690, 25)))
    tiling = paper.layout(pattern)
    lines = shapely.union_all([part_area(pattern).boundary])
    marks = lay_marks(tiling, lines)
    assert len(marks) == 2 * len(seams(tiling))
    assert min(lines.distance(shapely.Point(p)) for p in marks) > 4.5


def test_nothing_is_drawn_over_or_close_along_an_edge() -> None:
    pattern = plate(
        150.0,
        90.0,
        openings=(Circle((30, 45), 4), Circle((40, 55), 4), Slot((60, 20), (100, 40), 5)),
        marks=(PointMark((120, 70)),),
    )
    document = pypdfium2.PdfDocument(paper.render(pattern))
    scale = 300 / 25.4
    grey = np.array(document[0].render(scale=300 / 72, grayscale=True).to_numpy()).squeeze()
    document.close()
    tiling = paper.layout(pattern)
    x0, y0, x1, y1 = tiling.window(tiling.pages[0])
    foot = MARGIN_MM + tiling.foot_mm
    rows, columns = np.nonzero(grey < 200)
    x = (columns + 0.5) / scale - MARGIN_MM + x0
    y = (grey.shape[0] - rows - 0.5) / scale - foot + y0
    inside = (x > x0) & (x < x1) & (y > y0) & (y < y1)
    ink = shapely.points(np.column_stack((x, y))[inside])
    edges = shapely.union_all(
        [shapely.LinearRing(c.points_mm(1e-3)) for c in (pattern.outline, *pattern.openings)]
    )
    shapely.prepare(edges)
    distance = shapely.distance(ink, edges)
    off_the_line = distance > WIDE_MM / 2 + 0.15
    assert off_the_line.sum() > 200  # names and centre marks are there
    assert distance[off_the_line].min() > 0.55


def test_a_trim_template_shows_the_edge_to_trim_to_and_the_present_one() -> None:
    pattern = plate(150.0, 90.0)
    way = [(40.0, 0.0), (40.0, -3.0), (90.0, -1.5), (110.0, 0.0)]
    present = tuple(Line(a, b) for a, b in pairwise(way))
    offcut = Offcut((Line((40.0, 0.0), (110.0, 0.0)),), present)
    assert offcut.depth_mm == pytest.approx(3.0, abs=1e-9)
    data = paper.render(pattern, offcuts=(offcut,))
    document = pypdfium2.PdfDocument(data)
    scale = 600 / 25.4
    grey = np.array(document[0].render(scale=600 / 72, grayscale=True).to_numpy()).squeeze()
    document.close()
    # The present edge is part of what the page is laid out for.
    tiling = tile(pattern, PAPERS_MM["A4"], 12.0, beyond_mm=offcut.apart_mm)
    x0, y0, _, _ = tiling.window(tiling.pages[0])
    foot = MARGIN_MM + tiling.foot_mm

    def inked_mm(x: float, low: float, high: float) -> float:
        """Height of the ink in a narrow upright strip."""
        rows = [round(grey.shape[0] - (y - y0 + foot) * scale) for y in (high, low)]
        column = grey[rows[0] : rows[1], round((x - x0 + MARGIN_MM) * scale)]
        return float((column < 128).sum() / scale)

    assert inked_mm(60.0, -0.6, 0.6) == pytest.approx(WIDE_MM, abs=0.09)
    assert inked_mm(60.0, -3.4, -1.4) == pytest.approx(NARROW_MM, abs=0.09)
    assert inked_mm(20.0, -3.4, -1.0) == 0.0
    (text,) = texts(data)
    assert "trim 3.0 mm" in text
    assert "trim to here; mark it" in text
    assert "the edge now, comes off" in text
    assert "cut, along its middle" not in text


def test_a_present_edge_off_the_page_takes_another() -> None:
    pattern = plate(150.0, 240.0)
    lower = Line((10.0, 0.0), (60.0, 0.0))
    present = (Line((10.0, 0.0), (35.0, -90.0)), Line((35.0, -90.0), (60.0, 0.0)))
    assert len(texts(paper.render(pattern))) == 1
    pages = texts(paper.render(pattern, offcuts=(Offcut((lower,), present),)))
    assert len(pages) == 2
    assert all("trim to here; mark it" in page for page in pages)


def test_the_same_pattern_gives_the_same_bytes() -> None:
    assert paper.render(plate(700.0, 90.0)) == paper.render(plate(700.0, 90.0))


def test_runs_do_not_start_in_the_middle_of_a_restored_stretch() -> None:
    corners: list[Point] = [
        (math.cos(a), math.sin(a)) for a in (math.tau * i / 6 for i in range(6))
    ]
    marks = ["restored", "measured", "measured", "restored", "measured", "restored"]
    edges = [
        Edge(Line(a, b), mark)  # type: ignore[arg-type]
        for a, b, mark in zip(corners, [*corners[1:], corners[0]], marks, strict=True)
    ]
    runs = _runs(edges)
    assert [(measured, len(run)) for measured, run in runs] == [
        (True, 2),
        (False, 1),
        (True, 1),
        (False, 2),
    ]


LONG = "the edge near the drain could not be followed and was bridged by hand " * 4


def wordy(width: float, height: float, doubts: int) -> Pattern:
    return plate(
        width,
        height,
        bends=(BendLine((0.0, 12.0), (width, 12.0), 90.0, True),),
        marks=(PointMark((30.0, 30.0)),),
        thickness_mm=1.5,
        precision=Precision(0.05, 0.0005),
        notices=tuple(Notice(f"d{i}", f"{i}: {LONG}", "doubt") for i in range(doubts)),
    )


def boxes_mm(page: pypdfium2.PdfPage) -> list[tuple[float, ...]]:
    """Left, bottom, right and top of every line of type that is not on the part itself."""
    lines = page.get_objects(filter=[FPDF_PAGEOBJ_TEXT], max_depth=1)
    return [tuple(v / 72 * 25.4 for v in line.get_bounds()) for line in lines]


@pytest.mark.parametrize("paper_name", list(PAPERS_MM))
@pytest.mark.parametrize("doubts", [0, 1, 6])
@pytest.mark.parametrize("size", [(120.0, 60.0), (700.0, 300.0)])
def test_no_words_run_off_the_page_or_into_the_key(
    paper_name: str, doubts: int, size: tuple[float, float]
) -> None:
    pattern = replace(wordy(*size, doubts), name="a bulkhead panel of the long narrow-boat " * 3)
    options = paper.PaperOptions(paper_name)
    tiling = paper.layout(pattern, options)
    document = pypdfium2.PdfDocument(paper.render(pattern, options))
    for number, page in enumerate(document):
        across, along = (v / 72 * 25.4 for v in page.get_size())
        boxes = boxes_mm(page)
        assert len(boxes) > 8
        for left, bottom, right, top in boxes:
            assert left > 5.0
            assert right < across - 5.0
            assert bottom > 5.0
            assert top < along - 5.0
        is_cover = number == 0 and len(document) > len(tiling.pages)
        foot = [b for b in boxes if b[3] < MARGIN_MM + tiling.foot_mm]
        assert is_cover or not any(overlap(a, b) for a, b in combinations(foot, 2))
    document.close()


def overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] + 0.3 < b[3] and b[1] + 0.3 < a[3]


def test_the_foot_says_whole_sentences_and_how_many_it_left_out() -> None:
    (text,) = texts(paper.render(wordy(120.0, 60.0, 1)))
    assert "kept with the pattern" not in text
    assert " ".join(text.split()).count("bridged by hand") == 3  # notes shorten it to 240 letters
    (text,) = texts(paper.render(wordy(120.0, 60.0, 6)))
    shown = text.count("Doubt: ")
    assert 1 < shown < 6
    assert f"{6 - shown} more notes are kept with the pattern" in text
    # A foot that holds everything is not worth a second page.
    assert len(texts(paper.render(wordy(150.0, 244.0, 1)))) == 1


def test_a_name_too_long_for_the_part_is_shortened_on_it() -> None:
    pattern = replace(plate(120.0, 60.0), name="a bulkhead panel of the long narrow-boat " * 3)
    (text,) = texts(paper.render(pattern))
    assert "a bulkhead panel of the long na" in text.splitlines()[0]
    assert text.splitlines()[0].endswith("...")


def test_a_bead_is_not_named_a_bend() -> None:
    line = BendLine((0.0, 20.0), (120.0, 20.0), 0.0, True, bead="arc 20 x 4 mm, held")
    (page,) = texts(paper.render(plate(120.0, 60.0, bends=(line,))))
    assert "B1 bead arc 20 x 4 mm, held, not bent" in page
    assert "B1 bend" not in page


def test_paper_dxf_and_svg_say_what_a_drawing_is_not() -> None:
    drawn = Drawn(behind=True, opposite_hand=True, kerf_mm=2.0)
    pattern = plate(120.0, 60.0, drawn=drawn, thickness_mm=1.0)
    (page,) = texts(paper.render(pattern))
    assert "cutter's middle, not the edge" in page
    assert "cut, along its middle" not in page
    for text in (page, dxf.render(pattern).decode(), svg.render(pattern).decode()):
        words = " ".join(text.split())
        assert "seen from the back of the traced face" in words
        assert "opposite hand" in words
        assert "path of a cutter" in words


def test_wide_lines_are_cut_and_narrow_ones_marked() -> None:
    bend = BendLine((0.0, 20.0), (120.0, 20.0), 90.0, True)
    tool = ScribeLine((0.0, 20.15), (120.0, 20.15), "tool")
    far = replace(tool, start_mm=(0.0, 22.0), end_mm=(120.0, 22.0))
    (text,) = texts(paper.render(plate(120.0, 60.0, bends=(bend,), scribes=(tool,))))
    assert "bend line = tool line" in text
    assert "Narrow lines are never cut." in text
    (text,) = texts(paper.render(plate(120.0, 60.0, bends=(bend,), scribes=(far,))))
    assert "bend line = tool line" not in text
    assert "tool line: folder, jaws" in text


def joggled(*heights: float) -> str:
    """Where bends close together at these heights are named, from the top down."""
    bends = tuple(BendLine((0.0, y), (120.0, y), 45.0, True) for y in heights)
    scribes = tuple(
        ScribeLine((0.0, y + off), (120.0, y + off), "tangent")
        for y in heights
        for off in (-0.6, 0.6)
    )
    page = pypdfium2.PdfDocument(paper.render(plate(120.0, 60.0, bends=bends, scribes=scribes)))[0]
    text = page.get_textpage()
    heights_pt = {}
    for number in range(1, len(bends) + 1):
        found = text.search(f"B{number} bend").get_next()
        assert found is not None
        heights_pt[f"B{number}"] = text.get_charbox(found[0])[1]
    return " ".join(sorted(heights_pt, key=lambda name: -heights_pt[name]))


def test_each_of_two_close_bends_has_its_name_on_its_own_side() -> None:
    assert joggled(30.5, 32.0) == "B2 B1"
    assert joggled(32.0, 30.5) == "B1 B2"


def test_the_middle_one_of_three_close_bends_is_named_too() -> None:
    assert joggled(30.0, 28.5, 31.5).replace("B1", "").split() == ["B3", "B2"]


def test_bend_and_tool_lines_differ_in_stroke_from_bend_lines() -> None:
    assert len(set(MARK_DASHES.values())) == len(MARK_DASHES)
    bend = BendLine((0.0, 20.0), (120.0, 20.0), 90.0, True)
    scribes = tuple(
        ScribeLine((0.0, y), (120.0, y), kind) for y, kind in ((22.0, "tangent"), (21.9, "tool"))
    )
    (text,) = texts(paper.render(plate(120.0, 60.0, bends=(bend,), scribes=scribes)))
    assert "bend begins = tool line" in text
    assert text.count("tool line") == 2  # in the key, and beside the line itself
