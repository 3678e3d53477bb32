from dataclasses import replace
from itertools import combinations

import folded_pieces as pieces
import numpy as np
import pypdfium2
import pytest
from pypdfium2.raw import FPDF_PAGEOBJ_TEXT

from digitize.bending.facts import Said
from digitize.bending_plan.plan import plan
from digitize.bending_plan.tools import TOOLS, Vice
from digitize.bending_plan.wording import how
from digitize.files.paper import job_sheet
from digitize.files.paper.blank_figure import draw_blank
from digitize.files.paper.page import Pages
from digitize.files.paper.writer import PaperOptions
from digitize.files.pictures import shaded
from digitize.folding.sizes import face_name
from digitize.folding.solid import fold_up
from digitize.nesting.need import need
from digitize.pattern.placement import placed


@pytest.fixture(scope="module")
def blank():
    return pieces.developed(pieces.tray())


def sheet_of(blank, tool, notices=()):
    picture = shaded.render(fold_up(blank), {}, size_px=(200, 160))
    found = plan(blank, tool, "mild-steel")
    return job_sheet.JobSheet(
        blank, found, "mild steel", need(blank.pattern, 7850.0), picture, notices
    )


def read(data):
    """The sheet itself and its words; the template follows."""
    document = pypdfium2.PdfDocument(data)
    assert len(document) > 1
    text = document[0].get_textpage().get_text_bounded().replace("\r\n", " ")
    return document[0], " ".join(text.split())


def test_the_page_says_order_angles_stock_and_cautions(blank):
    sheet = sheet_of(blank, TOOLS["box-folder"], ("a note of its own",))
    page, text = read(job_sheet.render(sheet))
    assert [round(v / 72 * 25.4) for v in page.get_size()] == [210, 297]
    assert "box-and-pan folder" in text
    assert text.count("90.9°, 90.0°") == 4
    assert "fingers 40 + 50" in text
    assert f"{sheet.need.rectangle.length_mm:.1f} mm x" in text
    assert "a note of its own" in text
    for word in ("gloves", "Eye protection", "test strip", "licensed practice", "DC01"):
        assert word in text
    assert job_sheet.render(sheet) == job_sheet.render(sheet)


def test_an_impossible_plan_says_why_and_the_way_out(blank):
    page, text = read(job_sheet.render(sheet_of(blank, Vice()), PaperOptions("Letter", unit="in")))
    assert [round(v) for v in page.get_size()] == [612, 792]
    assert "No order of bends works" in text
    assert "each of B1 and B3 is 152 mm long" in text
    assert "over a steel block cut to" in text
    assert "lb" in text


@pytest.mark.parametrize(
    ("pattern", "paper"),
    [(pieces.tray(), "A4"), (pieces.tray_with_lips(), "Letter"), (pieces.comb(16), "Letter")],
)
def test_nothing_is_drawn_over_the_edge_of_the_page(pattern, paper):
    tool = Vice() if pattern.name == "comb" else TOOLS["straight-folder"]
    sheet = sheet_of(pieces.developed(pattern), tool, ("long " * 60,) * 9)
    page, text = read(job_sheet.render(sheet, PaperOptions(paper)))
    assert "people alive" in text
    pixels = np.asarray(page.render(scale=1).to_pil().convert("L"))
    for rim in (pixels[:20], pixels[-20:], pixels[:, :20], pixels[:, -20:]):
        assert rim.min() == 255


def test_words_say_where_the_fingers_go(blank):
    found = plan(blank, TOOLS["box-folder"], "mild-steel")
    words = how(blank, found.tool, found.steps[-1], lambda mm: f"{mm:.0f} mm")
    (held,) = found.steps[-1].held
    assert words.startswith(f"{face_name(held)} lies under the clamp")
    assert "from 1 mm inside the" in words or "in the middle" in words


