"""The ``digitize`` command: the list of commands, and how a fault reaches the person.

Commands live one to a file and import the package only when they run, so that ``--help``
is instant.  Exit codes are those of ``DigitizeError`` subclasses; see docs/commands.md.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable
from typing import Annotated

import typer

from digitize.cli import (
    assemble_command,
    blank_command,
    check_command,
    compare_command,
    draw_command,
    fit_command,
    fold_command,
    join_command,
    nest_command,
    phone_command,
    plan_command,
    printer_command,
    samples_command,
    sheet_command,
    sizes_command,
    trace_command,
)

app = typer.Typer(
    help="True-scale sheet-metal patterns from photos with a printed target in view.",
    invoke_without_command=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        from digitize import __version__

        typer.echo(f"digitize {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which.")
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit(2)


app.command("trace")(trace_command.trace)
app.command("check")(check_command.check)
app.command("sheet")(sheet_command.sheet)
app.command("printer")(printer_command.printer)
app.command("phone")(phone_command.phone)
app.command("sizes")(sizes_command.sizes)
app.command("compare")(compare_command.compare)
app.command("fit")(fit_command.fit)
app.command("assemble")(assemble_command.assemble)
app.command("draw")(draw_command.draw)
app.command("blank")(blank_command.blank)
app.command("join")(join_command.join)
app.command("fold")(fold_command.fold)
app.command("plan")(plan_command.plan)
app.command("nest")(nest_command.nest)
app.command("samples")(samples_command.samples)


MISSING_LIBRARY = (
    "OpenCV cannot start because the system library {name} is missing: on Debian or Ubuntu run "
    "'apt-get install libgl1 libglib2.0-0', on Fedora 'dnf install mesa-libGL glib2'."
)


_USAGE: type[Exception] = typer.BadParameter.__mro__[1]
"""What is raised where the command line itself is wrong; its home moved between versions."""


def run() -> None:
    """Entry point: run the command; print a fault as one sentence and exit with its code."""
    # The matrices here are small; threads of the linear algebra library only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from digitize.errors import DigitizeError, Exit

    try:
        code = app(standalone_mode=False, prog_name="digitize")
    except _USAGE as error:
        _say(_usage(error), "Usage")
        sys.exit(Exit.ASKED)
    except typer.Abort:
        _say("stopped.", "Stopped")
        sys.exit(Exit.OTHER)
    except DigitizeError as error:
        _say(str(error), type(error).__name__, getattr(error, "__notes__", ()))
        sys.exit(error.exit_code)
    except ImportError as error:
        if ".so" not in str(error):
            raise
        _say(MISSING_LIBRARY.format(name=str(error).split(":")[0]), "MissingLibrary")
        sys.exit(Exit.OTHER)
    if isinstance(code, int) and code:
        sys.exit(code)


def _usage(error: Exception) -> str:
    """What is wrong with the command line, and which help says how it goes."""
    said: str = error.format_message()  # type: ignore[attr-defined]
    context = getattr(error, "ctx", None)
    command = "digitize" if context is None else context.command_path
    # What the parser's own checks say of themselves is of no use to anybody.
    said = re.sub("Value error, |, unable to parse .*", "", said).strip().rstrip(".")
    return f"{said} (see '{command} --help')."


def _say(sentence: str, kind: str, notes: Iterable[str] = ()) -> None:
    if "--json" in sys.argv:
        said = {"kind": kind, "sentence": sentence, "notes": list(notes)}
        typer.echo(json.dumps({"error": said}))
    typer.echo(f"digitize: {sentence}", err=True)
    for note in notes:
        typer.echo(note, err=True)
