"""Writers meet absurd patterns, names, paper, pictures and folders."""

from __future__ import annotations

import io
import math
import os
import stat
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import ezdxf.recover
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from digitize.errors import DigitizeError
from digitize.files import dxf, svg
from digitize.files.atomic import NotWritten, write_bytes
from digitize.files.paper import writer as paper
from digitize.files.paper.tiling import TooManyPages
from digitize.files.pictures import photo_proof, topdown_proof
from digitize.files.pictures.photo_proof import Overlay
from digitize.files.pictures.topdown_proof import TopdownPicture
from digitize.pattern.contour import Circle, Contour, Slot
from digitize.pattern.model import BendLine, Pattern, PointMark
from digitize.pattern.segments import Arc, Line

RENDERERS: dict[str, Callable[[Pattern], bytes]] = {
    "dxf": dxf.render,
    "svg": svg.render,
    "pdf": paper.render,
    "png": topdown_proof.render,
}


def plate(width: float = 80.0, height: float = 50.0, name: str = "plate") -> Pattern:
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    edges = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    return Pattern(name, Contour.of(edges), (Circle((width / 2, height / 2), height / 8),))


def pages(data: bytes) -> int:
    document = pypdfium2.PdfDocument(data)
    try:
        return len(document)
    finally:
        document.close()


