"""The pattern itself: what a restorer lays on the sheet, cuts and bends.

Coordinates are millimetres, x right, y up, looking at the face that was traced, or at its
back where ``drawn`` says so; that face is the one that bends are toward or away from.  The
outline runs counter-clockwise; openings are closed edges inside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

from digitize.errors import Notice
from digitize.pattern.budget import Budget, Part, two_numbers
from digitize.pattern.contour import Closed
from digitize.pattern.segments import Point

Traced = Literal["outside", "outermost", "inside", "rolled", "blank"]
"""What a bend line stands for, and so where the pattern's lengths end at a bend: the corner
of the planes outside the folded piece; the outermost point of its bend; the corner of the
planes inside; the middle of paper rolled tight over the outside of the bend; or the middle of
the bend on the flat blank itself, which needs no allowance any more."""

TracedFrom = Literal["ink", "silhouette", "opening"]
"""What was followed: drawn lines, the edge of a piece, or the rim of an opening in a plate."""

ScribeKind = Literal["tangent", "tool"]
"""Where a bend begins or ends, and where the edge of the folding tool lies."""


@dataclass(frozen=True, slots=True)
class BendLine:
    """A straight line about which the sheet turns."""

    start_mm: Point
    end_mm: Point
    angle_deg: float | None = None  # bent through (0 = flat); None until somebody says
    toward_face: bool | None = None  # True: toward the face one looks at
    inside_radius_mm: float | None = None
    traced: Traced | None = None
    u_mm: float | None = None  # standard uncertainty across the line
    u_deg: float | None = None  # standard uncertainty of its direction
    bead: str | None = None  # "arc 20 x 4 mm, drawn in": the bead rolled along it instead of a bend


@dataclass(frozen=True, slots=True)
class PointMark:
    """A marked point: a hole centre, a stud."""

    at_mm: Point
    u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ScribeLine:
    """A line to mark on the sheet, neither cut nor bent about."""

    start_mm: Point
    end_mm: Point
    kind: ScribeKind


@dataclass(frozen=True, slots=True)
class Precision:
    """How far the pattern's dimensions can be trusted, as standard uncertainties (k = 1).

    In short, a length L between two edges has u = sqrt(2 edge_u_mm^2 + (scale_u * L)^2): the
    local part is the band in which an edge point lies, the scale part what the whole pattern
    can be too large or too small by.  The ``budget``, where there is one, says it by cause
    and place, and is what the dimension list goes by.
    """

    edge_u_mm: float
    scale_u: float
    budget: Budget | None = None

    def expanded_mm(self, length_mm: float) -> float:
        """Expanded uncertainty U (k = 2) of a length between two edges (JCGM 100, 5.1 and 6.2)."""
        return 2.0 * math.hypot(math.sqrt(2.0) * self.edge_u_mm, self.scale_u * length_mm)

    def widened(self, cause: str, each_mm: float) -> Precision:
        """The same with one more cause, by which every edge is off on its own."""
        edge_u_mm = math.hypot(self.edge_u_mm, each_mm)
        if self.budget is None or each_mm == 0.0:
            return Precision(edge_u_mm, self.scale_u, self.budget)
        parts = (*self.budget.parts, Part(cause, each_mm=each_mm))
        return Precision(edge_u_mm, self.scale_u, replace(self.budget, parts=parts))

    def mirrored(self, sum_x_mm: float) -> Precision:
        """Of the pattern whose every x has become ``sum_x_mm`` - x."""
        budget = None if self.budget is None else self.budget.mirrored(sum_x_mm)
        return replace(self, budget=budget)

    @property
    def as_budget(self) -> Budget:
        """The budget, or the two short numbers as one."""
        return self.budget or two_numbers(self.edge_u_mm, self.scale_u)


@dataclass(frozen=True, slots=True)
class CameraFacts:
    """What the camera solution said, for the record; enough to judge the photo later."""

    focal_px: float
    principal_px: Point
    k1: float
    k2: float
    tilt_deg: float
    height_mm: float  # of the camera over the sheet
    foot_mm: Point  # the point of the sheet right under the camera
    residual_rms_px: float
    corners_used: int
    corners_rejected: int


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where the pattern came from."""

    made_by: str  # program and version
    photo_name: str | None = None
    photo_sha256: str | None = None
    photo_size_px: tuple[int, int] | None = None  # width, height
    target: str | None = None  # "ring A4, sheet 7"; "checkerboard 9 x 6, 25 mm"
    print_scale: tuple[float, float] | None = None  # printed / nominal, across and up
    print_measured: bool = False
    mode: TracedFrom | None = None
    camera: CameraFacts | None = None


@dataclass(frozen=True, slots=True)
class Drawn:
    """In what a drawing differs from the piece as it was traced."""

    behind: bool = False  # seen from the other face, and bends are toward or away from that one
    opposite_hand: bool = False  # a piece of the other hand, not the traced one
    kerf_mm: float | None = None  # edges are the path of a cutter this wide, half of it outside

    @property
    def face(self) -> str:
        """The face that one looks at, and that bends are toward or away from."""
        return "the back of the traced face" if self.behind else "the traced face"


@dataclass(frozen=True, slots=True)
class Pattern:
    """An outline with its openings, bend lines and marks."""

    name: str
    outline: Closed
    openings: tuple[Closed, ...] = ()
    bends: tuple[BendLine, ...] = ()
    marks: tuple[PointMark, ...] = ()
    scribes: tuple[ScribeLine, ...] = ()
    thickness_mm: float | None = None
    precision: Precision | None = None
    provenance: Provenance = field(default_factory=lambda: Provenance(made_by="hand"))
    notices: tuple[Notice, ...] = ()
    drawn: Drawn = Drawn()
