"""The job of several photos: one layout of all sheets, one drawing of every piece.

Every photo helps to say where the sheets lie and how the cameras stood.  A drawing is flat:
the photos are laid down on its plane and traced as one.  A piece has height, so that each
photo shows it from its own side: it is traced in every photo, as far as that shows it, and
what they show is joined.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from digitize.bundle.frames import over_sheet, to_common, to_sheet
from digitize.bundle.joint import JointSolution, Placement, solve
from digitize.bundle.one_photo import sightings_used
from digitize.bundle.papers import clear_of_papers, paper, strays
from digitize.bundle.view import Scales, View
from digitize.camera.camera import Camera
from digitize.errors import DigitizeError, Exit, Notice, place_words
from digitize.job import JobOptions, JobResult, Seen, result_of, trace_seen
from digitize.phone.expect import expected
from digitize.photo.photo import Photo
from digitize.photo.reading import read_photo
from digitize.sheets.layout import Sheet
from digitize.sighting.sight import sight
from digitize.sighting.sighting import Sighting
from digitize.sighting.unseen import sheet_twice
from digitize.stitching.bared import bared
from digitize.stitching.carried import carried, moved
from digitize.stitching.cut_lines import lines_cut
from digitize.stitching.ground import ground_light, papers_in
from digitize.stitching.orthophoto import Laid, orthophoto
from digitize.stitching.stitch import NotAllSeen, PhotoTrace, stitch
from digitize.tracing.ink.trace import InkOptions, trace_ink
from digitize.tracing.light import fit_paper_light
from digitize.tracing.mode import choose_mode
from digitize.tracing.silhouette.trace import SilhouetteOptions, trace_silhouette
from digitize.tracing.traces import MEASURED, Traced, TracedLoop, TracedPiece

Where = Literal["auto", "inside", "around"]
Progress = Callable[[str], None]
FloatArray = NDArray[np.float64]

_BESIDE_MM = 300.0  # beyond the outermost sheets a drawing may reach
_LEAST_SEEN = 0.1  # of an outline: less is the soft shadow of a sheet that stands up, no piece


@dataclass(frozen=True, eq=False)
class JointResult:
    """The patterns of several photos, with everything that was seen on the way."""

    job: JobResult  # as if of the photo that shows most, in the common frame
    joint: JointSolution
    best: tuple[NDArray[np.intp], ...]  # of each piece: the photo of each outline point


def _views(
    paths: Sequence[Path], options: JobOptions, progress: Progress
) -> tuple[tuple[View, ...], tuple[Notice, ...]]:
    """What each photo shows, and what speaks against the phone's profile for it.

    Photos without a legible sheet are refused by ``sight``; raises ``PhotoTwice`` and
    ``SheetTwice``.
    """
    views: list[View] = []
    notices: dict[str, Notice] = {}
    names: dict[str, str] = {}
    for path in paths:
        progress(f"Looking for sheets in {path.name}")
        photo = read_photo(path)
        if photo.sha256 in names:
            raise PhotoTwice(
                "the same photo was given twice",
                where=f"{names[photo.sha256]} and {photo.name}",
                do="give each photo once; two that show the same from other places help more",
            )
        names[photo.sha256] = photo.name
        belief = expected(options.phone, photo) if options.phone is not None else None
        for notice in belief.notices if belief is not None else ():
            notices[notice.text] = replace(notice, text=f"{photo.name}: {notice.text}")
        lens = belief.lens if belief is not None else None
        sightings = sight(photo)
        for sighting in sightings:
            if sighting.twice:
                raise sheet_twice(photo, sighting.sheet)
        views.append(View(_header(photo), sightings, lens))
    return tuple(views), tuple(notices.values())


class PhotoTwice(DigitizeError):
    """One photo was given more than once."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class _Header:
    """What the layout needs of a photo; the picture itself is not kept."""

    name: str
    width_px: int
    height_px: int
    focal_prior_px: float | None
    focal_prior_rel: float | None
    maker: str | None


