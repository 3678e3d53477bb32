"""From several sheets in one or more photos to the cameras over one common plane.

Each sheet is rigid, lies anywhere and at any angle, and is as large as its print is known
to be.  Cameras, lenses and the places of the sheets are estimated together; what sheet was
lifted, bent or moved meanwhile is found and left out (see ``search``).  The common frame is
that of one sheet, the datum; uncertainties do not depend on which (see ``gauge``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from digitize.bundle.gauge import free_network
from digitize.bundle.heights import HEIGHTS, all_heights
from digitize.bundle.normal import inverse, linearise, residuals_px
from digitize.bundle.search import Found, SetAside, free_unknowns, search
from digitize.bundle.start import check_linked
from digitize.bundle.state import PLACE, State, order_of, reframed, turn
from digitize.bundle.suspects import active_blocks, active_sheets
from digitize.bundle.view import Block, Problem, Scales, View, problem_of
from digitize.bundle.weighing import Weighing
from digitize.camera.camera import Camera, CameraSolution
from digitize.errors import DigitizeError, Exit, Notice
from digitize.sheets.layout import Sheet

FloatArray = NDArray[np.float64]

_CERTAIN = 4.0  # standard deviations
_POOR_PX, _POOR = 0.1, 2.0  # as the single photo's "poor-fit"


class NothingToSolveError(DigitizeError):
    """No photo, or a photo without a sheet."""

    exit_code = Exit.CAMERA


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Where a sheet lies in the common frame."""

    sheet: Sheet
    middle_mm: tuple[float, float]  # of its lattice
    angle_rad: float  # of its x axis, counter-clockwise
    scale: tuple[float, float]  # printed over nominal, across and up, as adjusted
    aspect: float  # x over y of the print, over what its scale said
    covariance: FloatArray  # (3, 3) of middle (mm) and angle, in the free network
    heights_mm: FloatArray  # (HEIGHTS,) how it departs from the plane
    rms_px: float  # of its corners in all photos, per axis
    expected_rms_px: float  # what their own noise explains

    def to_plane(self, nominal_mm: FloatArray) -> FloatArray:
        """Places (N, 2) in the common frame of nominal sheet places (N, 2)."""
        local = (nominal_mm - np.array(self.sheet.size_mm) / 2) * np.array(self.scale)
        return np.asarray(local @ turn(self.angle_rad).T + np.array(self.middle_mm))


@dataclass(frozen=True, slots=True, eq=False)
class ViewSolution:
    """One photo's part of the solution."""

    name: str
    camera: Camera  # in the common frame
    used: tuple[NDArray[np.bool_], ...]  # (N,) corners kept, of each of its sightings
    residuals_px: tuple[FloatArray, ...]  # (N, 2) seen minus predicted; NaN where left out
    rms_px: float  # over the kept corners, per axis
    expected_rms_px: float  # what their own noise explains
    prior: str  # the belief about the lens that the photos agreed with


@dataclass(frozen=True, slots=True, eq=False)
class JointSolution:
    """Cameras and sheets in one frame.

    The cameras' covariance leaves out the common scale, as that of a single photo does;
    ``scale_u`` is its relative standard uncertainty.
    """

    datum: Sheet  # its lower left lattice corner is the origin, its x axis the x axis
    views: tuple[ViewSolution, ...]  # in the order given
    placements: tuple[Placement, ...]  # of the sheets in use
    left_out: tuple[tuple[Sheet, tuple[str, ...]], ...]  # sheets, and the photos they fail in
    scale_u: float
    out_of_plane_mm: float  # from the lowest to the highest corner, as far as certain (0: none)
    notices: tuple[Notice, ...]

    def camera_solution(self, number: int, sighting: int = 0) -> CameraSolution:
        """One photo's camera in the form that a single sheet gives, for one of its sightings."""
        view = self.views[number]
        datum = next(p for p in self.placements if p.sheet == self.datum)
        return CameraSolution(
            camera=view.camera,
            used=view.used[sighting],
            residuals_px=view.residuals_px[sighting],
            rms_px=view.rms_px,
            expected_rms_px=view.expected_rms_px,
            sheet_flatness_mm=self.out_of_plane_mm,
            print_aspect=datum.aspect,
            prior=view.prior,
        )


