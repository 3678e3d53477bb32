"""Every way a phone, a scanner or an editor may have written a photo."""

from __future__ import annotations

import struct
import sys
import zlib
from io import BytesIO

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms, TiffImagePlugin

from digitize.photo.reading import PhotoError, read_photo

WIDTH, HEIGHT = 420, 300


def scene():
    """A smooth picture without symmetry: every turn and mirroring of it is another."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    red, green = x * 255 / WIDTH, y * 255 / HEIGHT
    blue = 128 + 100 * np.sin(x / 40) * np.cos(y / 30)
    return np.stack([red, green, blue], axis=2).round().astype(np.uint8)


def stored(upright, orientation):
    """What a camera stores so that ``orientation`` turns it upright (Exif 2.32, 4.6.4 A).

    The 0th row and 0th column of the stored picture are at the visual: 1 top, left;
    2 top, right; 3 bottom, right; 4 bottom, left; 5 left, top; 6 right, top; 7 right,
    bottom; 8 left, bottom.
    """
    rows_down = {1: 1, 2: 1, 3: -1, 4: -1}
    columns_right = {1: 1, 2: -1, 3: -1, 4: 1}
    if orientation in rows_down:
        return upright[:: rows_down[orientation], :: columns_right[orientation]]
    # Row 0 is a visual side, column 0 the visual top or bottom.
    rows_right = {5: 1, 6: -1, 7: -1, 8: 1}
    columns_down = {5: 1, 6: 1, 7: -1, 8: -1}
    turned = upright[:: columns_down[orientation], :: rows_right[orientation]]
    return turned.transpose(1, 0, *range(2, turned.ndim))


def exif(orientation=1, **more):
    header = Image.Exif()
    header[0x0112] = orientation
    header[0x010F], header[0x0110] = "Towpath\0", "Pocket  7"
    header._ifds[0x8769] = more.get("directory", {})
    return header


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "tif", "heic", "webp", "avif"])
def test_every_orientation_comes_out_upright(tmp_path, kind, orientation):
    path = tmp_path / f"photo.{kind}"
    picture = Image.fromarray(np.ascontiguousarray(stored(scene(), orientation)))
    if kind == "heic":
        heif = pillow_heif.from_pillow(picture)
        heif.save(path, quality=95, exif=exif(orientation).tobytes())
    else:
        more = {"lossless": True} if kind == "webp" else {"quality": 97} if kind == "jpg" else {}
        picture.save(path, exif=exif(orientation), **more)
    photo = read_photo(path)
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert np.abs(photo.rgb.astype(int) - scene()).mean() < 4
    assert photo.rgb.flags.c_contiguous
    assert photo.maker == "Towpath Pocket 7"
    assert photo.name == path.name


def test_lossless_kinds_are_exact(tmp_path):
    for kind in ("png", "tif", "bmp"):
        Image.fromarray(scene()).save(tmp_path / f"a.{kind}")
        assert np.array_equal(read_photo(tmp_path / f"a.{kind}").rgb, scene())


def test_digest_is_of_the_file(tmp_path):
    path = tmp_path / "a.png"
    Image.fromarray(scene()).save(path)
    import hashlib

    assert read_photo(str(path)).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("kind", ["tif", "png"])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bits_stay_sixteen(tmp_path, kind, channels):
    deep = (scene().astype(np.uint16) * 257 + 13).clip(0, 65535).astype(np.uint16)
    path = tmp_path / f"deep.{kind}"
    if channels == 1:
        values = deep[..., 0]
        expected = np.repeat(values[..., None], 3, axis=2)
    elif channels == 3:
        values, expected = deep[..., ::-1], deep
    else:
        alpha = np.full((HEIGHT, WIDTH, 1), 65535, np.uint16)
        values, expected = np.concatenate([deep[..., ::-1], alpha], axis=2), deep
    assert cv2.imwrite(str(path), values)
    photo = read_photo(path)
    assert photo.rgb.dtype == np.uint16
    assert np.array_equal(photo.rgb, expected)


@pytest.mark.parametrize("orientation", [1, 6, 3])
def test_a_sixteen_bit_tiff_is_turned_too(tmp_path, orientation):
    deep = scene().astype(np.uint16) * 257
    path = tmp_path / "deep.tif"
    write_tiff(path, np.ascontiguousarray(stored(deep, orientation)), orientation)
    photo = read_photo(path)
    assert photo.rgb.dtype == np.uint16
    assert np.array_equal(photo.rgb, deep)


def write_tiff(path, values, orientation):
    """A plain little-endian baseline TIFF (TIFF 6.0), 16-bit RGB, one strip."""
    height, width, channels = values.shape
    entries = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 3, None),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, None),
        (274, 3, 1, orientation),
        (277, 3, 1, channels),
        (278, 4, 1, height),
        (279, 4, 1, values.nbytes),
        (284, 3, 1, 1),
    ]
    bits_at = 8 + 2 + 12 * len(entries) + 4
    known = {258: bits_at, 273: bits_at + 6}
    body = struct.pack("<2sHI", b"II", 42, 8) + struct.pack("<H", len(entries))
    for tag, kind, count, value in entries:
        body += struct.pack("<HHII", tag, kind, count, known.get(tag, value))
    body += struct.pack("<I", 0) + struct.pack("<3H", 16, 16, 16) + values.astype("<u2").tobytes()
    path.write_bytes(body)


def test_grey_palette_cmyk_bilevel_and_transparent_pictures(tmp_path):
    picture = Image.fromarray(scene())
    pictures = {
        "grey.png": picture.convert("L"),
        "palette.png": picture.quantize(256),
        "cmyk.jpg": picture.convert("CMYK"),
        "ycc.jpg": picture,
        "bilevel.tif": picture.convert("1"),
        "grey-alpha.png": picture.convert("LA"),
    }
    for name, version in pictures.items():
        version.save(tmp_path / name)
        photo = read_photo(tmp_path / name)
        expected = np.asarray(version.convert("RGB")).astype(int)
        assert photo.rgb.dtype == np.uint8
        assert np.abs(photo.rgb - expected).mean() < 3, name


@pytest.mark.parametrize("deep", [False, True])
def test_what_is_transparent_becomes_white(tmp_path, deep):
    factor = 257 if deep else 1
    values = np.dstack([scene(), np.zeros((HEIGHT, WIDTH), np.uint8)]).astype(
        np.uint16 if deep else np.uint8
    )
    values[:, : WIDTH // 3, 3] = 255
    values[:, WIDTH // 3 : WIDTH // 2, 3] = 128
    values *= factor
    path = tmp_path / "cut.png"
    assert cv2.imwrite(str(path), values[..., [2, 1, 0, 3]])
    rgb = read_photo(path).rgb.astype(float) / factor
    share = values[..., 3:] / factor / 255
    np.testing.assert_allclose(rgb, scene() * share + 255 * (1 - share), atol=1)


def test_a_phone_file_with_a_second_picture_behind_the_first(tmp_path):
    """MPO: a JPEG with more JPEGs after it (CIPA DC-007)."""
    first, second = Image.fromarray(scene()), Image.fromarray(255 - scene())
    first.save(tmp_path / "two.mpo", save_all=True, append_images=[second], quality=97)
    assert np.abs(read_photo(tmp_path / "two.mpo").rgb.astype(int) - scene()).mean() < 3


def gamma_profile(gamma, name="RGB "):
    """A minimal ICC v2 display profile: sRGB's colourants, one gamma curve (ICC.1:2001-04)."""
    xyz = {
        "r": (0.4361, 0.2225, 0.0139),
        "g": (0.3851, 0.7169, 0.0971),
        "b": (0.1431, 0.0606, 0.7141),
    }
    fixed = lambda v: struct.pack(">i", round(v * 65536))  # noqa: E731
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    triple = lambda v: b"XYZ " + bytes(4) + b"".join(map(fixed, v))  # noqa: E731
    text = b"test\0"
    desc = b"desc" + bytes(4) + struct.pack(">I", len(text)) + text + bytes(78)
    tags = {
        b"desc": desc + bytes(-len(desc) % 4),
        b"cprt": b"text" + bytes(4) + b"none\0" + bytes(3),
        b"wtpt": triple((0.9642, 1.0, 0.8249)),
    }
    if name == "GRAY":
        tags[b"kTRC"] = curve
    else:
        tags |= {c.encode() + b"XYZ": triple(v) for c, v in xyz.items()}
        tags |= {c.encode() + b"TRC": curve for c in "rgb"}
    at, table, body = 128 + 4 + 12 * len(tags), b"", b""
    for tag, data in tags.items():
        table += tag + struct.pack(">II", at + len(body), len(data))
        body += data
    head = struct.pack(">I4sI4s4s4s", 0, bytes(4), 0x02400000, b"mntr", name.encode(), b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + b"".join(map(fixed, (0.9642, 1.0, 0.8249)))
    head += bytes(128 - len(head))
    whole = head + struct.pack(">I", len(tags)) + table + body
    return struct.pack(">I", len(whole)) + whole[4:]


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.6])
@pytest.mark.parametrize("deep", [False, True])
def test_another_tone_curve_still_gives_linear_light(tmp_path, gamma, deep):
    """A ramp coded with a gamma of its own must come out in even steps of light."""
    light = np.linspace(0.02, 1, WIDTH)
    top = 65535 if deep else 255
    coded = np.round(top * light ** (1 / gamma)).astype(np.uint16 if deep else np.uint8)
    values = np.repeat(np.repeat(coded[None], HEIGHT, 0)[..., None], 3, axis=2)
    path = tmp_path / "ramp.png"
    if deep:
        assert cv2.imwrite(str(path), values)
        add_profile(path, gamma_profile(gamma))
    else:
        Image.fromarray(values).save(path, icc_profile=gamma_profile(gamma))
    seen = read_photo(path).linear_grey[5]
    np.testing.assert_allclose(seen, light, atol=0.012)
    assert np.abs(seen - light).mean() < 0.004


