import folded_pieces as pieces
import numpy as np
import pypdfium2
import pytest

from digitize.bending_plan.plan import plan
from digitize.bending_plan.tools import TOOLS, Vice
from digitize.bending_plan.wording import how
from digitize.files import job_sheet, shaded
from digitize.folding.solid import fold_up
from digitize.nesting.need import need


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
    document = pypdfium2.PdfDocument(data)
    assert len(document) == 1
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
    page, text = read(job_sheet.render(sheet_of(blank, Vice()), "in", "Letter"))
    assert [round(v) for v in page.get_size()] == [612, 792]
    assert "No order of bends works" in text
    assert "B1 is 152 mm long" in text
    assert "Way out: bend B1 over a steel block" in text
    assert "lb" in text


@pytest.mark.parametrize(
    ("pattern", "paper"),
    [(pieces.tray(), "A4"), (pieces.tray_with_lips(), "Letter"), (pieces.comb(16), "Letter")],
)
def test_nothing_is_drawn_over_the_edge_of_the_page(pattern, paper):
    tool = Vice() if pattern.name == "comb" else TOOLS["straight-folder"]
    sheet = sheet_of(pieces.developed(pattern), tool, ("long " * 60,) * 9)
    page, text = read(job_sheet.render(sheet, paper=paper))
    assert "people alive" in text
    pixels = np.asarray(page.render(scale=1).to_pil().convert("L"))
    for rim in (pixels[:20], pixels[-20:], pixels[:, :20], pixels[:, -20:]):
        assert rim.min() == 255


def test_words_say_where_the_fingers_go(blank):
    found = plan(blank, TOOLS["box-folder"], "mild-steel")
    words = how(blank, found.tool, found.steps[-1], lambda mm: f"{mm:.0f} mm")
    assert words.startswith("F1 lies under the clamp")
    assert "from 1 mm inside the" in words or "in the middle" in words
