"""Makes the sample photographs: ``python samples/render NAME...`` or ``all`` or ``list``.

``accuracy`` prints how exactly painted edges are placed; ``check`` compares the cameras in
all truth files with the renderer's rays.

``face-by-face`` makes one photograph of each face of a folded cover, ``floor-opening`` two of
an opening with a card beside it, ``floor-section`` the four photographs of one long piece,
``second-make`` the bracket of rusty-bracket made anew, each in a folder of its own.

``--quick`` makes them small and grainy, ``--into FOLDER`` elsewhere than in samples/.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import engine

engine.start()

import face_by_face  # noqa: E402 - the renderer must be started first
import floor_opening  # noqa: E402
import floor_section  # noqa: E402
import second_make  # noqa: E402
from accuracy import report  # noqa: E402
from lens import coarser  # noqa: E402
from make import make  # noqa: E402
from scenes import MADE  # noqa: E402
from verify import check_file  # noqa: E402

FOLDERS = {
    part.FOLDER: part.shots for part in (face_by_face, floor_opening, floor_section, second_make)
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="+", metavar="NAME")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--into", type=Path, default=Path(__file__).resolve().parent.parent)
    asked = parser.parse_args()
    if asked.names == ["list"]:
        print("\n".join([*MADE, *FOLDERS]))
        return
    if asked.names == ["accuracy"]:
        report()
        return
    if asked.names == ["check"]:
        for path in sorted(asked.into.glob("*.json")):
            print(f"{path.stem}: {check_file(path):.6f} px")
        return
    if len(asked.names) == 1 and asked.names[0] in FOLDERS:
        (folder,) = asked.names
        for shot in FOLDERS[folder]():
            make(shot, asked.into / folder)
        return
    names = list(MADE) if asked.names == ["all"] else asked.names
    for name in names:
        if name not in MADE:
            parser.error(f"there is no photograph called {name}: try list")
    for name in names:
        shot = MADE[name]()
        if asked.quick:
            shot = replace(shot, lens=coarser(shot.lens, 0.6), samples=16)
        make(shot, asked.into)


main()