def solve(views: Sequence[View], scales: Scales, datum: Sheet | None = None) -> JointSolution:
    """Cameras and sheets from what was seen in one or more photos.

    ``scales`` is one print scale for all sheets, or one for each.  ``datum`` is the sheet
    whose frame is wanted; else it is the one seen largest in the photo that shows most.  If
    that sheet has to be left out, another becomes the datum.

    Raises
    ------
    NothingToSolveError
        A photo without sheets.
    PhotosNotLinkedError
        Photos that no chain of common sheets ties to the others.
    BlockNotFlatError
        A photo in which no sheet is flat.
    SheetsDisagreeError
        Sheets that cannot all be right, too few to tell which are.
    """
    if not views:
        raise NothingToSolveError("there are no photos", do="give at least one")
    for view in views:
        if not view.sightings:
            raise NothingToSolveError(
                "no sheet is seen", where=view.photo.name, do="leave that photo out"
            )
    problem = problem_of(views, scales)
    check_linked(problem)
    wanted = problem.sheets.index(datum) if datum in problem.sheets else None
    found = search(problem, wanted)
    return _Finished(found.problem, found, problem.lens_of).solution(views)


@dataclass(frozen=True, slots=True, eq=False)
class _Finished:
    """From what the search found to what is handed on."""

    problem: Problem
    found: Found
    lens_told: tuple[int, ...]  # of each photo, by its header

    def solution(self, views: Sequence[View]) -> JointSolution:
        problem, found = self.problem, self.found
        state = reframed(found.state, problem, found.datum)
        weighing = found.weighing
        covariance, scale_u = self._covariance(state)
        rows = [
            (block, good & bool(on), self._residuals(state, block))
            for block, good, on in zip(problem.blocks, weighing.good, weighing.active, strict=True)
        ]
        placements = tuple(
            self._placement(state, covariance, s, [r for r in rows if r[0].sheet == s])
            for s in active_sheets(problem, weighing)
        )
        solved = tuple(
            self._view(state, covariance, p, [r for r in rows if r[0].photo == p])
            for p in range(len(views))
        )
        return JointSolution(
            datum=problem.sheets[found.datum],
            views=solved,
            placements=placements,
            left_out=tuple(
                (problem.sheets[a.sheet], tuple(problem.photos[p].name for p in a.photos))
                for a in found.aside
            ),
            scale_u=scale_u,
            out_of_plane_mm=self._out_of_plane_mm(state, covariance),
            notices=(
                *map(self._notice, found.aside),
                *self._other_lenses(),
                *_poor(placements, solved),
            ),
        )

    def _residuals(self, state: State, block: Block) -> FloatArray:
        off = residuals_px(state, self.problem, block)
        return np.full(block.px.shape, np.nan) if off is None else off

    def _covariance(self, state: State) -> tuple[FloatArray, float]:
        """Of all unknowns, in the free network, with what the model leaves unexplained."""
        problem, found = self.problem, self.found
        order = order_of(problem)
        free = np.flatnonzero(free_unknowns(problem, found.weighing, found.datum))
        plain = linearise(state, problem, found.beliefs, found.weighing.weights(problem))
        at = np.ix_(free, free)
        normal = plain.information[at] + plain.prior_information[at]
        told = float(np.trace(inverse(normal) @ plain.information[at]))
        weighing = Weighing(found.weighing.good, found.weighing.active, self._swelling(state, told))
        swollen = linearise(state, problem, found.beliefs, weighing.weights(problem))
        covariance = np.zeros((order.count, order.count))
        covariance[at] = inverse(swollen.information[at] + swollen.prior_information[at])
        corners = np.zeros(order.sheets)
        for number in np.flatnonzero(weighing.active):
            corners[problem.blocks[number].sheet] += weighing.good[number].sum()
        return free_network(state, problem, covariance, corners)

    def _swelling(self, state: State, told: float) -> FloatArray:
        """Variance (S,) of each sheet's corners over their noise's.

        What exceeds the noise and is shared by neighbours does not average out over the
        sheet, and what is printed wrong does not average out over the photos.
        """
        problem, weighing = self.problem, self.found.weighing
        used = [problem.blocks[b].px[weighing.good[b]] for b in np.flatnonzero(weighing.active)]
        count = sum(len(px) for px in used)
        freedom = max(1 - told / (2 * count), 0.25)
        swell = np.ones(len(problem.sheets))
        for sheet in active_sheets(problem, weighing):
            blocks = active_blocks(problem, weighing, sheet)
            off = [
                self._residuals(state, problem.blocks[b])[weighing.good[b]]
                / problem.blocks[b].sigma_px[weighing.good[b], None]
                for b in blocks
            ]
            misfit = float((np.vstack(off) ** 2).mean()) / freedom
            excess = max(misfit - 1, 0.0)
            common = np.mean(
                [
                    _common(problem.blocks[b], o, weighing.good[b])
                    for b, o in zip(blocks, off, strict=True)
                ]
            )
            shared = min(max(float(common) / excess, 0.0), 1.0) if excess > 0 else 0.0
            swell[sheet] = 1 + excess * (len(blocks) + shared * 2 * count / told)
        return swell

    def _placement(
        self,
        state: State,
        covariance: FloatArray,
        sheet: int,
        rows: list[tuple[Block, NDArray[np.bool_], FloatArray]],
    ) -> Placement:
        problem = self.problem
        at = order_of(problem).sheet(sheet)[:PLACE]
        nominal = np.array(problem.sheets[sheet].size_mm)
        seen = np.exp(state.print_[problem.print_of[sheet]] + state.stretch[sheet])
        scale = problem.size_mm(sheet) / nominal * seen
        rms, expected = _rms(rows)
        x, y = (float(v) for v in state.middle_mm[sheet])
        return Placement(
            sheet=problem.sheets[sheet],
            middle_mm=(x, y),
            angle_rad=math.remainder(float(state.angle_rad[sheet]), 2 * math.pi),
            scale=(float(scale[0]), float(scale[1])),
            aspect=float(seen[0] / seen[1]),
            covariance=covariance[np.ix_(at, at)],
            heights_mm=state.heights_mm[sheet],
            rms_px=rms,
            expected_rms_px=expected,
        )

    def _view(
        self,
        state: State,
        covariance: FloatArray,
        photo: int,
        rows: list[tuple[Block, NDArray[np.bool_], FloatArray]],
    ) -> ViewSolution:
        problem = self.problem
        order = order_of(problem)
        by_unknown = np.zeros((11, order.count))
        by_unknown[np.arange(6), order.photo(photo)[:6]] = 1.0
        by_unknown[np.arange(6, 11), order.lens(problem.lens_of[photo])] = 1.0
        by_unknown[np.arange(6, 9), order.photo(photo)[6:]] = 1.0
        pinhole, picture = state.pinhole(problem, photo), problem.photos[photo]
        rms, expected = _rms(rows)
        return ViewSolution(
            name=picture.name,
            camera=Camera(
                size_px=(picture.width_px, picture.height_px),
                rotation=pinhole.rotation,
                translation_mm=pinhole.translation_mm,
                focal_px=pinhole.focal_px,
                principal_px=pinhole.principal_px,
                k1=pinhole.k1,
                k2=pinhole.k2,
                covariance=by_unknown @ covariance @ by_unknown.T,
            ),
            used=tuple(used for _, used, _ in rows),
            residuals_px=tuple(off for _, _, off in rows),
            rms_px=rms,
            expected_rms_px=expected,
            prior=self.found.beliefs.lens[problem.lens_of[photo]].name,
        )

    def _out_of_plane_mm(self, state: State, covariance: FloatArray) -> float:
        """From the lowest to the highest corner of all sheets in use; 0 where none is certain."""
        problem = self.problem
        heights, certain = [0.0], False
        for s in active_sheets(problem, self.found.weighing):
            terms = all_heights(problem.sheets[s])
            at = order_of(problem).sheet(s)[-HEIGHTS:]
            mine = terms @ state.heights_mm[s]
            worst = int(np.abs(mine).argmax())
            u = math.sqrt(max(float(terms[worst] @ covariance[np.ix_(at, at)] @ terms[worst]), 0.0))
            certain |= abs(float(mine[worst])) > _CERTAIN * u
            heights += [float(mine.min()), float(mine.max())]
        return max(heights) - min(heights) if certain else 0.0

    def _other_lenses(self) -> Iterator[Notice]:
        for photo, (told, used) in enumerate(
            zip(self.lens_told, self.problem.lens_of, strict=True)
        ):
            if told != used:
                yield Notice(
                    "other-lens",
                    f"{self.problem.photos[photo].name} is of another lens, zoom or crop than the "
                    "other photos of that size; it was solved on its own",
                )

    def _notice(self, aside: SetAside) -> Notice:
        sheet = str(self.problem.sheets[aside.sheet])
        photos = ", ".join(self.problem.photos[p].name for p in aside.photos)
        about = "" if aside.size_mm is None else f" by about {aside.size_mm:.1f} mm"
        if aside.fault == "moved":
            return Notice(
                "sheet-moved",
                f"{sheet} lies elsewhere in {photos} than in the other photos (moved{about}); "
                "it is not used there",
                "doubt",
            )
        said = {
            "lifted": f"does not lie in the plane of the others (off{about})",
            "bent": f"is bent{about}",
        }[aside.fault]
        return Notice(
            f"sheet-{aside.fault}", f"{sheet} {said}; it is left out: tape it down flat", "doubt"
        )


