"""Reduce what the main job draws for some samples to the pictures in README and docs.

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
from digitize.comparing.comparison import compare
from digitize.delivery import PHOTO_PROOF, DeliveryOptions, deliver
from digitize.files.comparison import picture as comparison_picture
from digitize.files.comparison.words import headline
from digitize.files.pictures import shaded
from digitize.folding.sizes import fold_names
from digitize.folding.solid import fold_up
from digitize.job import JobResult, pattern_from_photo
from digitize.pattern.model import Pattern

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent.parent / "samples"))
import sample_truth as truths  # noqa: E402

WIDTH_PX = 900


def main() -> None:
    """Make them all."""
    folder = Path("out") / "pictures"
    for name in ("tracing-three-flanges", "rusty-bracket"):
        facts = truths.load(truths.SAMPLES / f"{name}.json")
        photo = truths.SAMPLES / facts["photo"]
        reduce(photo, HERE / f"{name}.jpg")
        result = pattern_from_photo(photo, job_options(facts))
        deliver(result, folder, DeliveryOptions(), overwrite=True)
        reduce(folder / f"{name}{PHOTO_PROOF}", HERE / f"{name}-found.jpg")
        reduce(folder / f"{name}-topdown.png", HERE / f"{name}-pattern.jpg")
        if result.patterns[0].bends:
            folded = folder / f"{name}-folded.png"
            folded.write_bytes(picture_folded(result.patterns[0]))
            reduce(folded, HERE / f"{name}-folded.jpg")
    compared(folder)
    opening(folder)


def compared(folder: Path) -> None:
    """The second make of the bracket over the first one."""
    old, new = (
        traced(truths.SAMPLES / facts, folder)
        for facts in ("rusty-bracket.json", "second-make/second-make.json")
    )
    found = compare(old.patterns[0], new.patterns[0], locked=("H1", "S1"))
    picture = folder / "second-make-over-rusty-bracket.png"
    picture.write_bytes(comparison_picture.render(found, headline(found, "mm"), "mm"))
    reduce(picture, HERE / "second-make-over-rusty-bracket.jpg")


def opening(folder: Path) -> None:
    """An opening photographed with a card beside it."""
    facts = truths.SAMPLES / "floor-opening" / "floor-opening.json"
    reduce(facts.with_suffix(".jpg"), HERE / "floor-opening.jpg")
    result = traced(facts, folder)
    deliver(result, folder, DeliveryOptions(), overwrite=True)
    reduce(folder / f"floor-opening{PHOTO_PROOF}", HERE / "floor-opening-found.jpg")


def traced(facts: Path, folder: Path) -> JobResult:
    """What a sample's photo shows."""
    folder.mkdir(parents=True, exist_ok=True)
    known = truths.load(facts)
    return pattern_from_photo(facts.parent / known["photo"], job_options(known))


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