def add_profile(path, profile):
    """Put an iCCP chunk behind the header of a PNG (PNG, third edition, 11.3.2.3)."""
    data = path.read_bytes()
    content = b"p\0\0" + zlib.compress(profile)
    chunk = b"iCCP" + content
    chunk = struct.pack(">I", len(content)) + chunk + struct.pack(">I", zlib.crc32(chunk))
    path.write_bytes(data[:33] + chunk + data[33:])


def test_a_grey_profile_counts_too(tmp_path):
    light = np.linspace(0.02, 1, WIDTH)
    coded = np.round(255 * light ** (1 / 1.8)).astype(np.uint8)
    Image.fromarray(np.repeat(coded[None], HEIGHT, 0)).save(
        tmp_path / "g.png", icc_profile=gamma_profile(1.8, "GRAY")
    )
    np.testing.assert_allclose(read_photo(tmp_path / "g.png").linear_grey[5], light, atol=0.012)


@pytest.mark.parametrize("profile", [ImageCms.createProfile("sRGB"), b"nonsense"])
def test_srgb_and_broken_profiles_change_nothing(tmp_path, profile):
    data = profile if isinstance(profile, bytes) else ImageCms.ImageCmsProfile(profile).tobytes()
    Image.fromarray(scene()).save(tmp_path / "a.png", icc_profile=data)
    assert np.array_equal(read_photo(tmp_path / "a.png").rgb, scene())


