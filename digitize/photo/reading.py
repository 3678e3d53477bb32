"""Files to photos: decode, turn upright, and take from the header what it says.

JPEG, PNG, TIFF, HEIC/HEIF, AVIF, WebP and BMP are read; 16 bit per channel is kept.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from pi_heif.as_plugin import register_heif_opener
from PIL import Image, ImageCms, UnidentifiedImageError

from digitize.errors import DigitizeError, Exit
from digitize.photo.focal import focal_prior, header_facts
from digitize.photo.photo import Photo
from digitize.photo.tone import recode, tone_curve

_FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "HEIF", "AVIF", "WEBP", "BMP")
_MOST_PX = 200_000_000
_FEWEST_PX = 100_000
_MOST_BYTES = 2_000_000_000

_MAKE, _MODEL, _ORIENTATION = 0x010F, 0x0110, 0x0112
_EXIF_DIRECTORY = 0x8769
_DNG_VERSION, _SUBFILE_TYPE, _BITS_PER_SAMPLE = 0xC612, 0x00FE, 0x0102
_HDR_TRANSFERS = {16: "PQ", 18: "HLG"}  # ITU-T H.273, table 3

_UPRIGHT: dict[int, tuple[Any, ...]] = {  # Exif 2.32, Orientation: what undoes each
    2: (lambda a: cv2.flip(a, 1),),
    3: (lambda a: cv2.rotate(a, cv2.ROTATE_180),),
    4: (lambda a: cv2.flip(a, 0),),
    5: (cv2.transpose,),
    6: (lambda a: cv2.rotate(a, cv2.ROTATE_90_CLOCKWISE),),
    7: (cv2.transpose, lambda a: cv2.rotate(a, cv2.ROTATE_180)),
    8: (lambda a: cv2.rotate(a, cv2.ROTATE_90_COUNTERCLOCKWISE),),
}


class PhotoError(DigitizeError):
    """The file is not a photo that can be measured."""

    exit_code = Exit.PHOTO


def read_photo(path: str | Path) -> Photo:
    """Read a photo file and turn it upright.

    Raises
    ------
    PhotoError
        Missing, empty, not a photo, cut short, animated, raw, HDR coded, too small or too
        large.
    """
    path = Path(path)
    data = _bytes_of(path)
    with _own_size_limit(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with _opened(data, path.name) as image:
            stored_size = image.size
            told = _orientation(image)
            rgb = _decoded(image, data, path.name)
            header, exif = _header(image)
            # Pillow turns TIFF and the HEIF reader turns HEIF by itself.
            turned = image.format in ("TIFF", "HEIF")
            orientation = 1 if turned else header.get(_ORIENTATION, 1)
    for turn in _UPRIGHT.get(orientation, ()):
        rgb = turn(rgb)
    prior = focal_prior(exif, *stored_size)
    return Photo(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        focal_prior_px=prior[0] if prior else None,
        focal_prior_rel=prior[1] if prior else None,
        maker=_camera_name(header),
        header=header_facts(exif, told),
    )


def _bytes_of(path: Path) -> bytes:
    if path.is_dir():
        raise PhotoError(f"{path.name or path} is a folder", do="name one photo file")
    if not path.exists():
        raise PhotoError(
            f"There is no file {path.name}",
            where=f"looked in {path.parent}",
            do="check the name and the folder",
        )
    if not path.is_file():
        raise PhotoError(f"{path.name} is not an ordinary file", do="name one photo file")
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise PhotoError(f"{path.name} is too large to be a photo", do="check the name")
        data = path.read_bytes()
    except OSError as fault:
        raise PhotoError(
            f"{path.name} cannot be opened",
            where=fault.strerror or "no reason given",
            do="check that you may read it",
        ) from fault
    if not data:
        raise PhotoError(f"{path.name} is empty", do="copy it again from the camera")
    return data


@contextmanager
def _own_size_limit() -> Iterator[None]:
    """Lift Pillow's own limit, which is lower than ours, for as long as we check sizes."""
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        yield
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _opened(data: bytes, name: str) -> Image.Image:
    """The picture with its header read and judged, not yet decoded."""
    register_heif_opener()
    try:
        image = Image.open(BytesIO(data))
    except UnidentifiedImageError as fault:
        raise _not_a_photo(name) from fault
    except Exception as fault:  # decoders raise anything on hostile bytes
        raise _damaged(name) from fault
    if image.format not in _FORMATS:
        raise _not_a_photo(name, f"it is {image.format}")
    if getattr(image, "is_animated", False) and image.format in ("PNG", "WEBP", "AVIF"):
        raise PhotoError(f"{name} is an animation", do="give a single still photo")
    tags = getattr(image, "tag_v2", {})
    if _DNG_VERSION in tags or (image.format == "TIFF" and tags.get(_SUBFILE_TYPE, 0) & 1):
        raise PhotoError(
            f"{name} is a camera's raw file", do="develop it and give the JPEG, PNG or TIFF"
        )
    transfer = (image.info.get("nclx_profile") or {}).get("transfer_characteristics")
    if transfer in _HDR_TRANSFERS:
        raise PhotoError(
            f"{name} is coded for high dynamic range",
            where=_HDR_TRANSFERS[transfer],
            do="switch HDR off in the camera or export it as JPEG",
        )
    pixels = image.width * image.height
    size = f"{image.width} x {image.height} pixels"
    if pixels > _MOST_PX:
        raise PhotoError(
            f"{name} is larger than {_MOST_PX // 1_000_000} megapixels",
            where=size,
            do="save it smaller",
        )
    if pixels < _FEWEST_PX:
        raise PhotoError(
            f"{name} is too small to measure in",
            where=size,
            do="give the photo in full size, not its thumbnail",
        )
    return image


