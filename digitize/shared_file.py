"""The files that ship with the program, in a checkout and in a wheel alike."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from digitize.errors import DigitizeError


class SharedFileMissing(DigitizeError):
    """The installation lacks a file that ships with the program."""


def shared(name: str) -> Traversable:
    """The file of that name in shared/; raises ``SharedFileMissing``.

    A wheel holds shared/ inside the package; a checkout holds it beside the package.
    """
    package = files("digitize")
    inside = package / "shared" / name
    if inside.is_file():
        return inside
    if isinstance(package, Path):
        beside = package.parent / "shared" / name
        if beside.is_file():
            return beside
    raise SharedFileMissing(
        f"the installation lacks its file shared/{name}", do="install the program again"
    )
