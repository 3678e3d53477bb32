"""Every command, run as a person runs it; the photo is a drawn-on scan of a sheet."""

import json

import numpy as np
import pypdfium2
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from digitize.cli.main import MISSING_LIBRARY
from digitize.pattern import document
from digitize.pattern.contour import Circle
from digitize.pattern.model import Pattern
from digitize.sheets import printing
from digitize.sheets.page import page

DPI = 127.0  # 5 pixels to the millimetre


@pytest.fixture(scope="session")
def scan(tmp_path_factory):
    """A scanned A4 ring with a rectangle of 80 by 50 mm drawn in it, and one hole."""
    drawn = page("ring", "A4", 9)
    image = Image.fromarray(255 - printing.ink(drawn, DPI // 1 * 4))
    draw = ImageDraw.Draw(image)
    k = 20  # pixels to the millimetre while drawing
    draw.rectangle([70 * k, 110 * k, 150 * k, 160 * k], outline=20, width=int(1.2 * k))
    draw.ellipse([100 * k, 125 * k, 120 * k, 145 * k], outline=20, width=int(1.2 * k))
    image = image.reduce(4).convert("RGB")
    noise = np.random.default_rng(3).normal(0.0, 1.5, np.asarray(image).shape)
    photo = np.clip(60 + np.asarray(image) * 0.6 + noise, 0, 255).astype(np.uint8)
    path = tmp_path_factory.mktemp("scan") / "hatch-cover.png"
    Image.fromarray(photo).save(path)
    return path


def test_every_command_has_help(digitize):
    code, out, _ = digitize("--help")
    assert code == 0
    listed = "trace check phone sheet printer sizes draw blank samples compare fit assemble"
    for command in listed.split():
        assert command in out
        assert digitize(command, "--help")[0] == 0


def test_version(digitize):
    code, out, _ = digitize("--version")
    assert code == 0
    assert out.startswith("digitize 0.")


def test_a_drawing_becomes_a_pattern_with_all_its_files(digitize, scan, tmp_path):
    code, out, err = digitize("trace", scan, "--into", tmp_path / "new", "--line-side", "outside")
    assert code == 0, err
    names = sorted(p.name for p in (tmp_path / "new").iterdir())
    assert names == [
        "hatch-cover-1to1.pdf",
        "hatch-cover-photo.png",
        "hatch-cover-r12.dxf",
        "hatch-cover-topdown.png",
        "hatch-cover.dxf",
        "hatch-cover.pattern.json",
        "hatch-cover.svg",
    ]
    pattern = document.loads((tmp_path / "new" / "hatch-cover.pattern.json").read_text())
    x, y = np.ptp(pattern.outline.points_mm(0.01), axis=0)
    assert (x, y) == pytest.approx((80.0, 50.0), abs=0.15)
    (hole,) = pattern.openings
    # The metal ends outside the outline's line, so inside the hole's.
    assert 2 * hole.radius_mm == pytest.approx(17.6, abs=0.15)
    assert "measure both bars" in out

    code, out, _ = digitize("sizes", tmp_path / "new" / "hatch-cover.pattern.json", "--json")
    assert code == 0
    listed = {(d["name"], d["kind"]): d for d in json.loads(out)["dimensions"]}
    assert listed["H1", "diameter"]["value"] == pytest.approx(17.6, abs=0.15)
    assert listed["H1", "diameter"]["expanded"] > 0

    for name in ("again.dxf", "again.svg", "again.pdf"):
        code, _, err = digitize("draw", tmp_path / "new" / "hatch-cover.pattern.json", name)
        assert code == 0, err
        assert (tmp_path / name).stat().st_size > 500


def test_nothing_is_overwritten_unasked(digitize, scan, tmp_path):
    (tmp_path / "hatch-cover.svg").write_text("mine")
    code, _, err = digitize("trace", scan)
    assert code == 8
    assert "exists already" in err
    assert (tmp_path / "hatch-cover.svg").read_text() == "mine"
    assert [p.name for p in tmp_path.glob("hatch-cover*")] == ["hatch-cover.svg"]


def test_a_template_is_true_on_a_printer_known_to_be_off(digitize, tmp_path):
    lid = Pattern("lid", Circle((0.0, 0.0), 60.0))
    (tmp_path / "lid.pattern.json").write_text(document.dumps(lid))
    measured = 190.0 * 0.99, 260.0 * 1.005  # the bars of an A4 ring, 190 and 260 mm
    assert digitize("printer", "office", "--across", measured[0], "--up", measured[1])[0] == 0
    spans = {}
    for name, more in (("plain.pdf", ()), ("office.pdf", ("--printer", "office"))):
        code, _, err = digitize("draw", "lid.pattern.json", name, *more)
        assert code == 0, err
        page = pypdfium2.PdfDocument(tmp_path / name)[0]
        grey = page.render(scale=200 / 72, grayscale=True).to_numpy().squeeze()
        labels, _ = ndimage.label(grey < 128, np.ones((3, 3)))
        boxes = ndimage.find_objects(labels)
        largest = max(boxes, key=lambda b: b[0].stop - b[0].start)
        spans[name] = [25.4 / 200 * (b.stop - b.start) for b in (largest[1], largest[0])]
    assert spans["plain.pdf"] == pytest.approx([120.3, 120.3], abs=0.2)
    # Printed, 0.99 across and 1.005 up make 120 mm of these again.
    printed = spans["office.pdf"][0] * 0.99, spans["office.pdf"][1] * 1.005
    assert printed == pytest.approx([120.3, 120.3], abs=0.2)
    assert spans["office.pdf"][0] - spans["office.pdf"][1] > 1.4


def test_a_printer_has_nothing_to_do_with_a_cutter(digitize, tmp_path):
    lid = Pattern("lid", Circle((0.0, 0.0), 60.0))
    (tmp_path / "lid.pattern.json").write_text(document.dumps(lid))
    code, _, err = digitize("draw", "lid.pattern.json", "lid.dxf", "--printer", "office")
    assert code == 2
    assert "only a .pdf" in err
    code, _, err = digitize("draw", "lid.pattern.json", "lid.pdf", "--printer", "office")
    assert code == 2
    assert "office" in err


def test_json_gives_dimensions_and_files(digitize, scan, tmp_path):
    code, out, err = digitize("trace", scan, "--json", "--name", "lid", "--into", "lids")
    assert code == 0, err
    result = json.loads(out)
    assert result["patterns"][0]["name"] == "lid"
    assert any(n["code"] == "print-unmeasured" for n in result["patterns"][0]["notices"])
    assert all((tmp_path / f).exists() for f in result["files"])


def test_a_fault_is_one_sentence_and_a_code_also_as_json(digitize, tmp_path):
    Image.new("RGB", (800, 600), (120, 120, 120)).save(tmp_path / "wall.png")
    code, out, err = digitize("trace", "wall.png", "--json")
    assert code == 4
    assert err.count("\n") == 1
    assert err.startswith("digitize: ")
    assert json.loads(out)["error"]["kind"] == "NoTargetFound"
    assert not list(tmp_path.glob("wall*.dxf"))


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("trace", "missing.jpg"), 3, "missing.jpg"),
        (("trace", "notes.txt"), 3, "notes.txt"),
        (("sizes", "missing.pattern.json"), 7, "cannot be read"),
        (("sizes", "notes.txt"), 7, "JSON (notes.txt, line 1, column 1)"),
        (("assemble", "missing.json"), 7, "no such file"),
        (("sheet", "ring", "--paper", "A9"), 2, "A9"),
        (("sheet", "ring", "--number", "99"), 2, "99"),
        (("printer", "office"), 2, "office"),
        (("printer", "office", "--across", "190"), 2, "both bars"),
        (("printer", "office", "--across", "19", "--up", "26"), 2, "centimetres"),
        (("trace", "notes.txt", "--thickness", "thin"), 2, "is not a length"),
        (("trace", "notes.txt", "--region", "1,2,3"), 2, "x0,y0,x1,y1"),
        (("trace", "notes.txt", "--region=-5,2,-5,3"), 2, "encloses nothing"),
        (("trace", "notes.txt", "--name", "a/b"), 2, "cannot name files"),
        (("trace", "notes.txt", "-t", "20"), 2, "no sheet metal"),
        (("samples", "nowhere"), 1, "no sample photographs"),
        (("assemble", "notes.txt", "--into", "steps"), 7, "no JSON (line 1, column 1)"),
        (("join", "lid.pattern.json"), 7, "one face alone"),
        (("join", "lid.pattern.json", "--name", "a/b"), 2, "cannot name files"),
        (("blank", "lid.pattern.json", "--name", "a/b"), 2, "cannot name files"),
        (("nest", "lid.pattern.json", "--sheet", "500x500", "--name", ".."), 2, "cannot name"),
        (("nest", "lid.pattern.json", "--sheet", "500x500", "--into", "notes.txt"), 8, "folder"),
    ],
)
def test_what_is_wrong_is_said(digitize, tmp_path, words, code, sentence):
    (tmp_path / "notes.txt").write_text("buy snips")
    lid = Pattern("lid", Circle((0.0, 0.0), 60.0), thickness_mm=1.0)
    (tmp_path / "lid.pattern.json").write_text(document.dumps(lid))
    found, _, err = digitize(*words)
    assert found == code
    assert sentence in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lid.pattern.json", "notes.txt"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("sizes",), "Missing argument"),
        (("sizes", "x.json", "--units", "inch"), "'inch' is not one of 'mm', 'in'"),
        (("check", "x.jpg", "--sheet", "four"), "valid integer"),
        (("sizes", "x.json", "--colour"), "No such option: --colour"),
        (("trace", "x.jpg", "--thickness", "0"), "--thickness: must be more than zero"),
    ],
)
def test_a_wrong_command_line_is_one_sentence_too(digitize, words, sentence):
    code, out, err = digitize(*words, "--json")
    assert code == 2
    assert err.count("\n") == 1
    assert err.startswith("digitize: ")
    assert err.endswith(f" (see 'digitize {words[0]} --help').\n")
    assert sentence in err
    assert "Value error" not in err
    assert "unable to parse" not in err
    assert json.loads(out)["error"]["kind"] == "Usage"