def pattern_from_photos(
    paths: Sequence[Path],
    options: JobOptions,
    *,
    where: Where = "auto",
    scales: Scales | None = None,
    progress: Progress = lambda step: None,
) -> JointResult:
    """Patterns of every piece that the photos show together, largest first.

    ``where`` says whether a piece lies inside a ring or among the sheets; "auto" looks
    among them, but first inside where there is just one ring.  ``scales`` gives sheets off
    several printers their own print scales.  Raises a ``DigitizeError`` of the step that
    could not do its part.
    """
    views, against = _views(paths, options, progress)
    progress("Working out the cameras and the sheets' places")
    joint = solve(views, scales or options.print_scale, _datum(views, options))
    found = _found(_Bench(tuple(paths), tuple(views), joint, options), where, progress)
    progress("Fitting lines and arcs")
    seen_best = np.concatenate(found.best)
    number = int(np.bincount(seen_best[seen_best >= 0]).argmax())
    own = sightings_used(joint, number, views[number].sightings)
    sheets = [s.sheet for s in views[number].sightings]
    solution = joint.camera_solution(number, sheets.index(own[0].sheet))
    scale = replace(options.print_scale, u_x=joint.scale_u, u_y=joint.scale_u)
    seen = Seen(
        read_photo(paths[number]),
        own,
        solution,
        replace(options, print_scale=scale),
        (*joint.notices, *against, _joined(joint), *found.notices),
    )
    traced = _as_seen(found.traced, solution.camera, found.height_mm)
    job = result_of(seen, traced, options.name or paths[0].stem)
    cameras = [view.camera for view in joint.views]
    # Those that show most of the rest come first.
    by_share = np.argsort(-np.bincount(seen_best[seen_best >= 0], minlength=len(paths)))
    beside = tuple((paths[k], cameras[k]) for k in by_share.tolist() if k != number)
    return JointResult(replace(job, beside=beside), joint, found.best)


def _header(photo: Photo) -> _Header:
    return _Header(
        photo.name,
        photo.width_px,
        photo.height_px,
        photo.focal_prior_px,
        photo.focal_prior_rel,
        photo.maker,
    )


def _datum(views: Sequence[View], options: JobOptions) -> Sheet | None:
    """The sheet of the number asked for; raises ``SheetNotShown``."""
    if options.sheet_number is None:
        return None
    sheets = [s.sheet for view in views for s in view.sightings]
    asked = next((s for s in sheets if s.number == options.sheet_number), None)
    if asked is None:
        seen = ", ".join(dict.fromkeys(str(s) for s in sheets))
        raise SheetNotShown(
            f"no photo shows a sheet of number {options.sheet_number}",
            where=f"seen are {seen}",
            do="name one of these with --sheet",
        )
    return asked


class SheetNotShown(DigitizeError):
    """The sheet that is to carry the frame is in no photo."""

    exit_code = Exit.TARGET


@dataclass(frozen=True, eq=False)
class _Found:
    """Everything traced, in the common frame."""

    traced: Traced
    best: tuple[NDArray[np.intp], ...]  # of each piece: the photo of each outline point
    height_mm: float
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, eq=False)
class _Bench:
    """All photos over one layout."""

    paths: tuple[Path, ...]
    views: tuple[View, ...]
    joint: JointSolution
    options: JobOptions

    def over(self, number: int) -> tuple[Sighting, Placement]:
        """The sheet that a photo shows best, of those in use."""
        placed = {p.sheet: p for p in self.joint.placements}
        view = self.joint.views[number]
        counts = [int(used.sum()) for used in view.used]
        sighting = self.views[number].sightings[int(np.argmax(counts))]
        return sighting, placed[sighting.sheet]

    def laid(self, number: int) -> Laid:
        """One photo with its camera and light."""
        photo, camera = read_photo(self.paths[number]), self.joint.views[number].camera
        sighting, placement = self.over(number)
        local = over_sheet(camera, placement)
        light = fit_paper_light(photo, local, sighting.sheet, placement.scale)
        papers = shapely.union_all(papers_in(camera, self.lying(number)))
        return Laid(photo, camera, ground_light(light, papers, papers))

    @property
    def region_mm(self) -> FloatArray:
        """What was asked for, else the ground clear of all papers."""
        if self.options.region_mm is not None:
            return self.options.region_mm
        astray = (p for number in range(len(self.views)) for p in self.astray(number))
        return clear_of_papers([*self.joint.placements, *astray])

    def astray(self, number: int) -> tuple[Placement, ...]:
        """Where the sheets left out of a photo seem to lie in it."""
        return strays(self.joint, number, self.views[number].sightings)

    def lying(self, number: int) -> list[Placement]:
        """All sheets in a photo, used or not."""
        return [*self.joint.placements, *self.astray(number)]

    def asked_for(self, box_mm: tuple[float, ...], placement: Placement) -> bool:
        """Whether the middle of a box on a sheet lies in the region asked for."""
        if self.options.region_mm is None:
            return True
        x0, y0, x1, y1 = box_mm
        middle = to_common(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]), placement)[0]
        region = shapely.make_valid(shapely.Polygon(self.options.region_mm))
        return bool(shapely.contains(region, shapely.Point(middle)))

    @property
    def middle(self) -> Placement:
        """The sheet nearest the middle of all."""
        at = np.array([p.middle_mm for p in self.joint.placements])
        middle = (at.min(axis=0) + at.max(axis=0)) / 2
        return self.joint.placements[int(np.argmin(np.hypot(*(at - middle).T)))]


