"""Real chessboard photographs: the inner corners predicted from the outer ring, photo by photo.

    python benchmarks/chessboards.py

The photos are left01..14 and right01..14 (no 10) of the Debian package opencv-doc: a
printed board of 9 x 6 inner corners, 25 mm a square, before two cameras with visible
barrel distortion.  For each the root mean square error of the 28 inner corners is printed
in millimetres, in pixels and in squares, beside what one plain homography makes of the
same corners.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from digitize.camera.recover import recover
from digitize.photo.reading import read_photo
from digitize.sheets.layout import PrintScale
from digitize.sighting.sight import sight_checkerboard

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
SQUARE_MM = 25.0
AS_PRINTED = PrintScale(1.0, 1.0, 0.0, 0.0, True, "the board's own squares")


@dataclass(frozen=True, slots=True)
class Prediction:
    """Root mean square errors of the inner corners of one photo."""

    inner: int
    mm: float
    px: float
    homography_mm: float
    tilt_deg: float


def inner_from_outer(path: Path) -> Prediction:
    """Recover the camera from the board's outer corners and predict the others."""
    photo = read_photo(path)
    board = sight_checkerboard(photo, SQUARE_MM, (9, 6))
    places = np.round(board.corners_mm / SQUARE_MM)
    outer = ((places == places.min(axis=0)) | (places == places.max(axis=0))).any(axis=1)
    ring = dataclasses.replace(
        board,
        corners_px=board.corners_px[outer],
        corners_mm=board.corners_mm[outer],
        sigma_px=board.sigma_px[outer],
    )
    px, mm = board.corners_px[~outer], board.corners_mm[~outer]
    camera = recover(ring, AS_PRINTED, photo).camera
    plain, _ = cv2.findHomography(ring.corners_px, ring.corners_mm)
    return Prediction(
        inner=len(px),
        mm=_rms(camera.to_sheet(px) - mm),
        px=_rms(camera.to_px(mm) - px),
        homography_mm=_rms(cv2.perspectiveTransform(px[None], plain)[0] - mm),
        tilt_deg=camera.tilt_deg,
    )


def _rms(errors: NDArray[np.float64]) -> float:
    return float(np.sqrt((errors**2).sum(axis=1).mean()))


def main() -> None:
    """Print the table."""
    paths = sorted(FOLDER.glob("left[01][0-9].jpg")) + sorted(FOLDER.glob("right[01][0-9].jpg"))
    if not paths:
        raise SystemExit(f"No photos in {FOLDER}: install the package opencv-doc.")
    print("photo         tilt deg     mm     px  squares  squares by one homography")
    found = [inner_from_outer(path) for path in paths]
    for path, p in zip(paths, found, strict=True):
        print(
            f"{path.name:13} {p.tilt_deg:8.0f} {p.mm:6.3f} {p.px:6.3f}  {p.mm / SQUARE_MM:7.4f}"
            f"  {p.homography_mm / SQUARE_MM:7.4f}"
        )
    middle = [float(np.median([getattr(p, k) for p in found])) for k in ("mm", "px")]
    plain = float(np.median([p.homography_mm for p in found])) / SQUARE_MM
    print(
        f"{'median':22} {middle[0]:6.3f} {middle[1]:6.3f}  {middle[0] / SQUARE_MM:7.4f}"
        f"  {plain:7.4f}"
    )


if __name__ == "__main__":
    main()