def test_cmyk_with_a_profile_of_another_kind_still_opens(tmp_path):
    Image.fromarray(scene()).convert("CMYK").save(
        tmp_path / "a.jpg", icc_profile=gamma_profile(1.8), quality=97
    )
    assert np.abs(read_photo(tmp_path / "a.jpg").rgb.astype(int) - scene()).mean() < 4


def test_windows_of_linear_light_agree_with_the_whole(tmp_path):
    Image.fromarray(scene()).save(tmp_path / "a.png")
    photo = read_photo(tmp_path / "a.png")
    window = photo.linear_rgb(30, 20, 90, 55)
    assert window.shape == (35, 60, 3)
    assert window.dtype == np.float32
    grey = window @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    np.testing.assert_allclose(grey, photo.linear_grey[20:55, 30:90], atol=1e-6)
    assert photo.linear_rgb(5, 5, 5, 9).shape == (4, 0, 3)


def test_pillow_keeps_its_own_limit(tmp_path):
    Image.fromarray(scene()).save(tmp_path / "a.png")
    before = Image.MAX_IMAGE_PIXELS
    read_photo(tmp_path / "a.png")
    assert before == Image.MAX_IMAGE_PIXELS
    with pytest.raises(PhotoError):
        read_photo(tmp_path / "no.png")
    assert before == Image.MAX_IMAGE_PIXELS


