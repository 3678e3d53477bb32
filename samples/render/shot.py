"""One photograph to be made: what lies on the bench, the light, the camera, the truth."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
import shapely
from lens import Lens
from numpy.typing import NDArray
from paint import Canvas, Pen, along, closed, dashes, noise, print_page, ramp, stroke, without
from PIL import Image
from sensor import Sensor
from shapes import Part
from solids import Box, page, plate
from transport import Room

from digitize.sheets.layout import Sheet
from digitize.sheets.page import page as page_of
from digitize.sheets.printing import png_bytes

FloatArray = NDArray[np.float64]


@dataclass
class Target:
    """A printed target as it lies there: nominal mm times scale, turned, shifted."""

    sheet: Sheet
    scale: tuple[float, float]
    at_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    height_mm: float = 0.0
    bow_mm: float = 0.0  # how far the middle of its long side stands up
    page_y_mm: tuple[float, float] = (0.0, 0.0)  # lower and upper edge of the paper, true mm

    def place(self, nominal_mm: FloatArray) -> FloatArray:
        """True places (N, 2) in the frame of the first target of nominal points (N, 2)."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        p = nominal_mm * np.array(self.scale)
        return p @ np.array([[c, s], [-s, c]]) + np.array(self.at_mm)

    def height(self, y_mm: FloatArray) -> FloatArray:
        """Height (N,) over the bench at true places y (N,) in the target's own frame."""
        if self.bow_mm == 0.0:
            return np.full(np.shape(y_mm), self.height_mm)
        low, high = self.page_y_mm
        share = (2 * y_mm - low - high) / (high - low)
        return self.height_mm + self.bow_mm * (1.0 - share**2)

    def standing(self, nominal_mm: FloatArray) -> FloatArray:
        """True places (N, 3) of nominal points (N, 2), with their height."""
        flat = self.place(nominal_mm)
        return np.column_stack((flat, self.height(nominal_mm[:, 1] * self.scale[1])))

    def truth(self) -> dict[str, Any]:
        q = self.sheet
        return {
            "form": q.form,
            "paper": q.paper,
            "number": q.number,
            "columns": q.columns,
            "rows": q.rows,
            "square_mm": q.square_mm,
            "band": q.band,
            "print_scale": list(self.scale),
            "at_mm": list(self.at_mm),
            "turn_deg": self.turn_deg,
            "height_mm": self.height_mm,
            "bow_mm": self.bow_mm,
            "page_y_mm": list(self.page_y_mm),
        }


@dataclass
class Shot:
    name: str
    about: str
    lens: Lens
    mode: str  # "silhouette" or "ink"
    sensor: Sensor = field(default_factory=Sensor)
    objects: dict[str, Any] = field(default_factory=dict)
    targets: list[Target] = field(default_factory=list)
    pieces: list[dict[str, Any]] = field(default_factory=list)
    edges: list[FloatArray] = field(default_factory=list)  # of metal, which is on their left
    extra: dict[str, Any] = field(default_factory=dict)
    room: Room = field(default_factory=Room)
    samples: int = 25  # a square number, for the sampler
    bounces: int = 2
    beneath_mm: float = 0.0  # height of the highest thing seen past the metal's edges

    def add(self, name: str, thing: Any) -> None:
        assert name not in self.objects, name
        self.objects[name] = thing

    def table(self, height_mm: float = -0.4, seed: int = 5) -> None:
        """The bench top: a dark worn board, large enough to fill the picture."""
        box = (-900.0, -900.0, 1300.0, 1300.0)
        canvas = Canvas.filled(box, 0.6, (0, 0, 0))
        shape = canvas.pixels.shape[:2]
        grain = zoomed_grain(shape, seed)
        blot = noise(shape, 0.6, 60.0, seed + 1)
        canvas.pixels = ramp(
            grain * 0.8 + blot * 0.5,
            [(-2, (0.10, 0.075, 0.055)), (0, (0.20, 0.15, 0.105)), (2, (0.29, 0.23, 0.17))],
        )
        self.add("table", page("table", canvas.box, matt(canvas), height_mm=height_mm))

    def target(
        self,
        target: Target,
        *,
        dark: float = 0.035,
        light: float = 0.80,
        margins_mm: Box = (15.0, 15.0, 15.0, 15.0),
    ) -> Canvas:
        """Print a target; returns its canvas, in nominal mm, which ``lay`` puts down."""
        self.targets.append(target)
        return sheet_canvas(target.sheet, dark, light, target.sheet.number, margins_mm)

    def lay(self, target: Target, canvas: Canvas) -> None:
        """Put the printed page into the scene."""
        x0, y0, x1, y1 = canvas.box
        sx, sy = target.scale
        flat = Target(target.sheet, (1.0, 1.0), target.at_mm, target.turn_deg)
        target.page_y_mm = (y0 * sy, y1 * sy)

        self.add(
            f"sheet_{len(self.objects)}",
            page(
                "sheet",
                (x0 * sx, y0 * sy, x1 * sx, y1 * sy),
                matt(canvas),
                height_mm=0.0 if target.bow_mm else target.height_mm,
                bow=(lambda x, y: target.height(y)) if target.bow_mm else None,
                turn=flat.place,
            ),
        )

    def plate(
        self,
        part: Part,
        thickness_mm: float,
        bsdf: dict[str, Any],
        box: Box,
        *,
        bevel_mm: float = 0.05,
        outline: FloatArray | None = None,
        openings: list[FloatArray] | None = None,
        **facts: Any,
    ) -> None:
        """A piece of sheet metal on the paper.  ``outline`` replaces the sound edge's points."""
        points = part.outline.points() if outline is None else outline
        rings = [o.points() for o in part.openings] if openings is None else openings
        self.edges += [points, *(ring[::-1] for ring in rings)]
        self.add(
            part.name,
            plate(
                part.name,
                points,
                rings,
                mi.load_dict(bsdf),
                thickness_mm=thickness_mm,
                box=box,
                bevel_mm=bevel_mm,
            ),
        )
        self.pieces.append(
            {**part.truth(), "thickness_mm": thickness_mm, "bevel_mm": bevel_mm, **facts}
        )

    def drawing(
        self,
        part: Part,
        canvas: Canvas,
        pen: Pen,
        *,
        height_mm: float,
        rng: np.random.Generator,
        dash_mm: tuple[float, float] = (7.0, 4.0),
        cross_mm: float = 6.0,
        gaps: tuple[tuple[float, float], ...] = (),
        scale: tuple[float, float] = (1.0, 1.0),
        **facts: Any,
    ) -> None:
        """A part drawn in ink on a canvas.

        ``gaps`` are stretches of the outline left undrawn, as (start, length) in mm along it
        from its first point.  ``scale`` is true mm per canvas mm, for drawing on a printed page.
        """

        def draw(points: FloatArray) -> None:
            stroke(canvas, points / np.array(scale), pen, rng)

        ring = closed(part.outline.points(0.003))
        open_at = []
        if gaps:
            for run in without(ring, gaps):
                draw(run)
            for start, length in gaps:
                ends = along(ring, np.array([start, start + length]))
                open_at.append({"start_mm": ends[0].tolist(), "end_mm": ends[1].tolist()})
        else:
            draw(ring)
        for opening in part.openings:
            draw(closed(opening.points(0.003)))
        for a, b in part.bends:
            for dash in dashes(a, b, *dash_mm):
                draw(dash)
        for x, y in part.marks:
            half, turn = cross_mm / 2, float(rng.uniform(-0.3, 0.3))
            for k in (0, 1):
                d = half * np.array([np.cos(turn + k * np.pi / 2), np.sin(turn + k * np.pi / 2)])
                at = np.array([x, y])
                draw(np.array([at - d, at + d]))
        self.pieces.append(
            {
                **part.truth(),
                "stroke_width_mm": pen.width_mm,
                "surface_height_mm": height_mm,
                "gaps": open_at,
                **facts,
            }
        )

    def scene(self) -> Any:
        return mi.load_dict({"type": "scene", **self.objects})