def _found(bench: _Bench, where: Where, progress: Progress) -> _Found:
    """The first place with something in it: inside a ring or among the sheets."""
    faults: list[DigitizeError] = []
    for ring in _places(bench.joint, where):
        try:
            mode = bench.options.mode
            if mode == "auto":
                mode = _mode(bench, ring)
            if mode == "ink":
                return _drawn(bench, ring, progress)
            return _silhouettes(bench, ring, progress)
        except (NotAllSeen, DrawingCutOff):
            raise
        except DigitizeError as fault:
            if fault.exit_code != Exit.TRACE:
                raise
            faults.append(fault)
    raise faults[-1]


def _places(joint: JointSolution, where: Where) -> list[Placement | None]:
    """Where to look for the piece in turn: inside a ring, or, None, among the sheets."""
    rings = [p for p in joint.placements if p.sheet.work_area_mm is not None]
    ring = next((p for p in rings if p.sheet == joint.datum), next(iter(rings), None))
    if where == "around" or ring is None:
        return [None]
    if where == "inside":
        return [ring]
    return [ring, None] if len(rings) == 1 else [None]


def _mode(bench: _Bench, ring: Placement | None) -> Literal["ink", "silhouette"]:
    """What the photo with most corners shows, taken for them all."""
    counts = [sum(int(u.sum()) for u in view.used) for view in bench.joint.views]
    number = int(np.argmax(counts))
    photo, camera = read_photo(bench.paths[number]), bench.joint.views[number].camera
    if ring is not None:
        mode, _ = choose_mode(photo, over_sheet(camera, ring), ring.sheet, ring.scale)
        return mode
    _, placement = bench.over(number)
    bare = bared(photo, camera, bench.lying(number), placement)
    mode, _ = choose_mode(bare.photo, bare.camera, _filled(placement.sheet), placement.scale)
    return mode


def _filled(sheet: Sheet) -> Sheet:
    """The sheet as if printed all over: what lies round it counts, not its blank middle."""
    return replace(sheet, form="card", band=0)


def _drawn(bench: _Bench, ring: Placement | None, progress: Progress) -> _Found:
    """A drawing, traced in the picture that all photos make together."""
    options = bench.options
    progress("Laying the photos down on the drawing")
    laid = [bench.laid(number) for number in range(len(bench.paths))]
    height_mm = options.surface_height_mm
    picture = orthophoto(laid, _drawn_box(bench, ring), height_mm)
    over = bench.middle if ring is None else ring
    ground = _drawn_region(bench)
    region = ground if ring is None else options.region_mm
    progress("Following the ink lines")
    traced = trace_ink(
        picture.photo,
        over_sheet(picture.camera, over),
        _filled(over.sheet) if ring is None else over.sheet,
        InkOptions(
            line_side=options.line_side,
            height_mm=height_mm,
            region_mm=None if region is None else to_sheet(region, over),
            scale_xy=over.scale,
        ),
    )
    traced = carried(traced, over)
    notices = () if ring is not None else _check_whole(traced, lines_cut(picture, ground))
    rows, columns = picture.source.shape
    best = []
    for piece in traced.pieces:
        x, y = np.round(piece.outline.points_px).astype(np.intp).T
        best.append(
            picture.source[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)].astype(np.intp)
        )
    return _Found(traced, tuple(best), height_mm, notices)


