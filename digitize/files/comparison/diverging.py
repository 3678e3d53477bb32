"""A scale from less metal to more, for people with any common colour blindness.

Purple through white to orange: the eleven-class PuOr scheme of ColorBrewer 2.0 (Cynthia
Brewer and Mark Harrower, Pennsylvania State University, colorbrewer2.org, Apache Licence
2.0), which its authors mark as safe for colour-blind readers.  The middle is kept grey
enough to stand out from paper.
"""

from __future__ import annotations

import math

import numpy as np

from digitize.files.pictures.palette import Rgb

LESS_TO_MORE: tuple[Rgb, ...] = (
    (45, 0, 75),
    (84, 39, 136),
    (128, 115, 172),
    (178, 171, 210),
    (216, 218, 235),
    (247, 247, 247),
    (254, 224, 182),
    (253, 184, 99),
    (224, 130, 20),
    (179, 88, 6),
    (127, 59, 8),
)
SAME: Rgb = (150, 150, 150)  # within the measurement
MOVED: Rgb = (120, 156, 176)  # off, with neither more metal nor less


def colour(signed_mm: float, full_mm: float) -> Rgb:
    """The colour of a deviation where ``full_mm`` has the darkest; never near the white middle."""
    share = min(max(signed_mm / full_mm, -1.0), 1.0)
    share = math.copysign(0.3 + 0.7 * abs(share), share) if share else 0.0
    at = (share + 1.0) / 2.0 * (len(LESS_TO_MORE) - 1)
    low = min(int(at), len(LESS_TO_MORE) - 2)
    a, b = (np.array(LESS_TO_MORE[i], float) for i in (low, low + 1))
    r, g, blue = (round(float(v)) for v in a + (b - a) * (at - low))
    return r, g, blue


def full_scale_mm(largest_mm: float) -> float:
    """The next of 1, 2, 5 times a power of ten; a tenth of a millimetre at least."""
    least = max(largest_mm, 0.1)
    power = 10.0 ** math.floor(math.log10(least))
    return next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9))
