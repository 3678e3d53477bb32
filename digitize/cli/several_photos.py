"""What cannot be asked of several photos at once, said before any of them is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import typer

PHOTOS_OF_ONE_JOB = "several photos are joined by the printed sheets that they show"


def check(photos: Sequence[Path], unfit: Mapping[str, bool], *, region: bool, sheet: bool) -> None:
    """Raises ``typer.BadParameter`` for options that one photo alone can have.

    ``unfit`` tells of each such option whether it was given; ``region`` and ``sheet``
    whether a region and the sheet that it is measured on were.
    """
    if len(photos) == 1:
        return
    for option, given in unfit.items():
        if given:
            raise typer.BadParameter(f"goes with one photo; {PHOTOS_OF_ONE_JOB}", param_hint=option)
    if region and not sheet:
        raise typer.BadParameter(
            "with several photos, say with --sheet which sheet the region is measured on",
            param_hint="--region",
        )
