"""The propagated ± against a Monte Carlo of the whole measurement (JCGM 101:2008, clause 8).

Every draw is another world: another lens, header, print, bulge of the paper, corner noise and
thickness, each from the distribution that the budget believes in; OpenCV projects.  The camera
is recovered, the plate's places are read off the photo, and their distances compared with the
true ones.  Errors over their stated standard uncertainty must then have a root mean square of 1.
"""

import numpy as np

from digitize.camera.priors import Frame
from digitize.camera.recover import recover
from digitize.pattern.budget import Reading
from digitize.pattern.readings import stretched
from digitize.photo.photo import Photo
from digitize.sheets.catalogue import sheet
from digitize.sheets.layout import PrintScale
from digitize.tracing.traces import TracedLoop, TracedPiece
from digitize.uncertainty import causes
from digitize.uncertainty.budget import THICKNESS_U_MM, Circumstances, budget_of

DRAWS = 60
PRINT_U, HEADER_U, BULGE_MM, HEIGHT_MM = 0.0008, 0.02, 0.03, 1.5
NOTHING = Photo("none", "", np.full((8, 8, 3), 128, np.uint8), None, None)


def bulge(rng, nodes):
    """A smooth height field without mean or slope over the corners."""
    middle = nodes.mean(axis=0)
    half = np.abs(nodes - middle).max()
    powers = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))

    def terms(places):
        u, v = ((places - middle) / half).T
        return np.stack([u**i * v**j for i, j in powers], 1), np.column_stack([u * 0 + 1, u, v])

    raw, plane = terms(nodes)
    level = np.linalg.lstsq(plane, raw, rcond=None)[0]
    size = np.sqrt(((raw - plane @ level) ** 2).mean(axis=0))
    weights = rng.normal(0, BULGE_MM, len(powers)) / size

    def heights(places):
        here, flat = terms(places)
        return (here - flat @ level) @ weights

    return heights


def drawn(over):
    """(error, variance by cause) of each distance in each draw."""
    rng = np.random.default_rng(31)
    target = sheet("ring", "A4", 3)
    width, height = target.size_mm
    x, y = np.meshgrid(np.array([0.25, 0.75]) * width, np.array([0.2, 0.5, 0.8]) * height)
    places = np.column_stack([x.ravel(), y.ravel()])
    pairs = [(0, 1), (0, 4), (1, 5), (0, 5), (2, 3), (1, 4)]
    rows = []
    for _ in range(DRAWS):
        view = over(
            target,
            float(rng.uniform(3, 28)),
            focal_px=float(rng.uniform(2800, 3600)),
            off_middle_px=tuple(rng.normal(0, 30, 2)),
            k1=float(rng.normal(0, 0.03)),
            azimuth_deg=float(rng.uniform(0, 360)),
        )
        printed = tuple(1 + rng.normal(0, PRINT_U, 2))
        nodes = target.x_corners() * target.square_mm * np.array(printed)
        seen = view.sighting(rng, 0.03, bulge(rng, nodes), printed)
        header = view.camera.focal_px * np.exp(rng.normal(0, HEADER_U))
        scale = PrintScale(1.0, 1.0, PRINT_U, PRINT_U, True, "drawn")
        solution = recover(seen, scale, Frame(4000, 3000, header, HEADER_U))
        true_height = HEIGHT_MM + rng.normal(0, THICKNESS_U_MM)
        px = view.px(np.column_stack([places, np.full(len(places), true_height)]))
        found = solution.camera.to_sheet(px, HEIGHT_MM)
        n = len(places)
        loop = TracedLoop(found, px, np.full(n, 0.01), np.zeros(n, np.uint8), 0.1)
        how = Circumstances(NOTHING, solution, scale, "silhouette", HEIGHT_MM)
        budget = budget_of(TracedPiece(loop), how)
        for i, j in pairs:
            reading = Reading(stretched(tuple(found[i]), tuple(found[j])))
            error = np.linalg.norm(found[j] - found[i]) - np.linalg.norm(places[j] - places[i])
            rows.append((error, budget.variances(reading)))
    return rows


def test_errors_over_their_standard_uncertainty_have_unit_variance(over):
    rows = drawn(over)
    errors = np.array([error for error, _ in rows])
    u = np.sqrt([sum(variances.values()) for _, variances in rows])
    ratio = errors / u
    # Distances of one draw share their errors: 60 draws tell the root mean square to 10 to 15 %.
    assert 0.7 < np.sqrt(np.mean(ratio**2)) < 1.25
    assert np.mean(np.abs(ratio) < 2.0) > 0.88
    assert abs(ratio.mean()) < 0.35
    # Without the print's part the rest would not explain them.
    rest = u**2 - [variances[causes.PRINT] for _, variances in rows]
    assert np.sqrt(np.mean(errors**2 / rest)) > 1.5