def _decoded(image: Image.Image, data: bytes, name: str) -> NDArray[Any]:
    """Coded RGB (height, width, 3), uint8 or uint16, in sRGB coding."""
    deep = _is_deep_colour(image, data)
    icc = image.info.get("icc_profile")
    try:
        image.load()
        values = _deep_colour(data) if deep else _shallow(image, icc)
    except PhotoError:
        raise
    except Exception as fault:  # decoders raise anything on hostile bytes
        raise _damaged(name) from fault
    if values is None:
        raise _not_a_photo(name, f"its pixels are of the kind {image.mode}")
    curve = None
    if icc and image.mode in ("RGB", "RGBA", "L", "LA", "I;16"):
        curve = tone_curve(icc, "RGB" if image.mode.startswith("RGB") else "L")
    return values if curve is None else recode(values, curve)


def _is_deep_colour(image: Image.Image, data: bytes) -> bool:
    """Whether this is 16-bit colour, which Pillow would cut to 8 bits."""
    if image.mode not in ("RGB", "RGBA", "RGBX"):
        return False
    if image.format == "PNG":
        return data[24] == 16  # IHDR bit depth
    bits = getattr(image, "tag_v2", {}).get(_BITS_PER_SAMPLE, (8,))
    return image.format == "TIFF" and bits[0] == 16


def _deep_colour(data: bytes) -> NDArray[Any] | None:
    values = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if values is None or values.dtype != np.uint16 or values.ndim != 3:
        return None
    rgb = np.ascontiguousarray(values[..., 2::-1])
    return _over_white(rgb, values[..., 3]) if values.shape[2] == 4 else rgb


def _shallow(image: Image.Image, icc: bytes | None) -> NDArray[Any] | None:
    """RGB of whatever Pillow decoded; None for kinds that are no photo."""
    if image.mode in ("I;16", "I;16L", "I;16B", "I;16N"):
        return _three(np.asarray(image).astype(np.uint16))
    if image.mode in ("F", "I", "LAB", "HSV"):
        return None
    if image.mode == "CMYK" and icc:
        return np.asarray(_from_cmyk(image, icc))
    if image.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info:
        rgba = np.asarray(image.convert("RGBA"))
        return _over_white(np.ascontiguousarray(rgba[..., :3]), rgba[..., 3])
    if image.mode in ("L", "1"):
        return _three(np.asarray(image.convert("L")))
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))


def _from_cmyk(image: Image.Image, icc: bytes) -> Image.Image:
    try:
        seen = ImageCms.profileToProfile(
            image,
            ImageCms.ImageCmsProfile(BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError):
        seen = None
    return image.convert("RGB") if seen is None else seen


def _three(grey: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(cv2.merge([grey, grey, grey]))


def _over_white(rgb: NDArray[Any], alpha: NDArray[Any]) -> NDArray[Any]:
    top = np.iinfo(rgb.dtype).max
    if alpha.min() == top:
        return rgb
    share = alpha[..., None].astype(np.float32) / top
    return np.round(rgb * share + top * (1 - share)).astype(rgb.dtype)


def _header(image: Image.Image) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
    """The picture's tags and its Exif directory; empty where they are damaged."""
    try:
        header = image.getexif()
        return header, header.get_ifd(_EXIF_DIRECTORY)
    except Exception:  # a photo is no worse for a header that cannot be read
        return {}, {}


def _orientation(image: Image.Image) -> int | None:
    """The Exif code of the turn that makes the picture upright; None where nobody says."""
    try:
        told = image.info.get("original_orientation") or image.getexif().get(_ORIENTATION)
    except Exception:  # as above
        return None
    return told if isinstance(told, int) else None


def _camera_name(header: Mapping[int, Any]) -> str | None:
    words = [header.get(tag) for tag in (_MAKE, _MODEL)]
    text = " ".join(w for w in words if isinstance(w, str))
    shown = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return shown or None


def _not_a_photo(name: str, where: str = "") -> PhotoError:
    return PhotoError(
        f"{name} is not a photo", where=where, do="give a JPEG, PNG, TIFF or HEIC file"
    )


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"{name} is damaged or cut short", do="copy it again from the camera")
