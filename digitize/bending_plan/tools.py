"""Folding tools as prisms along the bend: what they hold, how far they bend, what is in the way.

A section is drawn square to the bend.  ``u`` is 0 at the tool line, negative on the side that
is held, positive toward what is bent; ``v`` is 0 on the sheet's underside, grows the way the
sheet is bent, and the sheet held fills 0 to T.  Dimensions by default are common practice, no
source: measure your own tool.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from digitize.pattern.segments import Point

Span = Literal["tool", "middle", "ends", "machine"]
"""Which stations a section fills: those of the jaws or fingers in use, the middle of them,
clamps at their ends, or the machine's whole length."""

MACHINE_MM = 1e5


@dataclass(frozen=True, slots=True)
class Section:
    """A convex section of a tool, its corners in order, by the name a person gives it."""

    name: str
    corners: tuple[Point, ...]
    span: Span = "tool"
    width_mm: float = 0.0  # of a middle, or of each end clamp


@dataclass(frozen=True, slots=True)
class Choice:
    """A width of the tool to use; ``fingers`` names those of a box folder."""

    width_mm: float
    fingers: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Vice:
    """A bench vice: the held side goes down between the jaws, the rest is bent over one of them.

    Below ``jaw_height_mm`` the castings are thicker; ``depth_mm`` down, the slide is in the
    way.  ``back_off_deg`` is how far the jaw's top falls away, so that a bend can be carried
    past 90 degrees.
    """

    jaw_width_mm: float = 125.0
    depth_mm: float = 75.0
    jaw_thickness_mm: float = 16.0
    jaw_height_mm: float = 25.0
    body_mm: float = 45.0
    slide_mm: float = 50.0
    back_off_deg: float = 5.0
    hold_mm: float = 8.0

    title = "bench vice"

    @property
    def largest_deg(self) -> float:
        """Largest angle under load."""
        return 90.0 + self.back_off_deg

    def choices(self, bend_mm: float, bare_mm: float) -> list[Choice]:
        """Widths that hold a bend of that length; none where the jaws are too narrow."""
        return [Choice(self.jaw_width_mm)] if self.jaw_width_mm >= bend_mm - 2 * bare_mm else []

    def too_long(self, bend_mm: float) -> str:
        """Why there is no choice."""
        return f"is {bend_mm:.0f} mm long and the jaws {self.jaw_width_mm:.0f} mm wide"

    def sections(self, sheet_mm: float, radius_mm: float) -> list[Section]:
        """What stands still."""
        t, h, d, body = self.jaw_thickness_mm, self.jaw_height_mm, self.depth_mm, self.body_mm
        front = _over(sheet_mm, radius_mm, t, h, self.back_off_deg)
        return [
            Section("the front jaw", front),
            Section("the back jaw", _box(-h, 0.0, -t, 0.0)),
            Section("the body of the front jaw", _box(-d, -h, sheet_mm, sheet_mm + body)),
            Section("the body of the back jaw", _box(-d, -h, -body, 0.0)),
            Section(
                "the slide of the vice",
                _box(-d - 80.0, -d, -body, sheet_mm + body),
                "middle",
                self.slide_mm,
            ),
        ]

    def leaf(self) -> list[Section]:
        """What moves with the bent side: nothing but the hammer."""
        return []


