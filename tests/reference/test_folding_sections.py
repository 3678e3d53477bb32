"""Single bends in the tool, held against plane geometry drawn with shapely.

A channel is the same all along its bends, so its second bend can be judged in section: leg,
web and leg are drawn by hand beside the tool's section and swung degree by degree.  Cases
closer than a millimetre are left out on either side.
"""

import math

import folded_pieces as pieces
import numpy as np
import pytest
import shapely
from shapely.affinity import rotate

from digitize.bending_plan.bench import Bench
from digitize.bending_plan.part import Part
from digitize.bending_plan.setting import prisms_of
from digitize.bending_plan.tools import Bars, Choice, Folder, Vice

T, R = 1.2, 1.2
SURE_MM = 1.0
LOAD_DEG = 90.0 / 0.99


def section(web, leg, angle_deg):
    """Web and bent leg when the free leg is held and the web has swung by an angle.

    Drawn as it stands at 90 degrees (the web upright over the tool line, the leg pointing
    back) and turned about the middle of the bend.
    """
    upright = shapely.box(0.0, T + R, T, web)
    back = shapely.box(T - leg, web - T, T, web)
    return [rotate(p, angle_deg - 90.0, origin=(-R, T + R)) for p in (upright, back)]


def expected(web, leg, tool):
    """Whether anything is hit; None where it is too close to say.

    The web leans on what it is bent over, so only the leg may come near without a hit.
    """
    fixed = [shapely.Polygon(s.corners) for s in tool.sections(T, R) if s.span != "ends"]
    sure = maybe = False
    for angle in np.arange(0.0, LOAD_DEG, 1.0):
        upright, back = section(web, leg, float(angle))
        for solid in fixed:
            inner = solid.buffer(-SURE_MM)
            sure |= inner.intersects(back.buffer(-0.3 * T)) or inner.intersects(upright)
            maybe |= solid.buffer(SURE_MM).intersects(back)
    return True if sure else None if maybe else False


@pytest.mark.parametrize("tool", [Vice(), Bars(), Folder(fingers_mm=(), clamp_height_mm=40.0)])
def test_the_second_bend_of_a_channel_hits_what_its_section_hits(tool):
    random = np.random.default_rng(11)
    said = {True: 0, False: 0}
    for _ in range(40):
        web, leg = random.uniform(12.0, 70.0), random.uniform(10.0, 60.0)
        wanted = expected(web, leg, tool)
        if wanted is None:
            continue
        part = Part(pieces.developed(pieces.channel(web, leg, 30.0, 100.0)))
        setting = Bench(part, tool, "mild-steel")._setting(1, part.tree.base == 2)
        assert setting.held_faces == (2,)
        prisms = prisms_of(tool, setting, Choice(600.0), -250.0)
        found = setting.against_tool(1, prisms, LOAD_DEG)
        assert (found is not None) is wanted, (web, leg, found)
        said[wanted] += 1
    assert min(said.values()) >= 5, said
    assert math.isclose(LOAD_DEG, 90.9, abs_tol=0.01)