# The focal length that the header suggests.  Tags: Exif 2.32, 4.6.5.
F35, F, PLANE, PLANE_UNIT, ZOOM, X, Y = 0xA405, 0x920A, 0xA20E, 0xA210, 0xA404, 0xA002, 0xA003
HEADERS = {
    "26 mm equivalent by the diagonal": ({F35: 26}, 26 * 516.14 / 43.267, 0.0255),
    "whole millimetres blur a wide lens more": ({F35: 13}, 13 * 516.14 / 43.267, 0.032),
    "zoom of nothing": ({F35: 26, ZOOM: 1.0}, 26 * 516.14 / 43.267, 0.0255),
    "a little zoom, perhaps counted": (
        {F35: 26, ZOOM: 1.1},
        26 * 1.1**0.5 * 516.14 / 43.267,
        0.054,
    ),
    "double zoom, perhaps counted": ({F35: 26, ZOOM: 2.0}, None, None),
    "nothing": ({}, None, None),
    "zero": ({F35: 0}, None, None),
    "absurdly long": ({F35: 900}, None, None),
    "absurdly short": ({F35: 5}, None, None),
    "cropped since": ({F35: 26, X: 4000, Y: 3000}, None, None),
    "resized since": ({F35: 26, X: 4200, Y: 3000}, 26 * 516.14 / 43.267, 0.0255),
    "turned by an editor": ({F35: 26, X: 300, Y: 420}, 26 * 516.14 / 43.267, 0.0255),
    "pixels per inch of sensor": (
        {F: 4.0, PLANE: 100 * 25.4, PLANE_UNIT: 2, X: 420, Y: 300},
        400.0,
        0.0229,
    ),
    "pixels per centimetre, resized to a tenth": (
        {F: 4.0, PLANE: 10000.0, PLANE_UNIT: 3, X: 4200, Y: 3000},
        400.0,
        0.0229,
    ),
    "focal length alone": ({F: 4.0}, None, None),
    "unknown unit": ({F: 4.0, PLANE: 2540.0, PLANE_UNIT: 1}, None, None),
}


@pytest.mark.parametrize("case", HEADERS)
@pytest.mark.parametrize("orientation", [1, 6])
def test_focal_prior(tmp_path, case, orientation):
    directory, focal, rel = HEADERS[case]
    path = tmp_path / "a.jpg"
    picture = np.ascontiguousarray(stored(scene(), orientation))
    Image.fromarray(picture).save(path, exif=exif(orientation, directory=directory))
    photo = read_photo(path)
    if focal is None:
        assert photo.focal_prior_px is None
        assert photo.focal_prior_rel is None
    else:
        assert photo.focal_prior_px == pytest.approx(focal, rel=1e-3)
        assert photo.focal_prior_rel == pytest.approx(rel, abs=0.0005)