@pytest.mark.parametrize("print_scale", [(1.0, 1.0), (0.99, 1.02)])
def test_the_template_follows_at_true_size(blank, print_scale):
    """The measuring bar is 100 mm long once the printer has made of the page what it makes."""
    options = PaperOptions(print_scale=print_scale)
    document = pypdfium2.PdfDocument(job_sheet.render(sheet_of(blank, Vice()), options))
    sheet, *template = document
    assert "the page after this one" in sheet.get_textpage().get_text_range()
    assert [round(v / 72 * 25.4, 3) for v in sheet.get_size()] == [210.0, 297.0]
    (page,) = template
    assert "bend line = tool line" in page.get_textpage().get_text_range()
    longways = page.get_width() > page.get_height()
    across = print_scale[1] if longways else print_scale[0]
    pixels = np.asarray(page.render(scale=300 / 72).to_pil().convert("L")) < 128
    bar = pixels[-round(17 * 300 / 25.4) : -round(13.3 * 300 / 25.4), : round(112 * 300 / 25.4)]
    columns = np.flatnonzero(bar.any(axis=0))
    printed_mm = (columns[-1] - columns[0]) / 300 * 25.4 * across
    assert printed_mm == pytest.approx(100.1, abs=0.15)


def test_a_large_blank_takes_several_template_pages():
    blank = pieces.developed(pieces.comb(16))
    document = pypdfium2.PdfDocument(job_sheet.render(sheet_of(blank, TOOLS["box-folder"])))
    text = document[0].get_textpage().get_text_range()
    assert len(document) > 2
    assert f"the {len(document) - 1} pages after this one" in text


def test_names_of_faces_and_bends_keep_clear_of_one_another(blank):
    page, _ = read(job_sheet.render(sheet_of(blank, TOOLS["box-folder"])))
    boxes = [
        text.get_bounds() for text in page.get_objects(filter=[FPDF_PAGEOBJ_TEXT], max_depth=1)
    ]
    for a, b in combinations(boxes, 2):
        assert not (a[0] < b[2] and b[0] < a[2] and a[1] + 0.8 < b[3] and b[1] + 0.8 < a[3])


def figure(pattern, places):
    """The words of the blank's drawing."""
    blank = pieces.developed(pattern, {"all": Said(45.0, True, 0.8)}, t=0.8)
    pages = Pages("figure")
    pages.start((100.0, 100.0))
    draw_blank(pages, blank, places, (5.0, 5.0, 95.0, 95.0), type_mm=2.2, unit="mm")
    pages.end()
    page = pypdfium2.PdfDocument(pages.finished())[0]
    return page.get_textpage().get_text_bounded().split()


def test_bends_close_together_each_show_their_name_and_place_in_the_order():
    strip = pieces.channel(web=3.0, left=150.0, right=12.0, length=140.0)
    words = figure(strip, {"B1": [2], "B2": [1]})
    assert sorted(w for w in words if w[0] in "BF") == ["B12", "B21", "F1", "F2", "F3"]


def test_a_bead_is_not_named_a_bend():
    strip = pieces.channel(length=120.0)
    first, second = strip.bends
    beaded = replace(strip, bends=(replace(first, bead="arc 20 x 4 mm, held"), second))
    assert figure(beaded, {}).count("bead") == 1


def test_no_name_covers_an_overall_size_or_another_column():
    blank = pieces.developed(pieces.comb(16))
    page, _ = read(job_sheet.render(sheet_of(blank, TOOLS["straight-folder"])))
    boxes = [
        text.get_bounds() for text in page.get_objects(filter=[FPDF_PAGEOBJ_TEXT], max_depth=1)
    ]
    for a, b in combinations(boxes, 2):
        assert not (a[0] + 1 < b[2] and b[0] + 1 < a[2] and a[1] + 1 < b[3] and b[1] + 1 < a[3])


def test_a_crooked_blank_is_drawn_squared_up_with_its_overall_size():
    strip = pieces.channel(length=120.0)
    straight, crooked = (figure(placed(strip, turn), {}) for turn in (0.0, 0.2))
    assert crooked == straight
    assert "120.0" in straight


def test_the_type_is_as_large_as_there_is_room_for(blank):
    def caution_mm(notices):
        page, text = read(job_sheet.render(sheet_of(blank, TOOLS["box-folder"], notices)))
        found = page.get_textpage().search("licensed practice").get_next()
        left, right = (page.get_textpage().get_charbox(found[0] + k)[0] for k in (0, 16))
        return right - left, text

    few, many = caution_mm(("short",)), caution_mm(("long " * 60,) * 9)
    assert few[0] > 1.15 * many[0]
    assert "its long side left to right in the drawing" in few[1]
