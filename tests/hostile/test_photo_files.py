"""Files that are no photo: each gets its own sentence."""

from __future__ import annotations

import contextlib
import os
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from digitize.photo.reading import PhotoError, read_photo


def noise(width=500, height=400):
    return np.random.default_rng(0).integers(0, 255, (height, width, 3), dtype=np.uint8)


def sentence(path):
    with pytest.raises(PhotoError) as caught:
        read_photo(path)
    return str(caught.value)


def test_missing(tmp_path):
    assert sentence(tmp_path / "gone.jpg") == (
        f"There is no file gone.jpg (looked in {tmp_path}): check the name and the folder."
    )


def test_folder(tmp_path):
    (tmp_path / "photos.jpg").mkdir()
    assert sentence(tmp_path / "photos.jpg") == "photos.jpg is a folder: name one photo file."


def test_pipe(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    assert sentence(tmp_path / "pipe.jpg") == (
        "pipe.jpg is not an ordinary file: name one photo file."
    )


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_forbidden(tmp_path):
    path = tmp_path / "secret.jpg"
    path.write_bytes(b"x")
    path.chmod(0)
    assert "cannot be opened (Permission denied)" in sentence(path)


def test_a_file_that_cannot_be_read(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(b"x")

    def refuse(self):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(type(path), "read_bytes", refuse)
    assert sentence(path) == (
        "a.jpg cannot be opened (Input/output error): check that you may read it."
    )


def test_empty(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"")
    assert sentence(tmp_path / "a.jpg") == "a.jpg is empty: copy it again from the camera."


def test_too_many_bytes(tmp_path):
    with (tmp_path / "a.jpg").open("wb") as file:
        file.truncate(2_000_000_001)
    assert sentence(tmp_path / "a.jpg") == "a.jpg is too large to be a photo: check the name."


@pytest.mark.parametrize("content", [b"Dear restorer,\n" * 50, b"\0" * 5000, b"%PDF-1.7\n%\xe2"])
def test_something_else(tmp_path, content):
    (tmp_path / "a.jpg").write_bytes(content)
    assert sentence(tmp_path / "a.jpg") == (
        "a.jpg is not a photo: give a JPEG, PNG, TIFF or HEIC file."
    )


@pytest.mark.parametrize("kind", ["jpg", "png", "tif", "heic", "webp", "bmp"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.97])
def test_cut_short(tmp_path, kind, share):
    path = tmp_path / f"a.{kind}"
    if kind == "heic":
        pillow_heif.from_pillow(Image.fromarray(noise())).save(path)
    else:
        Image.fromarray(noise()).save(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    assert sentence(path) in (
        f"a.{kind} is damaged or cut short: copy it again from the camera.",
        f"a.{kind} is not a photo: give a JPEG, PNG, TIFF or HEIC file.",
    )


def test_a_cut_sixteen_bit_picture(tmp_path):
    import cv2

    path = tmp_path / "a.png"
    assert cv2.imwrite(str(path), noise().astype(np.uint16) * 257)
    path.write_bytes(path.read_bytes()[:-9000])
    assert "damaged or cut short" in sentence(path)


@pytest.mark.parametrize("seed", range(30))
def test_bytes_changed_at_random_never_escape(tmp_path, seed):
    rng = np.random.default_rng(seed)
    kind = ("jpg", "png", "tif", "heic", "webp")[seed % 5]
    path = tmp_path / f"a.{kind}"
    if kind == "heic":
        pillow_heif.from_pillow(Image.fromarray(noise())).save(path)
    else:
        Image.fromarray(noise()).save(path)
    data = bytearray(path.read_bytes())
    for at in rng.integers(0, min(len(data), 600), 12):
        data[at] = rng.integers(256)
    path.write_bytes(data)
    with contextlib.suppress(PhotoError):
        assert read_photo(path).rgb.ndim == 3


def test_animations(tmp_path):
    frames = [Image.fromarray(noise()), Image.fromarray(255 - noise())]
    for kind in ("png", "webp"):
        path = tmp_path / f"a.{kind}"
        frames[0].save(path, save_all=True, append_images=frames[1:])
        assert sentence(path) == f"a.{kind} is an animation: give a single still photo."
    frames[0].save(tmp_path / "a.gif", save_all=True, append_images=frames[1:])
    assert sentence(tmp_path / "a.gif") == (
        "a.gif is not a photo (it is GIF): give a JPEG, PNG, TIFF or HEIC file."
    )


def test_thumbnail(tmp_path):
    Image.fromarray(noise(160, 120)).save(tmp_path / "a.jpg")
    assert sentence(tmp_path / "a.jpg") == (
        "a.jpg is too small to measure in (160 x 120 pixels): "
        "give the photo in full size, not its thumbnail."
    )


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path):
    """A PNG of a few hundred kilobytes that says it is 100,000 by 100,000."""
    header = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 2, 0, 0, 0)
    body = b"\x89PNG\r\n\x1a\n"
    for name, content in ((b"IHDR", header), (b"IDAT", zlib.compress(bytes(10_000_000)))):
        body += struct.pack(">I", len(content)) + name + content
        body += struct.pack(">I", zlib.crc32(name + content))
    (tmp_path / "a.png").write_bytes(body)
    assert sentence(tmp_path / "a.png") == (
        "a.png is larger than 200 megapixels (100000 x 100000 pixels): save it smaller."
    )


def test_more_than_pillows_own_limit_is_no_warning(tmp_path):
    Image.new("L", (14000, 13000), 90).save(tmp_path / "a.png")
    photo = read_photo(tmp_path / "a.png")
    assert photo.rgb.shape == (13000, 14000, 3)


def test_raw_files(tmp_path):
    from PIL import TiffImagePlugin

    for tag, value in ((0xC612, b"\1\4\0\0"), (0x00FE, 1)):
        info = TiffImagePlugin.ImageFileDirectory_v2()
        if tag == 0xC612:
            info.tagtype[tag] = 1
        info[tag] = value
        Image.fromarray(noise()).save(tmp_path / "a.tif", tiffinfo=info)
        assert sentence(tmp_path / "a.tif") == (
            "a.tif is a camera's raw file: develop it and give the JPEG, PNG or TIFF."
        )


def test_high_dynamic_range(tmp_path):
    path = tmp_path / "a.heic"
    heif = pillow_heif.from_bytes(
        mode="RGB;16", size=(500, 400), data=(noise().astype(np.uint16) * 257).tobytes()
    )
    heif.save(path, color_primaries=9, transfer_characteristics=16, matrix_coefficients=9)
    assert sentence(path) == (
        "a.heic is coded for high dynamic range (PQ): "
        "switch HDR off in the camera or export it as JPEG."
    )


def test_floating_point_pictures(tmp_path):
    Image.fromarray(noise()[..., 0].astype(np.float32)).save(tmp_path / "a.tif")
    assert sentence(tmp_path / "a.tif") == (
        "a.tif is not a photo (its pixels are of the kind F): give a JPEG, PNG, TIFF or HEIC file."
    )
