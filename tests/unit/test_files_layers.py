import re
from dataclasses import replace
from itertools import pairwise

import pytest
from ezdxf.colors import aci2rgb

from digitize.files.layers import LAYERS, bend_role
from digitize.pattern.model import BendLine


def test_layer_names_are_safe_for_r12_and_unlike_each_other() -> None:
    # R12: 31 characters, A-Z 0-9 $ - _ (DXF reference, from memory).
    names = [layer.name for layer in LAYERS.values()]
    assert all(re.fullmatch(r"[A-Z0-9_]{1,31}", name) for name in names)
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("role", LAYERS)
def test_dxf_and_svg_show_the_same_colour(role: str) -> None:
    layer = LAYERS[role]  # type: ignore[index]
    if layer.colour_index == 7:
        assert layer.rgb == "#000000"  # index 7 is black on a light ground
    else:
        assert layer.rgb == "#{:02x}{:02x}{:02x}".format(*aci2rgb(layer.colour_index))


def test_no_colour_means_something_to_a_cutting_program_by_accident() -> None:
    colours = [layer.rgb for layer in LAYERS.values()]
    assert not {"#ff0000", "#0000ff"} & set(colours)
    assert len(set(colours)) == len(colours)


def test_a_bead_is_on_no_layer_of_bends() -> None:
    line = BendLine((0.0, 0.0), (1.0, 0.0), 0.0, True)
    assert bend_role(line) == "bend toward"
    assert bend_role(replace(line, bead="arc 20 x 4 mm, held")) == "bead"


def test_only_outline_and_openings_cut() -> None:
    assert {role for role, layer in LAYERS.items() if layer.cuts} == {"outline", "opening"}
    widths = sorted({layer.line_width_mm for layer in LAYERS.values()})
    for narrow, wide in pairwise(widths):
        assert wide / narrow == pytest.approx(2.0, rel=0.05)  # ISO 128: 2:1
