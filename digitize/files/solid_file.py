"""The folded piece as a mesh file: STL, PLY or binary glTF, written by the trimesh library.

STL and PLY carry millimetres, as their readers expect of parts; glTF is in metres by its
specification (Khronos glTF 2.0, 3.4, "Coordinate System and Units"; from memory), with y up.
"""

from __future__ import annotations

import numpy as np

from digitize.errors import DigitizeError, Exit
from digitize.folding.solid import Solid

FORMATS = (".stl", ".ply", ".glb")


class BadSolidFile(DigitizeError):
    """A file name that says no mesh format known here."""

    exit_code = Exit.ASKED


def render(solid: Solid, suffix: str) -> bytes:
    """The bytes of a mesh file; raises BadSolidFile for an unknown suffix."""
    import trimesh  # noqa: PLC0415  (heavy, and only needed here)

    suffix = suffix.lower()
    if suffix not in FORMATS:
        raise BadSolidFile(
            f"no mesh format goes by {suffix or 'no ending'!r}",
            do="end the name in " + " or ".join(FORMATS),
        )
    vertices = solid.vertices_mm
    if suffix == ".glb":
        upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
        vertices = vertices @ upright.T / 1000.0
    mesh = trimesh.Trimesh(vertices, solid.triangles, process=False)
    data = mesh.export(file_type=suffix[1:])
    assert isinstance(data, bytes)
    return data