@dataclass(frozen=True, slots=True)
class Bars:
    """Two angle irons, their flat tops level, clamped together at both ends."""

    length_mm: float = 500.0
    leg_mm: float = 40.0
    bar_thickness_mm: float = 5.0
    clamp_mm: float = 30.0
    depth_mm: float = 0.0  # to the slide where the bars are held in a vice; 0 clamped free
    slide_mm: float = 50.0
    back_off_deg: float = 4.0
    hold_mm: float = 8.0

    title = "angle-iron bars"

    @property
    def largest_deg(self) -> float:
        """Largest angle under load."""
        return 90.0 + self.back_off_deg

    def choices(self, bend_mm: float, bare_mm: float) -> list[Choice]:
        """Widths that hold a bend of that length; none where the bars are too short."""
        room = self.length_mm - 2 * self.clamp_mm
        return [Choice(self.length_mm)] if room >= bend_mm - 2 * bare_mm else []

    def too_long(self, bend_mm: float) -> str:
        """Why there is no choice."""
        room = self.length_mm - 2 * self.clamp_mm
        return f"is {bend_mm:.0f} mm long and the bars have {room:.0f} mm between their clamps"

    def sections(self, sheet_mm: float, radius_mm: float) -> list[Section]:
        """What stands still."""
        a, b, t = self.leg_mm, self.bar_thickness_mm, sheet_mm
        r = min(radius_mm, 0.6 * b)
        fall = min(a * math.tan(math.radians(self.back_off_deg)), 0.9 * b)
        top = ((-b, t + r), (0.0, t + r), (-fall, t + a), (-b, t + a))
        grip = a + 20.0
        found = [
            Section("the front bar", _over(t, r, b, a, self.back_off_deg)),
            Section("the top of the front bar", top),
            Section("the back bar", _box(-a, 0.0, -b, 0.0)),
            Section("the top of the back bar", _box(-b, 0.0, -a, 0.0)),
            Section("a clamp", _box(-grip, 10.0, -grip, t + grip), "ends", self.clamp_mm),
        ]
        if self.depth_mm > 0.0:
            slide = _box(-self.depth_mm - 80.0, -self.depth_mm, -a, t + a)
            found.append(Section("the slide of the vice", slide, "middle", self.slide_mm))
        return found

    def leaf(self) -> list[Section]:
        """What moves with the bent side: nothing but the hammer."""
        return []


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder: the sheet lies on the bed under the clamp, a leaf swings the rest up.

    ``fingers_mm`` are the widths of a box-and-pan folder's fingers; without any the clamp is
    one straight bar.  ``front_deg`` is how far the clamp's front leans back from upright.
    """

    length_mm: float = 600.0
    fingers_mm: tuple[float, ...] = (25.0, 30.0, 35.0, 40.0, 50.0, 75.0, 100.0, 125.0, 150.0)
    clamp_height_mm: float = 75.0
    foot_mm: float = 60.0
    front_deg: float = 45.0
    bed_depth_mm: float = 600.0
    leaf_depth_mm: float = 40.0
    leaf_thickness_mm: float = 12.0
    hold_mm: float = 10.0

    @property
    def title(self) -> str:
        """What people call it."""
        return "box-and-pan folder" if self.fingers_mm else "straight folder"

    @property
    def largest_deg(self) -> float:
        """Largest angle under load."""
        return 90.0 + self.front_deg

    def choices(self, bend_mm: float, bare_mm: float) -> list[Choice]:
        """All of the clamp, and the fingers that fill the bend best without being longer."""
        if bend_mm > self.length_mm:
            return []
        if not self.fingers_mm:
            return [Choice(self.length_mm)]
        found = []
        if sum(self.fingers_mm) >= bend_mm - 2 * bare_mm:
            found.append(Choice(sum(self.fingers_mm), self.fingers_mm))
        fitting = _filling(self.fingers_mm, bend_mm)
        if sum(fitting) >= bend_mm - 2 * bare_mm and fitting != self.fingers_mm:
            found.append(Choice(sum(fitting), fitting))
        return found

    def too_long(self, bend_mm: float) -> str:
        """Why there is no choice."""
        if bend_mm > self.length_mm:
            return f"is {bend_mm:.0f} mm long and the folder takes {self.length_mm:.0f} mm"
        best = sum(_filling(self.fingers_mm, bend_mm))
        return f"is {bend_mm:.0f} mm long and no more than {best:.0f} mm of fingers fill it"

    def sections(self, sheet_mm: float, radius_mm: float) -> list[Section]:
        """What stands still."""
        t, h = sheet_mm, self.clamp_height_mm
        r = min(radius_mm, 0.2 * h)
        lean = (h - r) * math.tan(math.radians(self.front_deg))
        back = -max(self.foot_mm, lean + 25.0)
        nose = ((-self.foot_mm, t), (-r, t), (0.0, t + r), (-lean, t + h), (back, t + h))
        return [
            Section("a finger" if self.fingers_mm else "the clamp", nose, self._span),
            Section("the clamp beam", _box(back - 60.0, -lean, t + h, t + h + 100.0), "machine"),
            Section("the bed", _box(-self.bed_depth_mm, 0.0, -100.0, 0.0), "machine"),
        ]

    def leaf(self) -> list[Section]:
        """What moves with the bent side: u from its tangent line, v from its outside."""
        return [
            Section(
                "the leaf", _box(2.0, self.leaf_depth_mm, -self.leaf_thickness_mm, 0.0), "machine"
            )
        ]

    @property
    def _span(self) -> Span:
        return "tool" if self.fingers_mm else "machine"


Tool = Vice | Bars | Folder

TOOLS: dict[str, Tool] = {
    "vice": Vice(),
    "bars": Bars(),
    "box-folder": Folder(),
    "straight-folder": Folder(length_mm=1000.0, fingers_mm=(), clamp_height_mm=50.0),
}


def _box(u0: float, u1: float, v0: float, v1: float) -> tuple[Point, ...]:
    return ((u0, v0), (u1, v0), (u1, v1), (u0, v1))


def _over(
    sheet: float, radius: float, thick: float, down: float, back_off_deg: float
) -> tuple[Point, ...]:
    """A jaw that the sheet is bent over: its edge rounded, its top falling away."""
    r = min(radius, 0.6 * thick)
    fall = min((thick - r) * math.tan(math.radians(back_off_deg)), 0.9 * down)
    top = sheet + thick
    return ((-down, sheet), (-r, sheet), (0.0, sheet + r), (-fall, top), (-down, top))


def _filling(fingers: Sequence[float], room_mm: float) -> tuple[float, ...]:
    """The fingers that fill a room best without being wider, the fewest of them."""
    best: tuple[float, ...] = ()
    for count in range(1, min(len(fingers), 12) + 1):
        for chosen in combinations(fingers, count):
            if sum(best) + 1e-9 < sum(chosen) <= room_mm + 1e-9:
                best = chosen
    return best
