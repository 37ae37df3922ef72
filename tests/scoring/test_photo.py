"""Decoding of photos: curve, orientation, kinds of file, and what is refused."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageOps
from pillow_heif import from_pillow

from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.photo import (
    decode_photo,
    linear_light,
    read_photo,
    srgb_to_linear,
    upright,
)

ORIENTATION, EXIF_IFD, FOCAL_35MM = 0x0112, 0x8769, 0xA405

# IEC 61966-2-1:1999, worked out from its formula: linear light of 8-bit codes.
SRGB = [(0, 0.0), (10, 0.0030352698), (128, 0.2158605), (188, 0.5028865), (255, 1.0)]


@pytest.mark.parametrize(("code", "light"), SRGB)
def test_linear_light_of_srgb_codes(code: int, light: float) -> None:
    assert linear_light(np.array([code], np.uint8))[0] == pytest.approx(light, abs=6e-8)
    assert srgb_to_linear(np.array(code / 255)) == pytest.approx(light, abs=6e-8)


def test_middle_grey_is_the_inverse_of_its_code() -> None:
    # encode(0.18) = 0.46135612950, IEC 61966-2-1:1999.
    assert srgb_to_linear(np.array(0.46135612950)) == pytest.approx(0.18, abs=1e-10)


def test_the_two_branches_meet() -> None:
    # The standard's rounded constants leave a step of 2e-8 at the joint.
    below, above = srgb_to_linear(np.array([0.04045, np.nextafter(0.04045, 1)]))
    assert below == pytest.approx(0.04045 / 12.92)
    assert above == pytest.approx(below, abs=1e-7)
    assert (np.diff(linear_light(np.arange(256, dtype=np.uint8))) > 0).all()


def scene(rows: int = 620, columns: int = 700) -> NDArray[np.uint8]:
    """A smooth picture without any symmetry: survives lossy coding and shows every turn."""
    y, x = np.mgrid[0:rows, 0:columns]
    red = 40 + 180 * x / columns
    green = 40 + 180 * y / rows
    blue = 120 + 80 * np.sin(x / 90 + y / 150)
    return np.stack([red, green, blue], axis=-1).astype(np.uint8)


def encoded(picture: Image.Image, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, kind, **options)
    return buffer.getvalue()


def heic(picture: Image.Image, **options: object) -> bytes:
    buffer = io.BytesIO()
    from_pillow(picture).save(buffer, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_that_of_pillow(orientation: int) -> None:
    """Compare all eight of CIPA DC-008 with an independent implementation."""
    picture = Image.fromarray(scene())
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    data = encoded(picture, "PNG", exif=exif)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    np.testing.assert_array_equal(decode_photo(data).rgb, expected)
    np.testing.assert_array_equal(upright(scene(), orientation), expected)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_a_jpeg(orientation: int) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    data = encoded(Image.fromarray(scene()), "JPEG", quality=95, exif=exif)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    seen = decode_photo(data).rgb
    assert seen.shape == expected.shape
    assert np.abs(seen.astype(int) - expected).max() <= 4


# CIPA DC-008, tag 0x0112: where row 0 and column 0 of the file belong in the upright picture.
FIRST_PIXEL = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


@pytest.mark.parametrize(("orientation", "sides"), FIRST_PIXEL.items())
def test_first_row_and_column_go_where_the_standard_says(
    orientation: int, sides: tuple[str, str]
) -> None:
    def side(picture: NDArray[np.uint8], name: str) -> NDArray[np.uint8]:
        return {
            "top": picture[0],
            "bottom": picture[-1],
            "left": picture[:, 0],
            "right": picture[:, -1],
        }[name]

    row, column = np.zeros((3, 5), np.uint8), np.zeros((3, 5), np.uint8)
    row[0], column[:, 0] = 1, 1
    assert side(upright(row, orientation), sides[0]).all()
    assert side(upright(column, orientation), sides[1]).all()


@pytest.mark.parametrize("orientation", [0, 9, -1, 255])
def test_an_orientation_that_does_not_exist_is_none(orientation: int) -> None:
    np.testing.assert_array_equal(upright(scene(4, 5), orientation), scene(4, 5))


KINDS: dict[str, Callable[[Image.Image], bytes]] = {
    "JPEG": lambda p: encoded(p, "JPEG", quality=95),
    "progressive JPEG": lambda p: encoded(p, "JPEG", quality=95, progressive=True),
    "JPEG, grey": lambda p: encoded(p.convert("L"), "JPEG", quality=95),
    "JPEG, CMYK": lambda p: encoded(p.convert("CMYK"), "JPEG", quality=95),
    "PNG": lambda p: encoded(p, "PNG"),
    "PNG, alpha": lambda p: encoded(p.convert("RGBA"), "PNG"),
    "PNG, palette": lambda p: encoded(p.quantize(256), "PNG"),
    "TIFF": lambda p: encoded(p, "TIFF", compression="tiff_lzw"),
    "WebP": lambda p: encoded(p, "WEBP", quality=95),
    "WebP, lossless": lambda p: encoded(p, "WEBP", lossless=True),
    "HEIC": lambda p: heic(p, quality=90),
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_gives_about_the_same_picture(kind: str) -> None:
    original = scene()
    grey = "grey" in kind
    expected = (
        np.asarray(Image.fromarray(original).convert("L").convert("RGB")) if grey else original
    )
    seen = decode_photo(KINDS[kind](Image.fromarray(original))).rgb
    assert seen.dtype == np.uint8
    assert seen.shape == original.shape
    away = np.abs(seen.astype(int) - expected)
    # Coding losses; a palette of 256 colours is the coarsest.
    assert away.mean() < (6 if "palette" in kind else 2)


def test_a_heic_is_turned_once() -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    seen = decode_photo(heic(Image.fromarray(scene()), quality=90, exif=exif.tobytes())).rgb
    expected = upright(scene(), 6)
    assert seen.shape == expected.shape
    assert np.abs(seen.astype(int) - expected).mean() < 2


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_sixteen_bit_grey(kind: str) -> None:
    grey = np.asarray(Image.fromarray(scene()).convert("L"))
    deep = Image.fromarray(grey.astype(np.uint16) * 257)
    seen = decode_photo(encoded(deep, kind)).rgb
    assert np.abs(seen.astype(int) - grey[..., None]).max() <= 1


def png(rows: int, columns: int, body: bytes, colour: int = 2, depth: int = 8) -> bytes:
    """Write a PNG by hand (ISO/IEC 15948): header, one data chunk, end."""

    def chunk(name: bytes, content: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(name + content))
        return struct.pack(">I", len(content)) + name + content + check

    header = struct.pack(">IIBBBBB", columns, rows, depth, colour, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


def test_sixteen_bit_colour() -> None:
    original = scene()
    deep = (original.astype(">u2") * 257).astype(">u2").reshape(len(original), -1)
    lines = b"".join(b"\0" + row.tobytes() for row in deep)
    seen = decode_photo(png(*original.shape[:2], zlib.compress(lines), depth=16)).rgb
    assert np.abs(seen.astype(int) - original).max() <= 1


def refused(data: bytes, name: str = "IMG_1.jpg") -> PadsheetError:
    with pytest.raises(PadsheetError) as caught:
        decode_photo(data, name)
    assert name in caught.value.problem
    return caught.value


def test_an_empty_file_is_refused() -> None:
    assert refused(b"").code == "photo-empty"


@pytest.mark.parametrize(
    "data",
    [
        b"\0",
        b"GIF89a",
        b"\xff\xd8\xff\xe0",
        b"%PDF-1.7\n",
        b"hello " * 1000,
        bytes(range(256)) * 64,
        b"\0\0\0\x18ftypheic" + b"\0" * 64,
    ],
)
def test_what_is_no_picture_is_refused(data: bytes) -> None:
    assert refused(data).code == "photo-unreadable"


@pytest.mark.parametrize("kind", ["GIF", "BMP", "PPM"])
def test_a_kind_that_phones_do_not_write_is_refused(kind: str) -> None:
    assert refused(encoded(Image.fromarray(scene()), kind)).code == "photo-unreadable"


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "HEIC"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.95])
def test_a_cut_off_file_is_refused(kind: str, share: float) -> None:
    data = KINDS[kind](Image.fromarray(scene()))
    assert refused(data[: int(share * len(data))]).code == "photo-unreadable"


@pytest.mark.parametrize("share", [0.3, 0.7])
def test_a_cut_off_heic_is_refused(share: float) -> None:
    data = KINDS["HEIC"](Image.fromarray(scene()))
    assert refused(data[: int(share * len(data))]).code == "photo-unreadable"


@pytest.mark.parametrize(("rows", "columns"), [(30_000, 30_000), (15_000, 14_000)])
def test_what_would_decode_too_large_is_refused_by_its_header(rows: int, columns: int) -> None:
    error = refused(png(rows, columns, zlib.compress(b"\0" * 100)))
    assert error.code == "photo-large"


def test_a_large_header_in_a_jpeg_is_refused() -> None:
    data = bytearray(encoded(Image.fromarray(scene()), "JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 30_000, 30_000)
    assert refused(bytes(data)).code == "photo-large"


@pytest.mark.parametrize(("rows", "columns"), [(599, 2000), (2000, 599), (1, 1)])
def test_what_is_too_small_is_refused(rows: int, columns: int) -> None:
    error = refused(encoded(Image.fromarray(scene(rows, columns)), "PNG"))
    assert error.code == "photo-small"
    assert f"{columns} x {rows}" in error.problem


def test_the_least_size_passes() -> None:
    assert decode_photo(encoded(Image.fromarray(scene(600, 600)), "PNG")).rgb.shape == (600, 600, 3)


def with_focal(value: object) -> bytes:
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = value
    return encoded(Image.fromarray(scene()), "JPEG", exif=exif)


@pytest.mark.parametrize(
    ("value", "expected"), [(26, 26.0), (13, 13.0), (0, None), (5, None), (5000, None)]
)
def test_focal_length(value: int, expected: float | None) -> None:
    assert decode_photo(with_focal(value)).focal_35mm == expected


def test_no_metadata_is_no_focal_length() -> None:
    photo = decode_photo(encoded(Image.fromarray(scene()), "JPEG"), "a.jpg")
    assert photo.focal_35mm is None
    assert photo.name == "a.jpg"


@settings(max_examples=30, deadline=None)
@given(junk=st.binary(max_size=200))
def test_hostile_metadata_does_no_harm(junk: bytes) -> None:
    data = encoded(Image.fromarray(scene()), "JPEG", exif=b"Exif\0\0" + junk)
    assert decode_photo(data).rgb.shape[2] == 3


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_damaged_files_raise_nothing_else(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["JPEG", "PNG", "WebP", "TIFF", "HEIC"]), label="kind")
    damaged = bytearray(DAMAGEABLE[kind])
    for _ in range(data.draw(st.integers(1, 4), label="times")):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    try:
        photo = decode_photo(bytes(damaged))
    except PadsheetError:
        return
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.ndim == 3


DAMAGEABLE = {
    kind: KINDS[kind](Image.fromarray(scene(600, 601)))
    for kind in ("JPEG", "PNG", "WebP", "TIFF", "HEIC")
}


def test_read_photo(tmp_path: Path) -> None:
    path = tmp_path / "my photo.png"
    path.write_bytes(encoded(Image.fromarray(scene()), "PNG"))
    photo = read_photo(path)
    np.testing.assert_array_equal(photo.rgb, scene())
    assert photo.name == "my photo.png"


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PadsheetError) as caught:
        read_photo(tmp_path / "none.jpg")
    assert caught.value.code == "photo-missing"
    with pytest.raises(PadsheetError) as caught:
        read_photo(tmp_path)
    assert caught.value.code == "photo-unreadable"