@pytest.mark.parametrize("kind", RENDERERS)
def test_a_file_that_is_there_stays_as_it_is(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"p.{kind}"
    path.write_bytes(b"dear to somebody")
    with pytest.raises(NotWritten, match="exists already"):
        write_bytes(path, RENDERERS[kind](plate()))
    assert path.read_bytes() == b"dear to somebody"
    write_bytes(path, RENDERERS[kind](plate()), overwrite=True)
    assert len(path.read_bytes()) > 500
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("kind", RENDERERS)
def test_no_folder_no_file(tmp_path: Path, kind: str) -> None:
    with pytest.raises(NotWritten, match="could not be written"):
        write_bytes(tmp_path / "missing" / "p", RENDERERS[kind](plate()))
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
@pytest.mark.parametrize("kind", RENDERERS)
def test_a_locked_folder_says_so(tmp_path: Path, kind: str) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        with pytest.raises(NotWritten, match="permission"):
            write_bytes(tmp_path / "p", RENDERERS[kind](plate()))
    finally:
        tmp_path.chmod(stat.S_IRWXU)


NAMES = [
    "",
    "../../etc/plate",
    "a\nb\r\n  0\nEOF\n",
    "<script>&\"'</script>",
    "%%d %%u ^J \\U+0041 \\P {\\fArial;x}",
    "Przegroda żółć, Größe 5½″",
    "銹びた板 \N{WRENCH} \x00\x07",
    "x" * 3000,
]


@pytest.mark.parametrize("name", NAMES)
def test_any_name_gives_files_that_can_be_read(name: str) -> None:
    pattern = plate(name=name)
    for version in ("R2010", "R12"):
        data = dxf.render(pattern, dxf.DxfOptions(version=version))  # type: ignore[arg-type]
        document, auditor = ezdxf.recover.read(io.BytesIO(data))
        assert not auditor.errors
        assert len(document.modelspace().query("CIRCLE")) == 1
        assert len(document.modelspace().query("TEXT")) == 4
    root = ET.fromstring(svg.render(pattern))
    assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert pages(paper.render(pattern)) == 1
    image = Image.open(io.BytesIO(topdown_proof.render(pattern)))
    assert max(image.size) < 4500


def test_a_name_is_kept_in_dxf_and_svg_text() -> None:
    name = "Größe 5½ / żółć"
    document, _ = ezdxf.recover.read(io.BytesIO(dxf.render(plate(name=name))))
    assert name in [t.dxf.text for t in document.modelspace().query("TEXT")]
    assert name in svg.render(plate(name=name)).decode()


def test_a_huge_pattern_is_refused_on_paper_but_written_for_machines() -> None:
    barn = plate(12000.0, 8000.0)
    with pytest.raises(TooManyPages, match="pages") as refused:
        paper.render(barn)
    assert "DXF" in str(refused.value)
    assert pages(paper.render(plate(1500.0, 400.0))) > 8
    _, auditor = ezdxf.recover.read(io.BytesIO(dxf.render(barn)))
    assert not auditor.errors
    assert b'width="12010mm"' in svg.render(barn)
    assert max(Image.open(io.BytesIO(topdown_proof.render(barn))).size) < 4000


def test_thousands_of_edges_and_holes() -> None:
    n = 3000
    points = [
        (400 + (300 + 2 * (i % 2)) * math.cos(a), 300 + (200 + 2 * (i % 2)) * math.sin(a))
        for i, a in enumerate(math.tau * k / n for k in range(n))
    ]
    edges = [Line(a, b) for a, b in zip(points, [*points[1:], points[0]], strict=True)]
    holes = tuple(Circle((250 + 10 * (i % 30), 220 + 10 * (i // 30)), 2) for i in range(400))
    sieve = Pattern("sieve", Contour.of(edges), holes)
    assert len(dxf.render(sieve)) > 100_000
    assert pages(paper.render(sieve)) > 4
    assert topdown_proof.render(sieve)


def test_things_given_twice_and_things_of_no_length() -> None:
    """Duplicates are drawn once; empty edges and bends do no harm."""
    corners = [(0.0, 0.0), (60.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0), (0.0, 40.0)]
    edges = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    twice = Pattern(
        "twice",
        Contour.of(edges),
        (Circle((10, 10), 2), Circle((10, 10), 2), Slot((30, 20), (40, 20), 3)) * 2,
        (BendLine((0, 30), (60, 30)), BendLine((0, 30), (60, 30)), BendLine((5, 5), (5, 5))),
        (PointMark((20, 20)), PointMark((20, 20))),
    )
    document, auditor = ezdxf.recover.read(io.BytesIO(dxf.render(twice)))
    assert not auditor.errors
    space = document.modelspace()
    assert len(space.query("CIRCLE")) == 1
    assert sorted(len(p) for p in space.query("LWPOLYLINE")) == [4, 4]
    assert len(space.query('LINE[layer=="POINT_MARK"]')) == 2
    root = ET.fromstring(svg.render(twice))
    assert len(list(root.iter("{http://www.w3.org/2000/svg}circle"))) == 1
    assert pages(paper.render(twice)) == 1


def test_two_arcs_make_an_outline() -> None:
    lens = Pattern("lens", Contour.of([Arc((0, 0), (50, 0), 0.4), Arc((50, 0), (0, 0), 0.4)]))
    document, _ = ezdxf.recover.read(io.BytesIO(dxf.render(lens)))
    (loop,) = document.modelspace().query("LWPOLYLINE")
    assert len(loop) == 2
    assert loop.closed
    assert pages(paper.render(lens)) == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (paper.PaperOptions("B7"), "no paper called 'B7'.*A4"),
        (paper.PaperOptions(overlap_mm=0.0), "overlap by 0 mm"),
        (paper.PaperOptions(overlap_mm=math.nan), "overlap by nan mm"),
        (paper.PaperOptions(print_scale=(1.0, 0.5)), "scales the page"),
    ],
)
def test_absurd_paper_is_refused_in_one_sentence(options: paper.PaperOptions, says: str) -> None:
    with pytest.raises(DigitizeError, match=says):
        paper.render(plate(), options)


def test_turning_saves_paper_where_it_can() -> None:
    rod = plate(290.0, 8.0)
    straight, turned = (paper.PaperOptions("A4", turn=t) for t in (False, True))
    long_rod = plate(300.0, 8.0)
    assert len(paper.layout(long_rod, straight).pages) == 2
    assert len(paper.layout(long_rod, turned).pages) == 1  # along the diagonal
    assert len(paper.layout(rod, turned).pages) == 1


@pytest.mark.parametrize("shape", [(1, 1, 3), (40, 9000, 3), (9000, 40, 3), (200, 300, 3)])
def test_photos_of_any_shape_give_a_proof(shape: tuple[int, int, int]) -> None:
    h, w, _ = shape
    overlays = [
        Overlay(np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]), "outline", closed=True),
        Overlay(np.array([[-1e9, 5.0], [1e9, 5.0]]), "bend", label="B1"),
        Overlay(np.empty((0, 2)), "left-out", label="nothing"),
        Overlay(np.array([[w / 2, h / 2]]), "left-out", label="smudge"),
        Overlay(np.empty((0, 2)), "target"),
    ]
    data = photo_proof.render(np.zeros(shape, np.uint8), overlays, ["title", "word " * 200])
    image = Image.open(io.BytesIO(data))
    assert image.width <= 2400


def test_sixteen_bit_photos_give_a_proof_and_other_arrays_do_not() -> None:
    grey = np.full((300, 400, 3), 40000, np.uint16)
    image = np.asarray(Image.open(io.BytesIO(photo_proof.render(grey, []))))
    assert image[10, 10].tolist() == [40000 >> 8] * 3
    with pytest.raises(ValueError, match="8 or 16 bits"):
        photo_proof.render(np.zeros((300, 400, 3)), [])
    with pytest.raises(ValueError, match="height, width, 3"):
        photo_proof.render(np.zeros((300, 400), np.uint8), [])


def test_a_picture_that_lies_elsewhere_leaves_the_topdown_proof_white() -> None:
    picture = TopdownPicture(np.zeros((100, 100, 3), np.uint8), (5000.0, 5000.0, 5100.0, 5100.0))
    image = np.asarray(Image.open(io.BytesIO(topdown_proof.render(plate(), picture))))
    assert image.mean() > 220