def test_a_wide_picture_may_be_the_middle_of_a_taller_sensor(tmp_path):
    path = tmp_path / "a.jpg"
    Image.fromarray(np.resize(scene(), (360, 640, 3))).save(path, exif=exif(directory={F35: 26}))
    photo = read_photo(path)
    by_frame, by_sensor = (26 * d / 43.267 for d in (np.hypot(640, 360), np.hypot(640, 480)))
    assert by_frame < photo.focal_prior_px < by_sensor
    assert 0.045 < photo.focal_prior_rel < 0.07


def test_the_prior_survives_a_heic_header(tmp_path):
    path = tmp_path / "a.heic"
    header = exif(directory={F35: 26})
    pillow_heif.from_pillow(Image.fromarray(scene())).save(path, exif=header.tobytes())
    assert read_photo(path).focal_prior_px == pytest.approx(26 * 516.14 / 43.267, rel=1e-3)


def test_nonsense_in_the_header_is_no_fault_of_the_picture(tmp_path):
    path = tmp_path / "a.jpg"
    ratio = TiffImagePlugin.IFDRational(1, 0)
    header = exif(directory={F: ratio, F35: 26, ZOOM: ratio})
    header[0x0110] = "\x07\x00\x1b"
    Image.fromarray(scene()).save(path, exif=header)
    photo = read_photo(path)
    assert photo.focal_prior_px == pytest.approx(26 * 516.14 / 43.267, rel=1e-3)
    assert photo.maker == "Towpath"
    broken = (
        path.read_bytes()
        .replace(b"Exif\0\0II", b"Exif\0\0XX")
        .replace(b"Exif\0\0MM", b"Exif\0\0XX")
    )
    (tmp_path / "b.jpg").write_bytes(broken)
    assert read_photo(tmp_path / "b.jpg").focal_prior_px is None


def test_reading_leaves_standard_streams_alone(tmp_path, capfd):
    Image.fromarray(scene()).save(tmp_path / "a.jpg")
    read_photo(tmp_path / "a.jpg")
    (tmp_path / "b.jpg").write_bytes((tmp_path / "a.jpg").read_bytes()[:2000])
    with pytest.raises(PhotoError):
        read_photo(tmp_path / "b.jpg")
    sys.stdout.flush()
    assert capfd.readouterr() == ("", "")


def test_bytes_behind_the_picture_do_not_matter(tmp_path):
    """Phones append depth maps and videos."""
    plain = BytesIO()
    Image.fromarray(scene()).save(plain, "JPEG")
    (tmp_path / "a.jpg").write_bytes(plain.getvalue() + bytes(range(256)) * 20)
    assert read_photo(tmp_path / "a.jpg").width_px == WIDTH


@pytest.mark.parametrize("kind", ["jpg", "tiff", "heic"])
@pytest.mark.parametrize("orientation", [None, 1, 3, 6, 8])
def test_the_header_tells_lens_and_turn(tmp_path, kind, orientation):
    path = tmp_path / f"a.{kind}"
    header = exif(directory={F: 5.6, F35: 26, ZOOM: 1.5})
    if orientation is None:
        del header[0x0112]
    else:
        header[0x0112] = orientation
    picture = Image.fromarray(np.ascontiguousarray(stored(scene(), orientation or 1)))
    if kind == "heic":
        pillow_heif.from_pillow(picture).save(path, exif=header.tobytes())
    else:
        picture.save(path, exif=header)
    facts = read_photo(path).header
    if kind != "heic" or orientation not in (None, 1):  # no turn: the coder may drop or add it
        assert facts.orientation == orientation
    if kind != "tiff":
        assert (facts.focal_mm, facts.focal_35mm, facts.zoom) == (5.6, 26.0, 1.5)


def test_a_silent_header_has_no_facts(tmp_path):
    Image.fromarray(scene()).save(tmp_path / "a.png")
    facts = read_photo(tmp_path / "a.png").header
    assert (facts.focal_mm, facts.focal_35mm, facts.zoom, facts.orientation) == (None,) * 4
