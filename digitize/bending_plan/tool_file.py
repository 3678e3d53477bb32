"""A person's own tool in a small readable file (TOML), on top of one of the kinds known here.

kind = "vice"          # or bars, box-folder, straight-folder
jaw_width = 100        # millimetres, or degrees where the name says so
depth = 60
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path

from digitize.bending_plan.tools import TOOLS, Folder, Tool
from digitize.errors import DigitizeError, Exit

_LARGEST = 100_000  # bytes


class BadTool(DigitizeError):
    """A tool that is not known, or a file that does not describe one."""

    exit_code = Exit.ASKED


def tool_named(name: str) -> Tool:
    """A kind of tool with its usual dimensions, or the tool in a .toml file."""
    if name.endswith(".toml"):
        return read(Path(name))
    if name not in TOOLS:
        raise BadTool(
            f"no tool called {name!r}", do="choose " + ", ".join(TOOLS) + " or give a .toml file"
        )
    return TOOLS[name]


def read(path: Path) -> Tool:
    """The tool in a file; raises BadTool."""
    try:
        if path.stat().st_size > _LARGEST:
            raise BadTool("the file is too large to describe a tool", where=str(path))
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise BadTool(
            "the tool cannot be read", where=str(path), do=(fault.strerror or "").lower()
        ) from fault
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise BadTool("the file is not TOML", where=str(path), do=str(fault)) from fault
    try:
        return tool_of(table)
    except BadTool as fault:
        raise BadTool(fault.what, where=str(path), do=fault.do) from fault


def tool_of(table: Mapping[str, object]) -> Tool:
    """The tool a table describes; raises BadTool naming the line that is wrong."""
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in TOOLS:
        raise BadTool("the file does not say which kind of tool", do="kind = one of " + _or(TOOLS))
    tool = TOOLS[kind]
    known = {_key(f.name): f.name for f in fields(tool)}
    said: dict[str, float | tuple[float, ...]] = {}
    for key, value in table.items():
        if key == "kind":
            continue
        if key not in known:
            raise BadTool(f"a {kind} has no {key!r}", do="it has " + ", ".join(known))
        said[known[key]] = _fingers(value) if key == "fingers" else _number(key, value)
    return replace(tool, **said)  # type: ignore[arg-type]


def with_dimensions(
    tool: Tool,
    width_mm: float | None,
    depth_mm: float | None,
    fingers_mm: tuple[float, ...] | None,
) -> Tool:
    """A tool with what the command line says of it; raises BadTool for what it has not."""
    given: dict[str, object] = {}
    names = {f.name for f in fields(tool)}
    if width_mm is not None:
        given["jaw_width_mm" if "jaw_width_mm" in names else "length_mm"] = width_mm
    if depth_mm is not None:
        if isinstance(tool, Folder):
            raise BadTool(f"there are no jaws on the {tool.title}", do="leave --depth out")
        given["depth_mm"] = depth_mm
    if fingers_mm is not None:
        if not isinstance(tool, Folder) or not tool.fingers_mm:
            raise BadTool(f"there are no fingers on the {tool.title}", do="leave --fingers out")
        given["fingers_mm"] = fingers_mm
    return replace(tool, **given)  # type: ignore[arg-type]


def _key(name: str) -> str:
    return name.removesuffix("_mm")


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e5:
        raise BadTool(f"{key} is {value!r}", do="give a number of millimetres or degrees")
    if key.endswith("_deg") and value > 80:
        raise BadTool(f"{key} is {value!r}", do="give 0 to 80")
    return float(value)


def _fingers(value: object) -> tuple[float, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= 12:
        raise BadTool(f"fingers is {value!r}", do="give a list of 1 to 12 widths")
    widths = tuple(_number("fingers", v) for v in value)
    if min(widths) <= 0:
        raise BadTool("a finger has no width", do="give widths above zero")
    return widths


def _or(names: Mapping[str, object]) -> str:
    return " or ".join(f'"{n}"' for n in names)
