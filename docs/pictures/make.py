"""Reduce what the main job draws for two samples to the pictures in the README.

    python docs/pictures/make.py
"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

from digitize.cli.samples_command import job_options
from digitize.delivery import PHOTO_PROOF, DeliveryOptions, deliver
from digitize.job import pattern_from_photo

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent.parent / "samples"))
import sample_truth as truths  # noqa: E402

WIDTH_PX = 900


def main() -> None:
    """Make them all."""
    for name in ("tracing-three-flanges", "rusty-bracket"):
        facts = truths.load(truths.SAMPLES / f"{name}.json")
        photo = truths.SAMPLES / facts["photo"]
        reduce(photo, HERE / f"{name}.jpg")
        folder = Path("out") / "pictures"
        result = pattern_from_photo(photo, job_options(facts))
        deliver(result, folder, DeliveryOptions(), overwrite=True)
        reduce(folder / f"{name}{PHOTO_PROOF}", HERE / f"{name}-found.jpg")
        reduce(folder / f"{name}-topdown.png", HERE / f"{name}-pattern.jpg")


def reduce(source: Path, target: Path) -> None:
    """A picture at README width."""
    picture = Image.open(source).convert("RGB")
    height = round(picture.height * WIDTH_PX / picture.width)
    small = picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS)
    small.save(target, "JPEG", quality=85)


if __name__ == "__main__":
    main()