def test_without_a_command_the_help_is_shown(digitize):
    code, out, _ = digitize()
    assert code == 2
    assert "Usage: digitize" in out
    assert digitize("straighten")[2].startswith("digitize: No such command 'straighten'")


def test_a_silhouette_without_thickness_is_refused(digitize, scan):
    code, _, err = digitize("trace", scan, "--mode", "silhouette")
    assert code == 2
    assert "thickness" in err


def test_samples_stop_before_the_work_where_their_files_stand(digitize, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    facts = {"photo": "gusset.jpg", "about": "A gusset.", "targets": [], "pieces": []}
    (folder / "gusset.json").write_text(json.dumps(facts))
    (folder / "notes.json").write_text('{"colour": "grey"}')
    (folder / "broken.json").write_text("{")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "gusset.svg").write_text("mine")
    code, out, err = digitize("samples", "photos")
    assert code == 8
    assert out == ""
    assert "gusset.svg" in err
    assert "--overwrite" in err
    (folder / "gusset.json").unlink()
    code, _, err = digitize("samples", "photos")
    assert code == 1
    assert "there are no sample photographs (photos)" in err


def test_samples_that_fail_end_with_a_sentence_and_a_code(digitize, tmp_path):
    target = {"form": "ring", "print_scale": [1.0, 1.0]}
    facts = {"photo": "lost.jpg", "about": "Gone.", "targets": [target], "pieces": [{}]}
    (tmp_path / "lost.json").write_text(json.dumps(facts | {"mode": "ink"}))
    code, out, err = digitize("samples", ".")
    assert code == 1
    assert "could not be traced: There is no file" in out
    assert err == "digitize: 1 of 1 photographs could not be traced (out).\n"


