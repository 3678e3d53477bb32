"""Writing a file so that it is there whole or not at all, and nothing is lost by it."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from digitize.errors import DigitizeError, Exit


class NotWritten(DigitizeError):
    """The file could not be written, or stands there already."""

    exit_code = Exit.FILE


def refuse_existing(paths: Iterable[Path]) -> None:
    """Stop where a file stands already; raises ``NotWritten`` with its name."""
    for path in paths:
        if path.exists():
            raise NotWritten(
                "a file of that name exists already",
                where=str(path),
                do="choose another folder or name, or say --overwrite",
            )


def make_folder(folder: Path) -> None:
    """Make a folder where it is missing; raises ``NotWritten``."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise NotWritten(
            "the folder cannot be made", where=str(folder), do=(fault.strerror or "").lower()
        ) from fault


def write_all(files: Mapping[Path, bytes], *, overwrite: bool = False) -> tuple[Path, ...]:
    """Write several finished files, making their folders; none where one of them stands already.

    Raises ``NotWritten``.
    """
    if not overwrite:
        refuse_existing(files)
    for folder in dict.fromkeys(path.parent for path in files):
        make_folder(folder)
    return tuple(write_bytes(path, data, overwrite=overwrite) for path, data in files.items())


def write_bytes(path: Path | str, data: bytes, *, overwrite: bool = False) -> Path:
    """Write ``data`` to ``path``: to a file beside it first, then moved into place.

    A symbolic link is followed.  Returns the path.  Raises ``NotWritten`` when the file
    exists and ``overwrite`` is not set, and when the folder cannot be written to.
    """
    path = Path(path)
    target = path.resolve()
    if target.is_dir():
        raise NotWritten(
            "the name given for a file is that of a folder", where=str(path), do="give a file name"
        )
    if target.exists() and not overwrite:
        raise NotWritten(
            "a file of that name exists already",
            where=str(path),
            do="choose another name, or say --overwrite",
        )
    beside = target.with_name(f".{secrets.token_hex(6)}.part")
    try:
        with open(beside, "xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            shutil.copymode(target, beside)
        os.replace(beside, target)
    except OSError as fault:
        raise NotWritten(
            "the file could not be written",
            where=str(path),
            do=(fault.strerror or str(fault)).lower(),
        ) from fault
    finally:
        with suppress(OSError):
            beside.unlink()
    return path
