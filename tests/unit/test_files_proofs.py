import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from digitize.files.atomic import write_bytes
from digitize.files.pictures import photo_proof, topdown_proof
from digitize.files.pictures.palette import COLOURS, Kind
from digitize.files.pictures.photo_proof import Overlay
from digitize.files.pictures.picture import Lettering, tag_size, text_size
from digitize.files.pictures.tag_places import TagPlaces, overlap
from digitize.files.pictures.topdown_proof import Callout, default_callouts
from digitize.pattern.contour import Circle, Contour, Edge, Slot
from digitize.pattern.dimensions import dimensions
from digitize.pattern.extent import Box
from digitize.pattern.model import BendLine, Pattern, PointMark, Precision
from digitize.pattern.placement import placed
from digitize.pattern.segments import Line, Point

GREY = 70


def decoded(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data))).astype(int)


def close_to(image: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.abs(image - colour).max(axis=2) < 25


def of_outline(image: np.ndarray) -> np.ndarray:
    """Places (row, column) of the outline's colour, without the key under the picture."""
    above = image[: round(0.72 * len(image))]
    return np.argwhere(close_to(above, COLOURS["outline"]))


def plate() -> Pattern:
    corners: list[Point] = [(0.0, 0.0), (200.0, 0.0), (200.0, 120.0), (0.0, 120.0)]
    edges = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    window: list[Point] = [(120.0, 60.0), (160.0, 60.0), (160.0, 90.0), (120.0, 90.0)]
    return Pattern(
        "step plate",
        Contour(tuple(Edge(s, "restored" if i == 1 else "measured") for i, s in enumerate(edges))),
        (
            Slot((30, 90), (60, 90), 4),
            Circle((40, 40), 5.25),
            Contour.of([Line(a, b) for a, b in zip(window, [*window[1:], window[0]], strict=True)]),
        ),
        (BendLine((0, 20), (200, 20), 90.0, True), BendLine((0, 0), (200, 120), 30.0, False)),
        (PointMark((100, 100)),),
        precision=Precision(0.05, 0.001),
    )


@pytest.mark.parametrize("kind", COLOURS)
def test_each_kind_of_thing_is_drawn_in_its_colour_where_it_was_seen(kind: Kind) -> None:
    photo = np.full((900, 1200, 3), GREY, np.uint8)
    points = np.array([[300.0, 200.0], [500.0, 350.0]])
    image = decoded(photo_proof.render(photo, [Overlay(points, kind)]))
    rows, columns = np.nonzero(close_to(image[:900], COLOURS[kind]))
    assert len(rows) > 6
    alone = kind in ("target", "mark", "left-out")
    for x, y in points:
        assert np.hypot(columns - x, rows - y).min() < (12 if alone else 1.5)
    middle = np.hypot(columns - 400, rows - 275).min()
    assert middle < 1.5 if kind not in ("target", "mark") else middle > 50
    # Nothing is drawn far from what was seen.
    assert (columns.min() > 280) & (columns.max() < 560)  # 560: a number
    assert (rows.min() > 180) & (rows.max() < 370)


def test_what_was_left_out_is_numbered_and_reasons_are_put_together() -> None:
    reasons = ["too small", "too small", "too small", "handwriting", "", "dirt"]
    assert photo_proof._numbered(reasons) == [
        "1 to 3 too small",
        "4 handwriting",
        "5",
        "6 dirt",
    ]


def test_labels_stay_in_the_picture(tmp_path: Path) -> None:
    photo = np.full((900, 1200, 3), GREY, np.uint8)
    corners = [(0.0, 0.0), (1199.0, 0.0), (1199.0, 899.0), (0.0, 899.0)]
    overlays = [
        Overlay(np.array([at]), "mark", label=f"M{i} a long label") for i, at in enumerate(corners)
    ]
    path = write_bytes(tmp_path / "p.png", photo_proof.render(photo, overlays))
    image = decoded(path.read_bytes())[:900]
    edge = close_to(image, COLOURS["mark"])
    for rows in (slice(0, 300), slice(600, 900)):
        for columns in (slice(0, 400), slice(800, 1200)):
            # A whole tag: its frame's four sides are there.
            assert edge[rows, columns].sum(axis=1).max() > 80
            assert (edge[rows, columns].sum(axis=1) > 80).sum() >= 4


def test_callouts_say_sizes_by_the_names_of_the_dimension_list() -> None:
    assert [c.text for c in default_callouts(plate())] == [
        "S1 38.00 × 8.00 ± 0.17",
        "H1 Ø10.50 ± 0.15",
        "C1 40.00 × 30.00 ± 0.17",
        "B1 90° up, 20.00 ± 0.15 to E1",
        "B2 30° down",
        "M1",
    ]
    plain = Pattern("lid", Circle((0, 0), 50.8), (Circle((0, 0), 12.7),))
    assert [c.text for c in default_callouts(plain, "in")] == ["H1 Ø1.000"]


def test_the_topdown_proof_draws_everything_in_its_place() -> None:
    data = topdown_proof.render(plate(), callouts=())
    image = decoded(data)
    outline = of_outline(image)
    (y0, x0), (y1, x1) = outline.min(axis=0), outline.max(axis=0)
    assert (x1 - x0) / (y1 - y0) == pytest.approx(200 / 120, rel=0.01)
    px_per_mm = (y1 - y0) / 120
    for kind, x, y in (
        ("restored", 200, 60),
        ("bend", 100, 20),
        ("bend", 150, 90),
        ("mark", 100, 100),
        ("opening", 40, 45.25),
        ("opening", 45, 94),
        ("opening", 140, 60),
    ):
        at = x0 + x * px_per_mm, y1 - y * px_per_mm
        found = np.argwhere(close_to(image, COLOURS[kind]))[:, ::-1]  # type: ignore[index]
        assert np.hypot(*(found - at).T).min() / px_per_mm < 0.5, kind


def test_the_topdown_proof_lies_along_the_datum() -> None:
    """Turned by 20 degrees on the sheet, the plate is drawn level all the same."""
    turn = math.radians(20)
    turned = placed(plate(), turn, (31.0, -17.0))
    image = decoded(topdown_proof.render(turned, callouts=()))
    outline = of_outline(image)
    (y0, x0), (y1, x1) = outline.min(axis=0), outline.max(axis=0)
    assert (x1 - x0) / (y1 - y0) == pytest.approx(200 / 120, rel=0.01)
    # Grid and corner: dimension list and picture agree on where the hole is.
    listed = dimensions(turned)
    at = {d.kind: d.value for d in listed.of("H1")}
    assert (at["x"], at["y"]) == pytest.approx((40.0, 40.0))
    px_per_mm = (y1 - y0) / 120
    yellow = np.argwhere(close_to(image, COLOURS["opening"]))[:, ::-1]
    where = x0 + at["x"] * px_per_mm, y1 - (at["y"] + 5.25) * px_per_mm
    assert np.hypot(*(yellow - where).T).min() / px_per_mm < 0.5


def test_the_name_of_a_piece_hides_no_hole() -> None:
    photo = np.full((900, 1200, 3), GREY, np.uint8)
    a = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    circle = np.column_stack((np.cos(a), np.sin(a)))
    # The label's first choice, beside the middle point of the outline, is where the hole is.
    hole, outline = circle * 25 + (385, 450), circle * 250 + (600, 450)
    bare = [Overlay(outline, "outline", closed=True), Overlay(hole, "opening", closed=True)]
    named = [replace(bare[0], label="hatch cover"), bare[1]]
    before, after = (decoded(photo_proof.render(photo, o))[:900] for o in (bare, named))
    rows, columns = np.nonzero(np.abs(before - after).max(axis=2) > 20)
    assert len(rows) > 500
    assert np.hypot(columns - 385, rows - 450).min() > 25


def test_callouts_of_ones_own_are_written() -> None:
    bare = decoded(topdown_proof.render(plate(), callouts=()))
    with_one = decoded(
        topdown_proof.render(plate(), callouts=[Callout("drill first", (100, 60, 100, 60))])
    )
    rows, columns = np.nonzero(np.abs(bare - with_one).max(axis=2) > 20)
    assert len(rows) > 1000
    assert np.ptp(columns) < 400
    assert np.ptp(rows) < 100


def test_inch_and_huge_and_tiny_proofs_keep_to_a_size() -> None:
    for size in (2.0, 200.0, 20000.0):
        for unit in ("mm", "in"):
            lid = Pattern("lid", Circle((0, 0), size))
            image = decoded(topdown_proof.render(lid, unit=unit))  # type: ignore[arg-type]
            assert 1500 < max(image.shape) < 3000


def test_words_on_the_topdown_proof_stand_clear_of_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A mark beside a bend, a row of short edges, and a corner rebuilt right at the datum."""
    boxes: list[tuple[str, Box]] = []
    tag, line = Lettering.tag, Lettering.line

    def tagged(self: Lettering, x: float, y: float, text: str, size: int, **how: Any) -> None:
        w, h = tag_size(text, size)
        boxes.append((text, (x, y, x + w, y + h)))
        tag(self, x, y, text, size, **how)

    def lettered(self: Lettering, x: float, y: float, text: str, size: int, **how: Any) -> None:
        if "outline" in how or (how.get("ground") and how["anchor"] == "mm"):
            w, h = text_size(text, size)
            boxes.append((text, (x - w / 2, y - h / 2, x + w / 2, y + h / 2)))
        line(self, x, y, text, size, **how)

    monkeypatch.setattr(Lettering, "tag", tagged)
    monkeypatch.setattr(Lettering, "line", lettered)
    steps = [(4.0 * k, 0.0 if k % 4 < 2 else 4.0) for k in range(1, 46)]
    corners: list[Point] = [(0.0, 8.0), (4.0, 0.0), *steps, (200.0, 0.0), (200.0, 120.0), (0, 120)]
    edges = [Line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    crowded = replace(
        plate(),
        outline=Contour(
            tuple(Edge(s, "restored" if i < 2 else "measured") for i, s in enumerate(edges))
        ),
        bends=(BendLine((100, 20), (100, 110)), BendLine((106, 20), (106, 110))),
        marks=(PointMark((110, 65)), PointMark((96, 65))),
    )
    topdown_proof.render(crowded)
    words = [text for text, _ in boxes]
    assert {"x", "y", "datum", "M1", "M2", "H1 Ø10.50 ± 0.15"} <= set(words)
    assert sum(word.startswith("B") for word in words) == 2
    assert sum(word.startswith("E") for word in words) > 20
    for i, (one, a) in enumerate(boxes):
        for other, b in boxes[i + 1 :]:
            assert not overlap(a, b), (one, other)


def test_the_topdown_proof_has_a_key_to_every_colour_it_uses() -> None:
    whole = decoded(topdown_proof.render(plate()))
    bare = decoded(topdown_proof.render(Pattern("lid", Circle((0.0, 0.0), 50.0))))
    for kind in ("outline", "opening", "bend", "mark", "restored"):
        key = close_to(whole[round(0.78 * len(whole)) :], COLOURS[kind])  # type: ignore[index]
        assert key.sum() > 100, kind
    for kind in ("opening", "bend", "mark", "restored"):
        assert close_to(bare, COLOURS[kind]).sum() == 0, kind  # type: ignore[index]


def test_words_that_find_no_free_place_are_left_out_or_hide_least() -> None:
    places = TagPlaces((0.0, 0.0, 100.0, 100.0), [(40.0, 40.0, 60.0, 60.0)])
    spots = [(50.0, 45.0, 70.0, 55.0), (95.0, 0.0, 115.0, 10.0)]
    assert places.first_free(spots) is None
    assert places.least_crowded(spots) == (80.0, 0.0, 100.0, 10.0)  # moved into the frame
    assert places.least_crowded(spots) == spots[0]  # half of it hides, the other all
    assert places.first_free([(0.0, 0.0, 9.0, 9.0), (0.0, 0.0, 5.0, 5.0)]) == (0.0, 0.0, 9.0, 9.0)
    assert places.first_free([(0.0, 0.0, 5.0, 5.0)]) is None


def test_the_tag_of_an_upright_bend_lies_on_its_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside the line there was room, and the tag ended at a cross that it did not name."""
    written: dict[str, tuple[float, float]] = {}
    tag = Lettering.tag

    def spy(self: Lettering, x: float, y: float, text: str, size: int, **more: Any) -> None:
        written[text] = x, x + tag_size(text, size)[0]
        tag(self, x, y, text, size, **more)

    monkeypatch.setattr(Lettering, "tag", spy)
    upright = replace(
        plate(), bends=(BendLine((100, 0), (100, 120)),), marks=(PointMark((70, 60)),), openings=()
    )
    image = decoded(topdown_proof.render(upright))
    outline = of_outline(image)[:, 1]
    (left, right) = next(x for text, x in written.items() if text.startswith("B1"))
    assert left < (outline.min() + outline.max()) / 2 < right