def _common(block: Block, off: FloatArray, good: NDArray[np.bool_]) -> float:
    """Mean product of the residuals of neighbouring corners, in their standard deviations."""
    names = block.nodes[good] @ np.array([100_003, 1])
    pairs = np.hstack(
        [
            np.stack(np.intersect1d(names + step, names, return_indices=True)[1:])
            for step in (1, 100_003)
        ]
    )
    return float((off[pairs[0]] * off[pairs[1]]).mean()) if pairs.size else 0.0


def _rms(
    rows: list[tuple[Block, NDArray[np.bool_], FloatArray]],
) -> tuple[float, float]:
    """Of the used corners' residuals, per axis, and of their own noise; 0 where none is used."""
    if not any(used.any() for _, used, _ in rows):
        return 0.0, 0.0
    off2 = np.concatenate([(off[used] ** 2).mean(axis=1) for _, used, off in rows])
    noise2 = np.concatenate([block.sigma_px[used] ** 2 for block, used, _ in rows])
    return float(np.sqrt(off2.mean())), float(np.sqrt(noise2.mean()))


def _poor(placements: tuple[Placement, ...], views: tuple[ViewSolution, ...]) -> tuple[Notice, ...]:
    """Sheets and photos that fit worse than their corners' noise."""
    fits = [(str(p.sheet), p.rms_px, p.expected_rms_px) for p in placements]
    fits += [(v.name, v.rms_px, v.expected_rms_px) for v in views]
    poor = [fit for fit in fits if fit[1] > max(_POOR_PX, _POOR * fit[2])]
    return tuple(
        Notice(
            "poor-fit",
            f"{name} fits to {rms:.2f} px where {expected:.2f} px is the noise of its corners: "
            "a sheet is not quite flat or was touched, or the lens is unusual; the ± is widened",
            "doubt",
        )
        for name, rms, expected in poor
    )