def matt(canvas: Canvas) -> Any:
    """Paper, board, ink: scatters evenly."""
    return mi.load_dict(
        {"type": "twosided", "b": {"type": "diffuse", "reflectance": canvas.texture()}}
    )


def zoomed_grain(shape: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Wood grain: noise stretched along x."""
    narrow = noise((shape[0], shape[1] // 60 + 8), 0.6, 2.0, seed)
    return cv2.resize(narrow, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC).astype(
        np.float32
    )


def sheet_canvas(sheet: Sheet, dark: float, light: float, seed: int, margins_mm: Box) -> Canvas:
    """The printed page of a target in nominal millimetres of its lattice frame.

    Coded sheets are the very page that ``digitize`` prints, 20 texels to the millimetre, on
    which every printed edge falls between two texels.  A checkerboard is painted here, with
    margins left, below, right and above.
    """
    if sheet.form == "checkerboard":
        w, h = sheet.size_mm
        s = sheet.square_mm
        left, below, right, above = margins_mm
        cover = Canvas.filled((-left, -below, w + right, h + above), 0.05, (1.0,))
        for row in range(sheet.rows):
            for column in range(sheet.columns):
                if sheet.black(column, row):
                    x, y = column * s, row * s
                    cover.rectangle(x, y, x + s, y + s, (0.0,))
        return print_page(cover.box, cover.pixels[..., 0], dark, light, seed)
    printed = page_of(sheet.form, sheet.paper, sheet.number)
    placed = next(t for t in printed.targets if t.sheet == sheet)
    coded = np.asarray(Image.open(io.BytesIO(png_bytes(printed))).convert("L")) / 255.0
    white = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    ox, oy = placed.origin_mm
    whole = (-ox, -oy, printed.size_mm[0] - ox, printed.size_mm[1] - oy)
    canvas = print_page(whole, white.astype(np.float32), dark, light, seed)
    if sheet.form == "card":
        m = 5.0  # cut out with scissors
        canvas = canvas.cropped(-m, -m, sheet.size_mm[0] + m, sheet.size_mm[1] + m)
    return canvas


def white_spots(target: Target) -> FloatArray:
    """Places (N, 3) of bare paper between printed squares, to judge the exposure by."""
    q = target.sheet
    at = [
        ((c + 0.1) * q.square_mm, (r + 0.5) * q.square_mm)
        for c in range(q.columns)
        for r in range(q.rows)
        if q.printed(c, r) and not q.black(c, r)
    ]
    return target.standing(np.array(at))


def work_box(target: Target) -> Box:
    """The blank middle of a ring in true mm."""
    area = target.sheet.work_area_mm
    assert area is not None
    p = target.place(np.array([[area[0], area[1]], [area[2], area[3]]]))
    return (float(p[0, 0]), float(p[0, 1]), float(p[1, 0]), float(p[1, 1]))


def contains(box: Box, part: Part) -> bool:
    return bool(shapely.box(*box).contains(shapely.Polygon(part.outline.points(0.05))))


def samples_folder() -> Path:
    return Path(__file__).resolve().parent.parent
