"""Sheets seen by a simulated camera, and the command line.

Where points fall is OpenCV's projection, not ours.
"""

from __future__ import annotations

import dataclasses
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray

from digitize.camera.camera import Camera
from digitize.cli.main import run
from digitize.sheets.catalogue import sheet as catalogue_sheet
from digitize.sheets.layout import Sheet
from digitize.sighting.sighting import Sighting

FloatArray = NDArray[np.float64]

# The same examples on every machine; HYPOTHESIS_PROFILE=default draws new ones.
settings.register_profile("same", derandomize=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))


@dataclass(frozen=True, eq=False)
class View:
    """One camera over one sheet, as it really is."""

    sheet: Sheet
    camera: Camera  # its numbers; its covariance is zero

    def px(self, points_mm: FloatArray) -> FloatArray:
        """Pixels (N, 2) of points (N, 3) by OpenCV."""
        c = self.camera
        (cx, cy), f = c.principal_px, c.focal_px
        seen, _ = cv2.projectPoints(
            np.asarray(points_mm, dtype=float),
            cv2.Rodrigues(c.rotation)[0],
            c.translation_mm,
            np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]),
            np.array([c.k1, c.k2, 0, 0]),
        )
        return np.asarray(seen[:, 0])

    def sighting(
        self,
        rng: np.random.Generator,
        noise_px: float = 0.05,
        heights_mm: Callable[[FloatArray], FloatArray] | None = None,
        printed: tuple[float, float] = (1.0, 1.0),
    ) -> Sighting:
        """What is seen of the sheet, on paper that bulges and prints that are out of scale."""
        nominal = self.sheet.x_corners() * self.sheet.square_mm
        true = nominal * np.array(printed)
        heights = np.zeros(len(true)) if heights_mm is None else heights_mm(true)
        exact = self.px(np.column_stack([true, heights]))
        return Sighting(
            sheet=self.sheet,
            corners_px=exact + rng.normal(0, noise_px, exact.shape),
            corners_mm=nominal.astype(float),
            sigma_px=np.full(len(true), noise_px),
            blur_px=0.8,
            marks_read=9,
        )

    def grid(
        self, height_mm: float = 0.0, count: int = 7, inset: float = 0.05
    ) -> tuple[FloatArray, FloatArray]:
        """Places (N, 2) on the sheet at a height, and the pixels (N, 2) that see them.

        They stay ``inset`` of its sides away from its edges.
        """
        width, height = self.sheet.size_mm
        share = np.linspace(inset, 1 - inset, count)
        x, y = np.meshgrid(width * share, height * share)
        places = np.column_stack([x.ravel(), y.ravel()])
        return places, self.px(np.column_stack([places, np.full(len(places), height_mm)]))


def stand_over(
    sheet: Sheet,
    tilt_deg: float,
    *,
    size_px: tuple[int, int] = (4000, 3000),
    focal_px: float = 3000.0,
    off_middle_px: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
    k2: float = 0.0,
    azimuth_deg: float = 30.0,
    fill: float = 0.88,
) -> View:
    """A camera that looks at the middle of a sheet and has it nearly fill the picture."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    rotation = (
        cv2.Rodrigues(np.array([0.0, 0.0, 0.09]))[0]
        @ np.diag([1.0, -1.0, -1.0])
        @ cv2.Rodrigues(axis * tilt)[0]
    )
    width, height = sheet.size_mm
    distance = max(width / size_px[0], height / size_px[1]) * focal_px / fill
    distance *= 1 + np.sin(tilt) / 2
    centre = np.array([width / 2, height / 2, 0.0]) - distance * rotation[2]
    middle = ((size_px[0] - 1) / 2 + off_middle_px[0], (size_px[1] - 1) / 2 + off_middle_px[1])
    return View(
        sheet,
        Camera(size_px, rotation, -rotation @ centre, focal_px, middle, k1, k2, np.zeros((11, 11))),
    )


@pytest.fixture
def over() -> Callable[..., View]:
    """``stand_over``, for tests that need a view of a sheet."""
    return stand_over


@dataclass(frozen=True, eq=False)
class Picture:
    """What a photo's header tells of it."""

    name: str
    width_px: int = 4000
    height_px: int = 3000
    focal_prior_px: float | None = None
    focal_prior_rel: float | None = None
    maker: str | None = None


