"""Files are written whole or not at all, and never over another unasked."""

import os
from pathlib import Path

import pytest

from digitize.files.atomic import NotWritten, write_bytes


def test_writes_and_leaves_nothing_else_in_the_folder(tmp_path: Path) -> None:
    written = write_bytes(tmp_path / "plate.dxf", b"one")
    assert written.read_bytes() == b"one"
    assert [entry.name for entry in tmp_path.iterdir()] == ["plate.dxf"]


def test_an_existing_file_is_kept_unless_asked(tmp_path: Path) -> None:
    path = write_bytes(tmp_path / "plate.dxf", b"one")
    with pytest.raises(NotWritten, match=r"exists already \(.*plate\.dxf\): choose another name"):
        write_bytes(path, b"two")
    assert path.read_bytes() == b"one"
    path.chmod(0o640)
    write_bytes(path, b"two", overwrite=True)
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_fault_midway_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_bytes(tmp_path / "plate.dxf", b"one")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NotWritten, match="no space left on device"):
        write_bytes(path, b"two", overwrite=True)
    assert path.read_bytes() == b"one"
    assert [entry.name for entry in tmp_path.iterdir()] == ["plate.dxf"]


def test_a_link_is_followed(tmp_path: Path) -> None:
    real = write_bytes(tmp_path / "real.svg", b"one")
    link = tmp_path / "link.svg"
    link.symlink_to(real)
    write_bytes(link, b"two", overwrite=True)
    assert link.is_symlink()
    assert real.read_bytes() == b"two"


@pytest.mark.parametrize("name", ["missing/plate.dxf", "plate.dxf/inside.dxf"])
def test_no_such_folder(tmp_path: Path, name: str) -> None:
    write_bytes(tmp_path / "plate.dxf", b"one")
    with pytest.raises(NotWritten, match="could not be written"):
        write_bytes(tmp_path / name, b"two")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(NotWritten, match="that of a folder"):
        write_bytes(tmp_path, b"two")
