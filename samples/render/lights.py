"""Light on the bench: a soft room, a window, a small hard sun."""

from __future__ import annotations

from typing import Any

import mitsuba as mi


def panel(
    at_mm: tuple[float, float, float],
    toward_mm: tuple[float, float, float],
    width_mm: float,
    height_mm: float,
    radiance: Any,
) -> dict[str, Any]:
    """A shining rectangle: a window, or a diffuser held over the bench."""
    t = mi.ScalarTransform4f
    return {
        "type": "rectangle",
        "to_world": t().look_at(origin=list(at_mm), target=list(toward_mm), up=[0.01, 0.02, 1.0])
        @ t().scale([width_mm / 2, height_mm / 2, 1.0]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance}},
    }


def disc(
    at_mm: tuple[float, float, float],
    toward_mm: tuple[float, float, float],
    radius_mm: float,
    radiance: Any,
) -> dict[str, Any]:
    """A small round lamp or the sun; its size over its distance sets the penumbra."""
    t = mi.ScalarTransform4f
    return {
        "type": "disk",
        "to_world": t().look_at(origin=list(at_mm), target=list(toward_mm), up=[0.01, 0.02, 1.0])
        @ t().scale(radius_mm),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance}},
    }
