"""Reduce what the main job draws for two samples to the pictures in the README.

python docs/pictures/make.py
"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.materials import material
from digitize.blank.develop import develop
from digitize.cli.samples_command import job_options
from digitize.delivery import PHOTO_PROOF, DeliveryOptions, deliver
from digitize.files.pictures import shaded
from digitize.folding.sizes import fold_names
from digitize.folding.solid import fold_up
from digitize.job import pattern_from_photo
from digitize.pattern.model import Pattern

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
        if result.patterns[0].bends:
            folded = folder / f"{name}-folded.png"
            folded.write_bytes(picture_folded(result.patterns[0]))
            reduce(folded, HERE / f"{name}-folded.jpg")


def picture_folded(pattern: Pattern) -> bytes:
    """The pattern's blank in 1.2 mm steel, all bends through a right angle toward the face."""
    said = {"all": Said(90.0, True, 1.2)}
    facts, _ = resolve(pattern, Stock(material("mild-steel"), 1.2), said)
    blank = develop(pattern, facts)
    return shaded.render(fold_up(blank), fold_names(blank.tree))


def reduce(source: Path, target: Path) -> None:
    """A picture at README width."""
    picture = Image.open(source).convert("RGB")
    height = round(picture.height * WIDTH_PX / picture.width)
    small = picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS)
    small.save(target, "JPEG", quality=85)


if __name__ == "__main__":
    main()