def test_the_wrong_sheet_is_named(digitize, scan):
    code, _, err = digitize("trace", scan, "--sheet", "5")
    assert code == 4
    assert "5" in err


def test_sheets_are_written_and_the_printer_is_kept(digitize, tmp_path, scan):
    code, out, _ = digitize("sheet", "card", "--paper", "Letter", "--units", "in")
    assert code == 0
    assert (tmp_path / "card-letter-1.pdf").read_bytes().startswith(b"%PDF")
    assert "digitize printer" in out
    assert digitize("sheet", "ring", "--file", "ring.png")[0] == 0
    assert digitize("sheet", "ring", "--file", "ring.doc")[0] == 2
    assert digitize("sheet", "card", "--into", "prints")[0] == 0
    assert (tmp_path / "prints" / "card-a4-1.pdf").is_file()

    assert "No printer" in digitize("printer")[1]
    code, out, _ = digitize("printer", "office", "--across", "189.6", "--up", "259.2 mm")
    assert code == 0
    assert "99.79 % across and 99.69 % up" in out
    assert digitize("printer")[1].strip() == "office"
    assert "99.79 %" in digitize("printer", "office")[1]
    assert digitize("printer", "office", "--across", "190", "--up", "260")[0] == 8

    code, out, _ = digitize("trace", scan, "--into", "o", "--json")
    notices = {n["code"] for n in json.loads(out)["patterns"][0]["notices"]}
    assert "printer-assumed" in notices
    assert "print-unmeasured" not in notices


def test_the_bars_of_an_inch_sheet_are_known_by_their_length(digitize):
    """7 and 9 in bars measured with a metric rule: no printer scales a page to 93.6 x 95.3 %."""
    words = ("--paper", "Letter", "--across", "177.8mm", "--up", "228.6mm")
    _, out, _ = digitize("printer", "den", *words)
    assert "100.00 % across and 100.00 % up" in out


def test_of_several_printers_one_must_be_named(digitize, scan):
    for name in ("shed", "den"):
        digitize("printer", name, "--across", "190", "--up", "260")
    _, out, _ = digitize("trace", scan, "--into", "several", "--json")
    notices = {n["code"]: n for n in json.loads(out)["patterns"][0]["notices"]}
    assert "den, shed" in notices["printer-unnamed"]["text"]


def test_a_missing_system_library_is_named(digitize, monkeypatch):
    def broken(**_):
        raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr("digitize.cli.main.app", broken)
    code, _, err = digitize("trace", "x.jpg")
    assert code == 1
    assert MISSING_LIBRARY.format(name="libGL.so.1") in err
