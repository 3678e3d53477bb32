"""From a photographed tracing with three flanges to blank, folded piece, plan and job sheet.

The sizes that must come out are those of the scene the photograph was rendered from.
"""

import math

import numpy as np
import pypdfium2
import pytest
import sample_truth as truths
import trimesh

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.materials import material
from digitize.bending_plan.plan import plan
from digitize.bending_plan.tools import TOOLS, Vice
from digitize.blank.develop import develop
from digitize.cli.samples_command import job_options
from digitize.files.paper import job_sheet
from digitize.files.pictures import shaded
from digitize.folding.from_pattern import blank_of
from digitize.folding.sizes import fold_names, folded_sizes
from digitize.folding.solid import fold_up
from digitize.job import pattern_from_photo
from digitize.nesting.need import need
from digitize.pattern import document

NAME = "tracing-three-flanges"
WITHIN_MM = 0.2
STEEL = material("mild-steel")


@pytest.fixture(scope="module")
def truth():
    return truths.load(truths.SAMPLES / f"{NAME}.json")


@pytest.fixture(scope="module")
def blank(truth):
    """The blank as it is read back from its file."""
    pattern = pattern_from_photo(truths.SAMPLES / truth["photo"], job_options(truth)).patterns[0]
    facts, _ = resolve(pattern, Stock(STEEL, 1.2), {"all": Said(90.0, True, 1.2)})
    written = document.dumps(develop(pattern, facts).pattern)
    return blank_of(document.loads(written), STEEL)[0]


def true_heights(piece):
    """How far each true flange reaches beyond its bend line: the shorter side of it.

    The metal ends at the inside of the drawn line, half a stroke short of its middle.
    """
    outline = piece.outline.points_mm(0.01)
    heights = []
    for (x0, y0), (x1, y1) in piece.bends:
        d = math.dist((x0, y0), (x1, y1))
        off = ((x1 - x0) * (outline[:, 1] - y0) - (y1 - y0) * (outline[:, 0] - x0)) / d
        heights.append(min(off.max(), -off.min()) - piece.stroke_width_mm / 2)
    return sorted(heights)


def test_the_folded_flanges_stand_as_high_as_in_the_scene(truth, blank):
    solid = fold_up(blank)
    base = f"F{blank.tree.base + 1}"
    found = [s.folded_mm for s in folded_sizes(blank, solid) if s.face != base]
    assert sorted(found) == pytest.approx(true_heights(truths.pieces(truth)[0]), abs=WITHIN_MM)
    mesh = trimesh.Trimesh(solid.vertices_mm, solid.triangles, process=False)
    assert mesh.is_watertight
    assert mesh.extents[2] == pytest.approx(max(found), abs=1e-3)


def test_the_job_sheet_says_how_to_bend_it(blank):
    folder = plan(blank, TOOLS["box-folder"], STEEL.name)
    assert sorted(s.operation.name for s in folder.steps) == ["B1", "B2", "B3"]
    vice = plan(blank, Vice(), STEEL.name)
    assert "154 mm long and the jaws 125 mm wide" in vice.blocks[0].sentence
    assert vice.remedies
    picture = shaded.render(fold_up(blank), fold_names(blank.tree), size_px=(300, 270))
    wanted = need(blank.pattern, 7850.0)
    sheet = job_sheet.JobSheet(blank, folder, STEEL.title, wanted, picture)
    page = pypdfium2.PdfDocument(job_sheet.render(sheet))
    assert len(page) == 2  # the template follows
    text = page[0].get_textpage().get_text_bounded()
    assert all(name in text for name in ("B1", "B2", "B3", "F2 lies under the clamp"))
    dark = np.asarray(page[0].render(scale=1).to_pil().convert("L")) < 128
    assert 0.005 < dark.mean() < 0.2
