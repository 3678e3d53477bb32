"""Photographs of rules on a bench, made once a session, and the tests' own modules."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from digitize.photo.photo import Photo

sys.path.insert(0, str(Path(__file__).parent))


def as_photo(rgb: np.ndarray, name: str = "bench", focal_px: float | None = None) -> Photo:
    return Photo(name, "0" * 64, rgb, focal_px, 0.03 if focal_px else None)


@pytest.fixture(scope="session")
def picture() -> Callable[[str], np.ndarray]:
    """The pixels of a scene by name."""
    from bench import photograph
    from scenes import SCENES

    made: dict[str, np.ndarray] = {}

    def get(name: str) -> np.ndarray:
        if name not in made:
            made[name] = photograph(SCENES[name])
        return made[name]

    return get


@pytest.fixture(scope="session")
def photo_of(picture) -> Callable[..., Photo]:
    """A scene as a photo; its header tells the focal length 2 % wrong, or nothing."""
    from scenes import SCENES

    def get(name: str, *, header: bool = True) -> Photo:
        focal = 1.02 * SCENES[name].focal_px if header else None
        return as_photo(picture(name), name, focal)

    return get
