"""A piece in its opening in words: whether it goes in, and what to do edge by edge."""

from __future__ import annotations

from digitize.comparing.opening import CUT_TO_MM, EdgeGap, OpeningFit, wanted_gap_mm
from digitize.files.comparison.words import fine
from digitize.files.units import Unit, length

SAME = "same within measurement"
_MUCH = 0.05  # of the edge; where less of it cannot be judged the rest still can


def headline(found: OpeningFit, unit: Unit) -> str:
    """The verdict on the whole, in one line."""
    overlaps = [e for e in found.edges if e.verdict == "overlap"]
    if overlaps:
        worst = max(overlaps, key=lambda e: e.trim_mm)
        most = fine(worst.trim_mm, unit)
        return f"does not go in: overlaps by up to {most} {at_edge(worst)}"
    gaps = [e for e in found.edges if e.verdict == "gap"]
    if not gaps and _unsure_share(found) > _MUCH:
        return _cannot_tell(found, unit)
    if not gaps:
        missing = "nothing missing of the lap" if found.options.lap_mm else "touches all round"
        left = "; cannot tell on a short edge whose ± is too large" if _unsure_share(found) else ""
        return f"fits: {missing}, {SAME}{left}"
    worst = max(gaps, key=lambda e: e.most_mm)
    most = fine(worst.most_mm, unit)
    if found.options.lap_mm:
        return f"lap too small: {most} of it missing {at_edge(worst)}"
    return f"goes in: largest gap {most} {at_edge(worst)}, {worst.band.word}"


def _unsure_share(found: OpeningFit) -> float:
    whole_mm = sum(e.length_mm for e in found.edges)
    return sum(e.length_mm for e in found.edges if e.verdict == "unsure") / whole_mm


def _cannot_tell(found: OpeningFit, unit: Unit) -> str:
    """That nothing is off by more than the ±, which is too large to say that it fits."""
    unsure = [e for e in found.edges if e.verdict == "unsure"]
    worst = max(unsure, key=lambda e: e.expanded_mm)
    good, expanded = fine(found.options.good_mm, unit), fine(worst.expanded_mm, unit)
    what = "may be missing of the lap" if found.options.lap_mm else "is good"
    limit = f"the {good} that {what}"
    unmeasured = any(n.code == "print-unmeasured" for n in found.comparison.notices)
    first = "measure the bars of the print first" if unmeasured else "measure again"
    return (
        f"cannot tell whether it fits: ± {expanded} {at_edge(worst)} is more than {limit}; {first}"
    )


def at_edge(edge: EdgeGap) -> str:
    """Where an edge is, for the middle of a sentence."""
    return f"on the {edge.where} ({edge.edge})" if edge.edge else "all round"


def verdict_words(edge: EdgeGap, *, lapped: bool) -> str:
    """The verdict on one edge."""
    match edge.verdict:
        case "same":
            return "same, within ±"
        case "unsure":
            return "cannot tell, ± too large"
        case "gap":
            return "lap too small" if lapped else edge.band.word
        case "overlap":
            gap = f"; elsewhere {edge.band.word}" if edge.band.rank else ""
            return f"overlaps{gap}"


def name_words(edge: EdgeGap) -> str:
    """Where the edge is, its name, and whether it was seen."""
    seen = {"measured": "", "restored": ", rebuilt", "bridged": ", not seen"}[edge.evidence]
    return f"{edge.where} ({edge.edge}{seen})" if edge.edge else f"all round{seen}"


def now_words(edge: EdgeGap, unit: Unit) -> str:
    """What to do about an edge of the piece there is."""
    if edge.verdict == "unsure":
        return "measure first"
    said = []
    if edge.trim_mm > 0.0:
        said.append(f"trim {fine(edge.trim_mm, unit)}")
    if edge.strip_mm is not None:
        long, wide = edge.strip_mm
        said.append(f"add a strip {length(long, unit, 0)} × {length(wide, unit)}")
    return "; ".join(said) or "as it is"


def next_words(edge: EdgeGap, unit: Unit) -> str:
    """How to cut it next time."""
    if edge.verdict == "unsure":
        return "cannot tell"
    if edge.bigger_mm is None:
        return "the same"
    more = "bigger" if edge.bigger_mm > 0 else "smaller"
    return f"{fine(abs(edge.bigger_mm), unit)} {more}"


def next_rule(found: OpeningFit, unit: Unit) -> str:
    """The sum behind "next time", for whoever wants to check it."""
    if found.options.lap_mm:
        return "Next time: bigger by the mean of what is missing of the lap, where that is over ±."
    wanted, finest = fine(wanted_gap_mm(found.options), unit), fine(CUT_TO_MM, unit)
    return (
        f"Next time: bigger by the mean gap less {wanted}, the middle of the good band (below "
        f"zero: smaller); the same where the edge is good already or that is under {finest}."
    )
