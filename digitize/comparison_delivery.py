"""What a comparison leaves in a folder: pictures, drawings, trim template, patterns, history."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from digitize.comparing import trials
from digitize.comparing.comparison import Comparison
from digitize.comparing.corrected import trimmed
from digitize.comparing.trials import History, Trial, changed, trial_of
from digitize.files.atomic import NotWritten, write_bytes
from digitize.files.comparison import drawing as comparison_drawing
from digitize.files.comparison import history as comparison_history
from digitize.files.comparison import picture as comparison_picture
from digitize.files.comparison import plot as comparison_plot
from digitize.files.comparison import report as comparison_report
from digitize.files.comparison.picture import Backdrop
from digitize.files.notes import one_line
from digitize.files.paper import writer as paper
from digitize.files.paper.offcut import Offcut
from digitize.files.units import Unit
from digitize.pattern import document
from digitize.pattern.model import Pattern

HISTORY = ".trials.json"


@dataclass(frozen=True, slots=True)
class DeliveryOptions:
    """How the files are written."""

    unit: Unit = "mm"
    paper: str = "A4"
    overwrite: bool = False


@dataclass(frozen=True, slots=True)
class Delivered:
    """What was left in a folder: the files, and the trials of the old piece, this one with them."""

    files: tuple[Path, ...] = ()
    history: History | None = None

    @property
    def before(self) -> Trial | None:
        """The trial before this one."""
        return self.history.before if self.history is not None else None

    @property
    def repeated(self) -> bool:
        """Whether this trial was on record already and does not count again."""
        return self.history is not None and self.history.repeated

    def since(self) -> list[str]:
        """What this trial changed, a sentence for each place; empty for the first one."""
        if self.history is None or self.before is None:
            return []
        return changed(self.before, self.history.now)


def deliver(
    found: Comparison,
    headline: str,
    folder: Path,
    options: DeliveryOptions,
    *,
    better: Pattern | None,
    backdrop: Backdrop | None = None,
) -> Delivered:
    """Write every file and add to the history; ``headline`` is the verdict over the pictures.

    ``better`` is what to cut next time, None where it would be the same again.
    A template and a trimmed pattern are written only where something is to be trimmed.
    Raises ``NotWritten`` before anything is written where a file exists.
    """
    unit = options.unit
    stem = f"{found.new.name}-over-{found.old.name}"
    pictures = {f"{stem}.png": comparison_picture.render(found, headline, unit)}
    if backdrop is not None:
        over_photo = comparison_picture.render(found, headline, unit, backdrop)
        pictures[f"{stem}-photo.png"] = over_photo
    pictures[f"{stem}-edge.png"] = comparison_plot.render(found, headline, unit)
    files = {
        **pictures,
        f"{stem}.pdf": comparison_report.render(one_line(stem), tuple(pictures.values())),
        f"{stem}.dxf": comparison_drawing.dxf(found, headline, unit),
        f"{stem}.svg": comparison_drawing.svg(found, headline, unit),
    }
    trim = trimmed(found)
    if trim.lines:
        printed = paper.PaperOptions(paper=options.paper, unit=unit)
        files[f"{trim.pattern.name}.pattern.json"] = document.dumps(trim.pattern).encode()
        offcuts = [Offcut(*ways) for ways in zip(trim.lines, trim.instead_of, strict=True)]
        files[f"{trim.pattern.name}-1to1.pdf"] = paper.render(trim.pattern, printed, offcuts)
    if better is not None:
        files[f"{better.name}.pattern.json"] = document.dumps(better).encode()
    history = History.with_trial(_trials(found, folder), trial_of(found))
    paths = {folder / name: data for name, data in files.items()}
    for path in paths:
        if path.exists() and not options.overwrite:
            raise NotWritten(
                "a file of that name exists already",
                where=str(path),
                do="choose another folder, or say --overwrite",
            )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise NotWritten(
            "the folder cannot be made", where=str(folder), do=(fault.strerror or "").lower()
        ) from fault
    written = [write_bytes(path, data, overwrite=options.overwrite) for path, data in paths.items()]
    listed = trials.dumps(found.old.name, history.trials).encode()
    written.append(write_bytes(_history(found, folder), listed, overwrite=True))
    if history.before is not None:  # a single trial has nothing beside it
        shown = comparison_history.render(found.old.name, history.alike, unit)
        path = folder / f"{found.old.name}-trials.png"
        written.append(write_bytes(path, shown, overwrite=True))
    return Delivered(tuple(written), history)


def _history(found: Comparison, folder: Path) -> Path:
    return folder / f"{found.old.name}{HISTORY}"


def _trials(found: Comparison, folder: Path) -> tuple[Trial, ...]:
    path = _history(found, folder)
    return trials.loads(path.read_text("utf-8")) if path.exists() else ()