@dataclass(frozen=True, eq=False)
class Laid:
    """A sheet on the bench: where its middle lies, and turned by how much."""

    sheet: Sheet
    middle_mm: FloatArray  # (2,)
    angle_rad: float
    printed: tuple[float, float] = (1.0, 1.0)  # over nominal
    heights_mm: Callable[[FloatArray], FloatArray] | None = None  # of places from its middle

    def moved(self, dx_mm: float, dy_mm: float, turn_rad: float) -> Laid:
        """The same sheet after somebody touched it."""
        middle = self.middle_mm + np.array([dx_mm, dy_mm])
        return dataclasses.replace(self, middle_mm=middle, angle_rad=self.angle_rad + turn_rad)

    def on_bench(self, nominal_mm: FloatArray) -> FloatArray:
        """Places (N, 3) of nominal sheet places (N, 2)."""
        local = (nominal_mm - np.array(self.sheet.size_mm) / 2) * np.array(self.printed)
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        heights = np.zeros(len(local)) if self.heights_mm is None else self.heights_mm(local)
        return np.column_stack([local @ np.array([[c, s], [-s, c]]) + self.middle_mm, heights])


@dataclass(frozen=True, eq=False)
class Bench:
    """Numbered sheets, rings and cards in turn, strewn over 1.5 m by 0.7 m, and their photos."""

    sheets: tuple[Laid, ...]
    rng: np.random.Generator

    def view(
        self,
        name: str,
        *,
        look_mm: tuple[float, float] = (750.0, 350.0),
        distance_mm: float = 1500.0,
        tilt_deg: float = 20.0,
        azimuth_deg: float = 30.0,
        focal_px: float = 3000.0,
        off_middle_px: tuple[float, float] = (20.0, -15.0),
        k1: float = -0.05,
        k2: float = 0.03,
        noise_px: float = 0.05,
        picture: Picture | None = None,
        touched: dict[int, Laid] | None = None,
    ) -> tuple[View, object]:
        """The camera as it really is, and what it sees of the sheets as a ``bundle`` view.

        ``touched`` are sheets, by their place in ``sheets``, that lie otherwise in this photo.
        """
        from digitize.bundle.view import View as Shown

        picture = picture or Picture(name)
        size = picture.width_px, picture.height_px
        tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
        axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
        rotation = np.diag([1.0, -1.0, -1.0]) @ cv2.Rodrigues(axis * tilt)[0]
        centre = np.append(look_mm, 0.0) - distance_mm * rotation[2]
        middle = ((size[0] - 1) / 2 + off_middle_px[0], (size[1] - 1) / 2 + off_middle_px[1])
        camera = Camera(
            size, rotation, -rotation @ centre, focal_px, middle, k1, k2, np.zeros((11, 11))
        )
        over = View(self.sheets[0].sheet, camera)
        sightings = []
        for number, usual in enumerate(self.sheets):
            laid = (touched or {}).get(number, usual)
            nominal = np.asarray(laid.sheet.x_corners() * laid.sheet.square_mm, dtype=float)
            px = over.px(laid.on_bench(nominal))
            shown = ((px > 5) & (px < np.array(size) - 6)).all(axis=1)
            if shown.sum() >= 12:
                noise = self.rng.normal(0, noise_px, px.shape)
                sightings.append(
                    Sighting(
                        sheet=laid.sheet,
                        corners_px=(px + noise)[shown],
                        corners_mm=nominal[shown],
                        sigma_px=np.full(int(shown.sum()), noise_px),
                        blur_px=0.8,
                        marks_read=9,
                    )
                )
        sightings.sort(key=lambda s: -len(s.corners_px))
        return over, Shown(picture, tuple(sightings))

    def layout_error_mm(self, placements) -> float:
        """Greatest distance of a corner from its true place, with the frame fitted to it."""
        true = {laid.sheet: laid for laid in self.sheets}
        nominal = [np.asarray(p.sheet.x_corners() * p.sheet.square_mm) for p in placements]
        found = np.vstack([p.to_plane(n) for p, n in zip(placements, nominal, strict=True)])
        real = np.vstack(
            [true[p.sheet].on_bench(n)[:, :2] for p, n in zip(placements, nominal, strict=True)]
        )
        move = fitted_motion(found, real)
        return float(np.hypot(*(move(found) - real).T).max())


