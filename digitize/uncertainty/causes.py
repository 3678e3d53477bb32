"""The names of what can be wrong, as the report prints them."""

from __future__ import annotations

PRINT = "print scale"
FLATNESS = "target flatness"
CAMERA = "camera"
THICKNESS = "thickness"
TONE = "tone curve"
EDGE = "edge detection"
PEN = "pen line"
FIT = "curve fit"
