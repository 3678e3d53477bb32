"""A piece in its opening in words: whether it goes in, and what to do edge by edge."""

from __future__ import annotations

from digitize.comparing.opening import EdgeGap, OpeningFit, wanted_gap_mm
from digitize.files.comparison.words import fine
from digitize.files.units import Unit, length

SAME = "same within measurement"


def headline(found: OpeningFit, unit: Unit) -> str:
    """The verdict on the whole, in one line."""
    overlaps = [e for e in found.edges if e.verdict == "overlap"]
    if overlaps:
        worst = max(overlaps, key=lambda e: e.trim_mm)
        most = fine(worst.trim_mm, unit)
        return f"does not go in: overlaps by up to {most} {at_edge(worst)}"
    gaps = [e for e in found.edges if e.verdict == "gap"]
    if not gaps:
        missing = "nothing missing of the lap" if found.options.lap_mm else "touches all round"
        return f"fits: {missing}, {SAME}"
    worst = max(gaps, key=lambda e: e.most_mm)
    most = fine(worst.most_mm, unit)
    if found.options.lap_mm:
        return f"lap too small: {most} of it missing {at_edge(worst)}"
    return f"goes in: largest gap {most} {at_edge(worst)}, {worst.band.word}"


def at_edge(edge: EdgeGap) -> str:
    """Where an edge is, for the middle of a sentence."""
    return f"on the {edge.where} ({edge.edge})" if edge.edge else "all round"


def verdict_words(edge: EdgeGap, *, lapped: bool) -> str:
    """The verdict on one edge."""
    match edge.verdict:
        case "same":
            return "same, within ±"
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
    said = []
    if edge.trim_mm > 0.0:
        said.append(f"trim {fine(edge.trim_mm, unit)}")
    if edge.strip_mm is not None:
        long, wide = edge.strip_mm
        said.append(f"add a strip {length(long, unit, 0)} × {length(wide, unit)}")
    return "; ".join(said) or "as it is"


def next_words(edge: EdgeGap, unit: Unit) -> str:
    """How to cut it next time."""
    if edge.bigger_mm is None:
        return "the same"
    more = "bigger" if edge.bigger_mm > 0 else "smaller"
    return f"{fine(abs(edge.bigger_mm), unit)} {more}"


def next_rule(found: OpeningFit, unit: Unit) -> str:
    """The sum behind "next time", for whoever wants to check it."""
    if found.options.lap_mm:
        return "Next time: bigger by the mean of what is missing of the lap, where that is over ±."
    wanted = fine(wanted_gap_mm(found.options), unit)
    return (
        f"Next time: bigger by the mean gap less {wanted}, the middle of the good band (below "
        "zero: smaller); the same where the edge is good already or that is within ±."
    )