def fitted_motion(found: FloatArray, real: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """The turn and shift that bring points (N, 2) nearest to others (Kabsch 1976)."""
    a, b = found.mean(axis=0), real.mean(axis=0)
    u, _, vt = np.linalg.svd((found - a).T @ (real - b))
    turn = u @ np.diag([1.0, np.linalg.det(u @ vt)]) @ vt
    return lambda points: (points - a) @ turn + b


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """A bench with so many sheets, for tests that solve several together."""

    def made(count: int = 6, seed: int = 1) -> Bench:
        rng = np.random.default_rng(seed)
        columns = int(np.ceil(np.sqrt(count * 15 / 7)))
        rows = int(np.ceil(count / columns))
        laid = []
        for k in range(count):
            at = np.array([(k % columns + 0.5) / columns * 1500, (k // columns + 0.5) / rows * 700])
            form = ("card", "ring")[k % 2]
            angle = rng.uniform(-np.pi, np.pi)
            laid.append(
                Laid(catalogue_sheet(form, "A4", k + 1), at + rng.uniform(-20, 20, 2), angle)
            )
        return Bench(tuple(laid), rng)

    return made


@pytest.fixture
def photographed() -> Callable[..., tuple[object, Callable[[FloatArray], FloatArray]]]:
    """``warped``, for tests that need a picture of a printed page."""
    return warped


def warped(
    form: str,
    paper: str,
    number: int,
    rim_px: FloatArray,
    *,
    size_px: tuple[int, int] = (1280, 960),
    finer: int = 3,
    change: Callable[[FloatArray], FloatArray] | None = None,
    quality: int = 92,
    seed: int = 1,
) -> tuple[object, Callable[[FloatArray], FloatArray]]:
    """A printed page among litter, warped by OpenCV, as a ``Photo``, and where places fall.

    ``rim_px`` (4, 2) are the page's corners from the lower left, counter-clockwise.
    ``change`` acts on linear light (height, width).  The function takes places (N, 2) on the
    first target's lattice in millimetres to pixels.
    """
    from digitize.photo.photo import Photo
    from digitize.sheets.page import page as page_of
    from digitize.sheets.printing import ink

    page = page_of(form, paper, number)  # type: ignore[arg-type]
    (across, up), (width, height) = page.size_mm, size_px
    rim_mm = np.array([(0, 0), (across, 0), (across, up), (0, up)], np.float32)
    px_from_mm = cv2.getPerspectiveTransform(rim_mm, np.asarray(rim_px, np.float32))
    fine_from_px = np.array([[finer, 0, (finer - 1) / 2], [0, finer, (finer - 1) / 2], [0, 0, 1.0]])
    mm_from_ink = np.array([[0.1, 0, 0.05], [0, -0.1, up - 0.05], [0, 0, 1]])
    inked = ink(page, 254.0)
    warp = fine_from_px @ px_from_mm @ mm_from_ink
    large = (width * finer, height * finer)
    rng = np.random.default_rng(seed)
    litter = np.full((height, width), 90, np.uint8)
    for _ in range(150):
        middle, sides = rng.uniform((0, 0), size_px), rng.uniform(8, 90, 2)
        box = cv2.boxPoints((tuple(middle), tuple(sides), rng.uniform(0, 90)))
        cv2.fillPoly(litter, [np.rint(box).astype(np.int32)], int(rng.integers(10, 240)))
    share = cv2.warpPerspective(inked, warp, large, flags=cv2.INTER_LINEAR)
    paper_there = cv2.warpPerspective(np.full_like(inked, 255), warp, large)
    share = cv2.resize(share, size_px, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    there = cv2.resize(paper_there, size_px, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    light = there * (0.84 - 0.80 * share) + (1 - there) * litter.astype(np.float32) / 255
    light = cv2.GaussianBlur(light, (0, 0), 0.6)
    if change is not None:
        light = np.asarray(change(light), np.float32)
    light = np.clip(light + 0.006 * rng.standard_normal(light.shape, np.float32), 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    rgb = np.repeat(np.round(255 * coded).astype(np.uint8)[:, :, None], 3, axis=2)
    packed = cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    photo = Photo("drawn.jpg", "", cv2.imdecode(packed, cv2.IMREAD_COLOR), None, None)

    def px(lattice_mm: FloatArray) -> FloatArray:
        places = np.asarray(lattice_mm, float) + page.targets[0].origin_mm
        return np.asarray(cv2.perspectiveTransform(places[None], px_from_mm)[0], np.float64)

    return photo, px


@pytest.fixture
def digitize(monkeypatch, capsys, tmp_path):
    """The command line run in an empty folder: exit code, standard output, standard error.

    It knows no printer and no phone but those that it was told of.
    """
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)

    def command(*words):
        monkeypatch.setattr(sys, "argv", ["digitize", *map(str, words)])
        try:
            run()
            code = 0
        except SystemExit as exit_:
            code = int(exit_.code or 0)
        out, err = capsys.readouterr()
        return code, out, err

    return command