def _check_whole(traced: Traced, crossings_mm: FloatArray) -> tuple[Notice, ...]:
    """What to say of lines that run out of the photos; raises ``DrawingCutOff``.

    Of an outline cut off, only its openings may have been traced.
    """
    if len(crossings_mm) == 0:
        return ()
    at = (float(crossings_mm[0][0]), float(crossings_mm[0][1]))
    what = "a line runs out of what the photos show or under a sheet"
    where = f"near {place_words(at)}"
    do = "if it belongs to the outline, take one more photo that shows where it goes on"
    largest = max(float(np.ptp(p.outline.points_mm, axis=0).max()) for p in traced.pieces)
    gaps = crossings_mm[:, None] - crossings_mm[None]
    if float(np.hypot(gaps[..., 0], gaps[..., 1]).max()) > largest:
        raise DrawingCutOff(what, where=where, do=do)
    return (Notice("line-cut-off", f"{what} {where}: {do}", "doubt", (at,)),)


class DrawingCutOff(DigitizeError):
    """Lines run out of the photos, and what closes inside is smaller than what they span."""

    exit_code = Exit.TRACE


def _drawn_region(bench: _Bench) -> FloatArray:
    """The ground clear of papers, as far as photos show it."""
    clear = shapely.make_valid(shapely.Polygon(bench.region_mm))
    parts = shapely.get_parts(shapely.intersection(clear, shapely.buffer(_all_shown(bench), -2.0)))
    largest = max(parts, key=lambda part: part.area)
    return np.asarray(shapely.get_coordinates(largest.exterior)[:-1])


def _all_shown(bench: _Bench) -> shapely.Geometry:
    """What the photos show of the drawn plane."""
    height_mm = bench.options.surface_height_mm
    return shapely.union_all([_shown(view.camera, height_mm) for view in bench.joint.views])


def _drawn_box(bench: _Bench, ring: Placement | None) -> tuple[float, float, float, float]:
    """The part of the plane to look at: what any photo shows of where a drawing may be."""
    papers = [paper(p) for p in (bench.joint.placements if ring is None else (ring,))]
    hull = shapely.convex_hull(shapely.union_all(papers))
    if bench.options.region_mm is not None and ring is None:
        hull = shapely.union(hull, shapely.make_valid(shapely.Polygon(bench.options.region_mm)))
    elif ring is None:
        hull = shapely.buffer(hull, _BESIDE_MM)
    x0, y0, x1, y1 = shapely.intersection(hull, _all_shown(bench)).bounds
    return float(x0), float(y0), float(x1), float(y1)


def _shown(camera: Camera, height_mm: float) -> shapely.Geometry:
    """What a photo shows of the plane, as far as its rim looks down on it."""
    width, height = camera.size_px
    rim = shapely.get_coordinates(
        shapely.segmentize(
            shapely.LinearRing([(0, 0), (width, 0), (width, height), (0, height)]), 100.0
        )
    )
    places = camera.to_sheet(rim, height_mm)
    places = places[np.isfinite(places).all(axis=1)]
    far = 20 * camera.centre_mm[2]
    near = np.hypot(*(places - camera.centre_mm[:2]).T) < far
    hull: shapely.Geometry = shapely.convex_hull(shapely.MultiPoint(places[near]))
    return hull


