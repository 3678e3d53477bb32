"""The samples' stated truth, held to tools that had no part in making it.

OpenCV projects the printed corners through the stated camera, and OpenCV's corner finder
looks for them in the finished photograph.
"""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parents[2] / "samples"
TRUTHS = sorted(FOLDER.glob("*.json"))


def predicted(truth: dict[str, Any]) -> NDArray[np.float64]:
    """Pixels (N, 2) of the inner corners of the first target, far enough from the rim."""
    camera, target = truth["camera"], truth["targets"][0]
    columns, rows, band = target["columns"], target["rows"], target["band"]

    def printed(c: int, r: int) -> bool:
        blank = band <= c < columns - band and band <= r < rows - band
        return band == 0 or not blank

    nodes = [
        (i, j)
        for i in range(1, columns)
        for j in range(1, rows)
        if all(printed(i - a, j - b) for a in (0, 1) for b in (0, 1))
    ]
    flat = np.array(nodes) * np.array(target["print_scale"]) * target["square_mm"]
    low, high = target["page_y_mm"]
    share = (2 * flat[:, 1] - low - high) / (high - low)
    heights = target["bow_mm"] * (1 - share**2)
    f, (cx, cy) = camera["focal_px"], camera["principal_px"]
    px, _ = cv2.projectPoints(
        np.column_stack([flat, heights]),
        cv2.Rodrigues(np.array(camera["rotation"]))[0],
        np.array(camera["translation_mm"]),
        np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]]),
        np.array([camera["k1"], camera["k2"], 0.0, 0.0]),
    )
    width, height = camera["size_px"]
    found = px[:, 0]
    inside = np.all((found > 25) & (found < np.array([width, height]) - 25), axis=1)
    return np.asarray(found[inside])


@pytest.mark.parametrize("path", TRUTHS, ids=lambda p: p.stem)
def test_printed_corners_lie_where_the_stated_camera_puts_them(path: Path) -> None:
    truth = json.loads(path.read_text())
    grey = cv2.imread(str(FOLDER / truth["photo"]), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    assert [grey.shape[1], grey.shape[0]] == truth["camera"]["size_px"]
    px = predicted(truth)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 0.001)
    seen = cv2.cornerSubPix(
        grey, px.astype(np.float32).reshape(-1, 1, 2).copy(), (6, 6), (-1, -1), stop
    ).reshape(-1, 2)
    error = seen - px
    near = np.hypot(*error.T) < 1.5  # a covered corner jumps away
    assert near.mean() > 0.9
    # The finder scatters by 0.03-0.06 px on such corners (accuracy notes, simulated); a slip of
    # a pixel's half, or of the lens, shows in the mean.
    assert np.all(np.abs(error[near].mean(axis=0)) < 0.02)
    assert 0.005 < np.sqrt(np.mean(error[near] ** 2)) < 0.1


@pytest.mark.parametrize("path", TRUTHS, ids=lambda p: p.stem)
def test_the_truth_is_closed_and_whole(path: Path) -> None:
    truth = json.loads(path.read_text())
    assert truth["schema"] == 1
    assert truth["pieces"]
    for piece in truth["pieces"]:
        outline = piece["outline"]["segments"]
        for before, after in zip(outline, outline[1:] + outline[:1], strict=True):
            assert before["end_mm"] == after["start_mm"]
        corners = shapely.Polygon([s["start_mm"] for s in outline])
        assert corners.is_valid
        assert corners.exterior.is_ccw
        for mark in piece["marks"]:
            assert corners.contains(shapely.Point(mark))


@pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="needs mitsuba: pip install .[render]"
)
def test_the_renderers_rays_agree_with_the_stated_cameras() -> None:
    ran = subprocess.run(
        [sys.executable, str(FOLDER / "render"), "check"],
        capture_output=True,
        text=True,
        check=False,
    )
    if "LLVM" in ran.stderr and ran.returncode:
        pytest.skip("needs an LLVM library, 16 or newer")
    assert ran.returncode == 0, ran.stderr
    errors = [float(e) for e in re.findall(r"([0-9.e-]+) px", ran.stdout)]
    assert len(errors) == len(TRUTHS)
    assert max(errors) < 0.01
