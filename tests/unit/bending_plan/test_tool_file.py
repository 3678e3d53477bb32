import pytest

from digitize.bending_plan.tool_file import BadTool, read, tool_named, tool_of, with_dimensions
from digitize.bending_plan.tools import TOOLS, Bars, Folder, Vice


def test_a_tool_file_changes_what_it_names(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('kind = "vice"\njaw_width = 100\ndepth = 60.5\nback_off_deg = 2\n')
    assert tool_named(str(path)) == Vice(jaw_width_mm=100.0, depth_mm=60.5, back_off_deg=2.0)
    path.write_text('kind = "box-folder"\nfingers = [20, 40, 80]\nlength = 400\n')
    assert read(path) == Folder(length_mm=400.0, fingers_mm=(20.0, 40.0, 80.0))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, "which kind"),
        ({"kind": "hammer"}, "which kind"),
        ({"kind": "vice", "jaws": 3}, "no 'jaws'"),
        ({"kind": "vice", "depth": -1}, "depth is -1"),
        ({"kind": "vice", "depth": True}, "depth is True"),
        ({"kind": "bars", "back_off_deg": 90}, "0 to 80"),
        ({"kind": "box-folder", "fingers": []}, "1 to 12"),
        ({"kind": "box-folder", "fingers": [0]}, "no width"),
    ],
)
def test_a_wrong_line_is_named(table, said):
    with pytest.raises(BadTool, match=said):
        tool_of(table)


def test_files_that_are_no_tool(tmp_path):
    with pytest.raises(BadTool, match="cannot be read"):
        tool_named(str(tmp_path / "none.toml"))
    path = tmp_path / "bad.toml"
    path.write_bytes(b"\xff\xfe kind")
    with pytest.raises(BadTool, match="not TOML"):
        read(path)
    with pytest.raises(BadTool, match="no tool called 'anvil'"):
        tool_named("anvil")


def test_the_command_line_may_say_width_depth_and_fingers():
    assert with_dimensions(Vice(), 90.0, 50.0, None) == Vice(jaw_width_mm=90.0, depth_mm=50.0)
    assert with_dimensions(Bars(), 300.0, None, None) == Bars(length_mm=300.0)
    box = with_dimensions(TOOLS["box-folder"], 500.0, None, (30.0, 60.0))
    assert box == Folder(length_mm=500.0, fingers_mm=(30.0, 60.0))
    with pytest.raises(BadTool, match="no fingers"):
        with_dimensions(Vice(), None, None, (30.0,))
    with pytest.raises(BadTool, match="no jaws"):
        with_dimensions(box, None, 40.0, None)