def _silhouettes(bench: _Bench, ring: Placement | None, progress: Progress) -> _Found:
    """Pieces traced in every photo and joined."""
    traces: list[PhotoTrace] = []
    faults: list[tuple[str, DigitizeError]] = []
    for number, path in enumerate(bench.paths):
        progress(f"Following the edges in {path.name}")
        try:
            traces.append(_silhouette(bench, ring, number))
        except DigitizeError as fault:
            if fault.exit_code != Exit.TRACE:
                raise
            faults.append((bench.views[number].photo.name, fault))
    if not traces:
        raise faults[0][1]
    progress("Joining the photos")
    stitched = stitch(traces)
    names = [view.name for view in bench.joint.views]
    number_of = np.array([names.index(one.name) for one in traces] + [-1])
    return _Found(
        stitched.traced,
        tuple(number_of[piece.outline.photo] for piece in stitched.pieces),
        max(bench.options.thicknesses_mm, default=0.0),
        tuple(
            Notice("photo-not-traced", f"{name} only helped to place the sheets: {fault.what}")
            for name, fault in faults
        ),
    )


def _silhouette(bench: _Bench, ring: Placement | None, number: int) -> PhotoTrace:
    """What one photo shows of the pieces, in the common frame."""
    view, options = bench.joint.views[number], bench.options
    photo = read_photo(bench.paths[number])
    height_mm = max(options.thicknesses_mm, default=0.0)
    if ring is not None:
        sighting = next((s for s in bench.views[number].sightings if s.sheet == ring.sheet), None)
        if sighting is None:
            raise RingNotInPhoto(f"{ring.sheet} is not in it", where=view.name)
        solution = replace(
            bench.joint.camera_solution(number), camera=over_sheet(view.camera, ring)
        )
        region = options.region_mm
        local = replace(
            options,
            mode="silhouette",
            print_scale=replace(options.print_scale, x=ring.scale[0], y=ring.scale[1]),
            region_mm=None if region is None else to_sheet(region, ring),
        )
        traced = trace_seen(Seen(photo, (sighting,), solution, local, ()), lambda step: None)
        return PhotoTrace(view.name, view.camera, carried(traced, ring), height_mm)
    _, placement = bench.over(number)
    bare = bared(photo, view.camera, bench.lying(number), placement)
    lying = SilhouetteOptions(height_mm or None)
    parts = []
    for box in bare.looked_at(height_mm, lying.min_area_mm2):
        if not bench.asked_for(box, placement):
            continue
        camera, ring_there, corner = bare.framed(box)
        part = trace_silhouette(bare.photo, camera, ring_there, lying, light=bare.light)
        parts.append(moved(part, corner.__add__))
    if not parts:
        raise NothingButEnds("no piece lies on the ground in it")
    traced = replace(
        parts[0],
        pieces=tuple(piece for part in parts for piece in part.pieces),
        left_out=tuple(item for part in parts for item in part.left_out),
        notices=tuple(notice for part in parts for notice in part.notices),
    )
    traced = _true_pieces(bare.cut_by(traced))
    return PhotoTrace(view.name, view.camera, carried(traced, placement), height_mm)


def _true_pieces(traced: Traced) -> Traced:
    """Without what is mostly the edge of something painted over, or no sharp edge at all."""
    pieces = tuple(
        p for p in traced.pieces if (p.outline.evidence == MEASURED).mean() > _LEAST_SEEN
    )
    if not pieces:
        raise NothingButEnds("it shows no edge of a piece")
    return replace(traced, pieces=pieces)


class RingNotInPhoto(DigitizeError):
    """The ring that holds the piece is not in the photo."""

    exit_code = Exit.TRACE


class NothingButEnds(DigitizeError):
    """Nothing traced in a photo has an edge of its own."""

    exit_code = Exit.TRACE


def _as_seen(traced: Traced, camera: Camera, height_mm: float) -> Traced:
    """The trace with every point where one photo sees it, for its proof."""

    def loop(one: TracedLoop) -> TracedLoop:
        lifted = np.column_stack([one.points_mm, np.full(len(one.points_mm), height_mm)])
        return replace(one, points_px=camera.to_px(lifted))

    def piece(one: TracedPiece) -> TracedPiece:
        return replace(
            one, outline=loop(one.outline), openings=tuple(loop(o) for o in one.openings)
        )

    return replace(traced, pieces=tuple(piece(p) for p in traced.pieces))


def _joined(joint: JointSolution) -> Notice:
    names = ", ".join(view.name for view in joint.views)
    sheets = ", ".join(str(p.sheet) for p in joint.placements)
    return Notice("photos-joined", f"measured in {names} together; sheets: {sheets}")
