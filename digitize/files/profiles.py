"""Profiles of things measured once, kept by name as JSON in the user's configuration.

A profile names its kind and version, so that no other file is taken for one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import platformdirs

from digitize.errors import DigitizeError
from digitize.files.atomic import NotWritten, write_bytes

_LARGEST = 1_000_000  # bytes
_NAME = re.compile(r"[^\W_](?:[\w .-]{0,58}[^\W_])?")


class Named(Protocol):
    """What a profile must have."""

    @property
    def name(self) -> str:
        """What people call it."""


P = TypeVar("P", bound=Named)


@dataclass(frozen=True, slots=True)
class Shelf(Generic[P]):
    """Where the profiles of one kind of thing are kept, and how they are written."""

    thing: str  # "printer"
    version: int
    to_fields: Callable[[P], dict[str, Any]]
    from_fields: Callable[[Mapping[str, Any]], P]
    fault: type[DigitizeError]  # raised for what is no profile
    again: str  # what to do about a damaged one
    make: str  # how to get the first one

    def check_name(self, name: str) -> str:
        """A name that also serves as a file name; raises ``fault``."""
        if not _NAME.fullmatch(name):
            raise self.fault(
                f"{name!r} will not do as the name of a {self.thing}",
                do="use up to 60 letters, digits, spaces, dots and hyphens",
            )
        return name

    def path(self, name: str, folder: Path | None = None) -> Path:
        """Where the profile of that name is kept: in the user's configuration unless told."""
        if folder is None:
            folder = platformdirs.user_config_path("digitize") / f"{self.thing}s"
        return folder / (re.sub(r"\s+", "-", self.check_name(name).casefold()) + ".json")

    def save(self, profile: P, path: Path | None = None, *, overwrite: bool = False) -> Path:
        """Keep a profile; raises ``NotWritten``, also when one of that name exists."""
        if path is None:
            path = self.path(profile.name)
            path.parent.mkdir(parents=True, exist_ok=True)
        return write_bytes(path, self.to_json(profile).encode(), overwrite=overwrite)

    def refuse_overwriting(self, name: str) -> None:
        """Stop before the work begins where a profile stands already; raises ``NotWritten``."""
        path = self.path(name)
        if path.exists():
            raise NotWritten(
                f"there is a profile of {self.thing} {name!r} already",
                where=str(path),
                do="choose another name, or say --overwrite",
            )

    def load(self, name_or_path: str | Path, folder: Path | None = None) -> P:
        """A profile by its name, or from a file ending in .json; raises ``fault``."""
        given = str(name_or_path)
        path = Path(given) if given.endswith(".json") else self.path(given, folder)
        try:
            if path.stat().st_size > _LARGEST:
                raise self.fault(
                    f"the file is too large for a {self.thing} profile", where=str(path)
                )
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            known = self.names(folder)
            raise self.fault(
                f"there is no profile of a {self.thing} {given!r}",
                do=("known are " + ", ".join(known)) if known else self.make,
            ) from None
        except (OSError, UnicodeDecodeError) as fault:
            raise self.fault(f"the {self.thing} profile cannot be read", where=str(path)) from fault
        return self.from_json(text, where=str(path))

    def names(self, folder: Path | None = None) -> list[str]:
        """Names of the things that have a profile."""
        found = []
        for path in sorted(self.path("any", folder).parent.glob("*.json")):
            try:
                found.append(self.load(path).name)
            except DigitizeError:
                continue
        return found

    @property
    def _kind(self) -> str:
        return f"digitize {self.thing} profile"

    def to_json(self, profile: P) -> str:
        """The profile as a small JSON document."""
        document = {"kind": self._kind, "version": self.version, **self.to_fields(profile)}
        return json.dumps(document, indent=2, ensure_ascii=False) + "\n"

    def from_json(self, text: str, *, where: str = "") -> P:
        """The profile in a JSON document; raises ``fault``."""
        try:
            document = json.loads(text)
        except (ValueError, RecursionError) as fault:
            raise self.fault(f"the {self.thing} profile is not JSON", where=where) from fault
        if not isinstance(document, dict) or document.get("kind") != self._kind:
            raise self.fault(f"the file is no {self.thing} profile", where=where)
        if document.get("version") != self.version:
            raise self.fault(
                f"the {self.thing} profile has version {document.get('version')!r}, and this "
                f"program reads version {self.version}",
                where=where,
                do=self.again,
            )
        try:
            return self.from_fields(document)
        except (KeyError, TypeError, ValueError, OverflowError) as fault:
            where_in_it = fault.args[0] if fault.args else fault
            raise self.fault(
                f"the {self.thing} profile is damaged, see {where_in_it}",
                where=where,
                do=self.again,
            ) from fault
        except DigitizeError as fault:
            raise self.fault(fault.what, where=where, do=fault.do) from fault


def text(document: Mapping[str, Any], key: str) -> str:
    """A string; raises KeyError, TypeError."""
    value = document[key]
    if not isinstance(value, str):
        raise TypeError(key)
    return value


def number(document: Mapping[str, Any], key: str) -> float:
    """A number; raises KeyError, TypeError."""
    return real(document[key], key)


def real(value: object, key: str) -> float:
    """A number that stands under ``key``; raises TypeError."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(key)
    return float(value)
