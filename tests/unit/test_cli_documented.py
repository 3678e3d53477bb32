"""Every option of every command is told of in the documentation, and no other ones are."""

import re
from pathlib import Path

import pytest
import typer

from digitize.cli.main import app

DOCS = Path(__file__).parents[2] / "docs"
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")
OTHER_PROGRAMS = re.compile(r"(?m)(^\s*|`)(pip|python|pytest)\s[^`]*?(`|$)")
COMMANDS = typer.main.get_command(app).commands


def options(command):
    return {o for p in COMMANDS[command].params for o in p.opts if o.startswith("--")}


@pytest.fixture(scope="module")
def listed():
    """Options by command as the table has them, and those common to many."""
    text = (DOCS / "commands.md").read_text("utf-8")
    section = text.split("## Options\n")[1].split("\n## ")[0]
    common, table = section.split("| --- | --- |\n")
    rows = re.findall(r"^\| `([a-z]+)` \|(.*)\|$", table, re.MULTILINE)
    return {name: set(OPTION.findall(row)) for name, row in rows}, set(OPTION.findall(common))


def test_every_command_is_in_the_table(listed):
    assert set(listed[0]) == set(COMMANDS)


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_its_options_are_those_of_the_table(listed, command):
    rows, common = listed
    assert options(command) - common == rows[command]


def test_the_documentation_names_no_option_that_is_not_there():
    there = set().union(*map(options, COMMANDS)) | {"--help", "--version"}
    benchmarks = DOCS / "accuracy.md"  # speaks of their options, too
    for path in {*DOCS.glob("*.md"), DOCS.parent / "README.md"} - {benchmarks}:
        text = OTHER_PROGRAMS.sub("", path.read_text("utf-8"))
        assert set(OPTION.findall(text)) <= there, path.name


def test_every_option_has_a_sentence_of_help():
    for name, command in COMMANDS.items():
        for parameter in command.params:
            assert parameter.help, (name, parameter.name)
