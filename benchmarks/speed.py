"""Time of a whole trace as a multiple of a floor measured in the same run.

    python benchmarks/speed.py [PHOTO_NAME] [--rounds N]

The floor is what no tool of this kind can do without: decode the file, find the target
once, warp the full picture once.  Floor and trace take turns, and the ratio of each
round is taken before the median, so that a busy machine slows both alike.  Also printed:
``digitize --help`` against the ``--help`` of a typer program with one empty command.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does

import cv2
import numpy as np

from digitize.cli.samples_command import job_options
from digitize.delivery import DeliveryOptions, deliver
from digitize.job import JobResult, pattern_from_photo
from digitize.photo.reading import read_photo
from digitize.sighting.sight import sight

sys.path.insert(0, str(Path(__file__).parent.parent / "samples"))
import sample_truth as truths

BARE = "import typer\napp = typer.Typer()\n@app.command()\ndef run() -> None:\n    pass\napp()\n"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", default=["rusty-bracket", "tracing-three-flanges"])
    parser.add_argument("--rounds", type=int, default=7)
    arguments = parser.parse_args()
    for name in arguments.names:
        trace_against_floor(name, arguments.rounds)
    help_against_bare(arguments.rounds)


def trace_against_floor(name: str, rounds: int) -> None:
    """One photo, traced and floored in turn."""
    facts = truths.load(truths.SAMPLES / f"{name}.json")
    path = truths.SAMPLES / facts["photo"]
    options = job_options(facts)
    result = pattern_from_photo(path, options)  # also the warm-up
    floor(path)
    rows = [
        (timed(lambda: floor(path)), timed(lambda: pattern_from_photo(path, options)))
        for _ in range(rounds)
    ]
    files = timed(lambda: write(result))
    ratios = [trace / base for base, trace in rows]
    width, height = facts["camera"]["size_px"]
    print(
        f"{name}, {width * height / 1e6:.0f} MP: floor {median(r[0] for r in rows):.2f} s, "
        f"photo to pattern {median(r[1] for r in rows):.2f} s, "
        f"ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f}); "
        f"all files {files:.2f} s more"
    )


def floor(path: Path) -> None:
    """Decode, one target detection, one full-size perspective warp."""
    photo = read_photo(path)
    sighting = sight(photo)[0]
    width, height = photo.width_px, photo.height_px
    mm = sighting.corners_mm.astype(np.float32)
    to_full = cv2.findHomography(sighting.corners_px.astype(np.float32), mm * 10.0)[0]
    cv2.warpPerspective(photo.rgb, to_full, (width, height))


def write(result: JobResult) -> None:
    """Every file of a job."""
    with tempfile.TemporaryDirectory() as folder:
        deliver(result, Path(folder), DeliveryOptions())


def help_against_bare(rounds: int) -> None:
    """``--help`` as whole processes."""
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare.py"
        bare.write_text(BARE)
        ours = [sys.executable, "-c", "from digitize.cli.main import run; run()", "--help"]
        theirs = [sys.executable, str(bare), "--help"]
        rows = [(timed(lambda: run(theirs)), timed(lambda: run(ours))) for _ in range(rounds + 1)]
    ratios = [a / b for b, a in rows[1:]]
    print(
        f"--help: bare typer {median(r[0] for r in rows):.2f} s, digitize "
        f"{median(r[1] for r in rows):.2f} s, ratio {statistics.median(ratios):.2f} "
        f"({min(ratios):.2f} to {max(ratios):.2f})"
    )


def run(command: list[str]) -> None:
    """One process, its output thrown away."""
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def timed(action: Callable[[], object]) -> float:
    """Seconds that it takes."""
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def median(values: object) -> float:
    """Median of an iterable of seconds."""
    return statistics.median(values)  # type: ignore[call-overload,no-any-return]


if __name__ == "__main__":
    main()
