"""Colours of lines drawn over a photo, and how they are drawn.

The eight colours of Okabe and Ito ("Color Universal Design", 2002, rev. 2008; values from
memory) stay apart for people with any common colour blindness; a dark halo keeps them
legible on paper white, rust and bright metal alike.
"""

from __future__ import annotations

from typing import Literal

Kind = Literal["outline", "opening", "bend", "mark", "restored", "target", "left-out"]
Rgb = tuple[int, int, int]

SKY_BLUE: Rgb = (86, 180, 233)
YELLOW: Rgb = (240, 228, 66)
REDDISH_PURPLE: Rgb = (204, 121, 167)
BLUISH_GREEN: Rgb = (0, 158, 115)
VERMILION: Rgb = (213, 94, 0)
ORANGE: Rgb = (230, 159, 0)
WHITE: Rgb = (255, 255, 255)
HALO: Rgb = (16, 20, 28)

COLOURS: dict[Kind, Rgb] = {
    "outline": SKY_BLUE,
    "opening": YELLOW,
    "bend": REDDISH_PURPLE,
    "mark": BLUISH_GREEN,
    "restored": VERMILION,
    "target": ORANGE,
    "left-out": WHITE,
}

TITLES: dict[Kind, str] = {
    "outline": "outline",
    "opening": "holes and cut-outs",
    "bend": "bend lines",
    "mark": "point marks",
    "restored": "rebuilt or bridged",
    "target": "target corners used",
    "left-out": "seen, not used",
}
