"""Hostile input: what each reader is fed, and what must hold whatever it makes of it.

Every target takes a number, from which it makes one damaged input. Anything that is raised but a
`PadsheetError` with a code of the catalogue is a fault, and so is more than 5 s of processor time.
`tests/fuzz/guided.py` feeds the same readers with inputs that are guided by coverage.
"""

from __future__ import annotations

import copy
import io
import json
import random
import struct
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.envelope import check_envelope
from padsheet.patterns.error_codes import CODES
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.profile import load_bed, parse_bed, profile_text
from padsheet.patterns.sheet_file import sheet_from_json, sheet_to_json
from padsheet.scoring.applied import Applied, applied_from_json, applied_to_json
from padsheet.scoring.edit_styles import check_style, edit_line
from padsheet.scoring.mesh import Mesh, mesh_csv, read_mesh_csv
from padsheet.scoring.mesh_check import show_map
from padsheet.scoring.mesh_table import read_table
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.scores import scores_from_json, scores_to_json
from padsheet.scoring.startcode import check_start_code

MOST_S = 5.0
GRID = MeshGrid(columns=3, rows=3)
BED = Bed(mesh=GRID)
Z_MM = np.random.default_rng(4).normal(0, 0.05, (3, 3)).round(3)
TABLE = "Recv:  0  1  2\n" + "\n".join(
    f"Recv: {j} " + " ".join(f"{z:+.3f}" for z in row) for j, row in enumerate(Z_MM)
)


@contextmanager
def refused_or_read() -> Iterator[None]:
    """Let a refusal in words pass, and nothing else; bound the time."""
    start = time.process_time()
    error: PadsheetError | None = None
    try:
        yield
    except PadsheetError as caught:
        error = caught
    if error is not None:
        assert error.code in CODES, error.code
        assert error.problem
        assert error.remedy
        # One sentence for people: no line breaks from the input, no endless echo of it.
        assert len(str(error)) < 2000
    assert time.process_time() - start < MOST_S


# ---- damage

HOSTILE_BYTES = [
    b"\x00",
    b"\xff\xfe",
    b"\r",
    b"\xf0\x9f\x94\xa5",
    b"\x1b[2J",
    b"%s%n",
    b"{0}",
    b"`",
]
HOSTILE_NUMBERS = [
    "nan", "inf", "-inf", "1e999", "-1e400", "9" * 5000, "0x10", "1_000", "-0.0", "1e-320", "٣",
    "1,5", "--1", "+", "1.2.3", "1e", "²",
]  # fmt: skip
JUNK: list[Any] = [
    None, True, False, 0, -1, 2**70, -(10**400), 1e308, -1e308, 1e-308, 0.1, "", "nan", "1",
    "x" * 3000, [], {}, [[]], [None], {"i": 0}, [1, 2], "\x00", "\ud7ff", "../../etc",
]  # fmt: skip


def damaged_bytes(rng: random.Random, data: bytes) -> bytes:
    """Flip, cut, repeat, insert or exchange some bytes."""
    raw = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 4, 16])):
        at = rng.randrange(len(raw) + 1)
        match rng.randrange(7):
            case 0 if at < len(raw):
                raw[at] ^= 1 << rng.randrange(8)
            case 1:
                del raw[at:]
            case 2:
                del raw[at : at + rng.randrange(1, 50)]
            case 3:
                raw[at:at] = raw[at : at + rng.randrange(1, 200)] * rng.choice([1, 3])
            case 4:
                raw[at:at] = rng.randbytes(rng.randrange(1, 20))
            case 5:
                raw[at:at] = rng.choice(HOSTILE_BYTES)
            case _ if at < len(raw):
                raw[at : at + 4] = rng.choice([b"\xff" * 4, b"\x00" * 4, b"\x7f\xff\xff\xff"])
        raw = raw or bytearray(b"\x00")
    return bytes(raw)


def damaged_text(rng: random.Random, text: str) -> str:
    """Damage lines and numbers of a text, or its bytes."""
    if rng.random() < 0.3:
        return damaged_bytes(rng, text.encode()).decode("utf-8", "replace")
    lines = text.split("\n")
    for _ in range(rng.choice([1, 1, 2, 5])):
        at = rng.randrange(len(lines))
        words = lines[at].split(" ")
        word = rng.randrange(len(words))
        match rng.randrange(7):
            case 0:
                words[word] = rng.choice(HOSTILE_NUMBERS)
            case 1:
                words[word : word + 1] = []
            case 2:
                words.insert(word, rng.choice(HOSTILE_NUMBERS))
            case 3:
                words[word] *= rng.choice([2, 50, 3000])
            case 4:
                lines.insert(at, rng.choice(lines))
                at += 1
            case 5:
                words[word] = "".join(chr(rng.randrange(1, 0x2FF)) for _ in range(5))
            case _:
                words[word] = f"= {rng.choice(HOSTILE_NUMBERS)}"
        lines[at] = " ".join(words)
    return rng.choice(["\n", "\n", "\r\n", "\r"]).join(lines)


def damaged_json(rng: random.Random, text: str) -> str:
    """Exchange, delete or double parts of a JSON text, or damage its bytes."""
    if rng.random() < 0.2:
        return damaged_bytes(rng, text.encode()).decode("utf-8", "replace")
    if rng.random() < 0.05:
        return rng.choice(["[" * 100_000, '{"format":' * 20_000, "1" * 5000, "NaN", ""])
    data = json.loads(text)
    for _ in range(rng.choice([1, 1, 2, 4])):
        parent, key = rng.choice(places(data))
        match rng.randrange(4):
            case 0:
                del parent[key]
            case 1 if isinstance(parent, list):
                parent.extend(copy.deepcopy(parent[:200]))
            case _:
                # A copy: what goes in may be damaged in its turn.
                parent[key] = copy.deepcopy(rng.choice(JUNK))
        if not places(data):
            break
    out = json.dumps(data)
    # Numbers that JSON can write, but no float holds.
    return out.replace("1e+308", "1e999") if rng.random() < 0.5 else out


def places(value: Any) -> list[tuple[Any, Any]]:
    """List every (container, key) in a nested value."""
    keys: list[Any] = []
    if isinstance(value, dict):
        keys = list(value)
    elif isinstance(value, list):
        keys = list(range(len(value)))
    return [(value, key) for key in keys] + [p for key in keys for p in places(value[key])]


# ---- pictures


def picture(width: int = 640, height: int = 620) -> Image.Image:
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    return Image.fromarray(np.stack([x % 256, y % 256, (x + y) % 251], -1).astype(np.uint8))


def saved(image: Image.Image, kind: str, **more: Any) -> bytes:
    stream = io.BytesIO()
    image.save(stream, kind, **more)
    return stream.getvalue()


@cache
def pictures() -> tuple[bytes, ...]:
    """Return whole pictures of every kind that a phone or a prank may send."""
    from pillow_heif import register_heif_opener

    register_heif_opener()
    image = picture()
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0xA405] = 26
    frames = {"save_all": True, "append_images": [picture().rotate(90)]}
    deep = Image.fromarray(np.asarray(image.convert("L")).astype(np.uint16) * 256)
    files = [
        saved(image, "JPEG", quality=60, exif=exif),
        saved(image, "JPEG", progressive=True, quality=40),
        saved(image.convert("CMYK"), "JPEG", quality=50),
        saved(image.convert("L"), "JPEG", quality=50),
        saved(image, "PNG", exif=exif),
        saved(image.convert("P"), "PNG"),
        saved(image.convert("1"), "PNG"),
        saved(image.convert("RGBA"), "PNG"),
        saved(image.convert("LA"), "PNG"),
        saved(deep, "PNG"),
        saved(image, "PNG", **frames),
        saved(image, "TIFF", compression="tiff_lzw", exif=exif),
        saved(deep, "TIFF"),
        saved(image.convert("F"), "TIFF"),
        saved(image.convert("CMYK"), "TIFF"),
        saved(image, "TIFF", **frames),
        saved(image, "WebP", quality=40, exif=exif),
        saved(image, "WebP", lossless=True),
        saved(image, "WebP", quality=40, **frames),
        saved(image, "GIF"),
        saved(image, "BMP"),
        saved(image, "MPO", **frames),
        saved(image, "PPM"),
        saved(image, "ICO"),
    ]
    # No HEIC encoder is built in everywhere.
    try:
        files.append(saved(image, "HEIF", quality=40))
    except (KeyError, OSError, ValueError, RuntimeError):
        pass
    return tuple(files)


def claimed_size(width: int, height: int, depth: int = 8, colour: int = 2) -> bytes:
    """Return a PNG that claims a size which its few bytes do not hold."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    body = zlib.compress(b"\x00" * 5000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def exif_bomb(rng: random.Random) -> bytes:
    """Return a JPEG whose metadata point at themselves, or claim millions of entries."""
    entries = rng.choice([1, 20, 65535])
    tag = rng.choice([0x8769, 0x0112, 0xA405, 0x8825, rng.randrange(65536)])
    entry = struct.pack(
        "<HHII",
        tag,
        rng.randrange(14),
        rng.choice([1, 2**31, 2**32 - 1]),
        rng.choice([8, 0, 2**31]),
    )
    body = b"II*\x00\x08\x00\x00\x00" + struct.pack("<H", entries) + entry * min(entries, 300)
    return saved(picture(), "JPEG", quality=30, exif=b"Exif\x00\x00" + body[:60_000])


def photo(seed: int) -> None:
    """Feed the photo reader."""
    rng = random.Random(seed)
    way = rng.randrange(12)
    if way == 0:
        sizes = [1, 599, 600, 100_000, 65_535, 2**31 - 1, rng.randrange(1, 4000)]
        data = claimed_size(
            rng.choice(sizes),
            rng.choice(sizes),
            rng.choice([1, 8, 16, 3]),
            rng.choice([0, 2, 3, 6]),
        )
    elif way == 1:
        data = exif_bomb(rng)
    elif way == 2:
        data = rng.randbytes(rng.randrange(400))
    elif way == 3:
        # One kind's beginning, another's end.
        first, last = rng.choice(pictures()), rng.choice(pictures())
        data = first[: rng.randrange(1, 2000)] + last[rng.randrange(len(last)) :]
    else:
        data = damaged_bytes(rng, rng.choice(pictures()))
        if way == 4:
            data = rng.choice(pictures())
    read_photo_bytes(data)


def read_photo_bytes(data: bytes) -> None:
    """Decode, and see that what comes out is a picture."""
    with refused_or_read():
        rgb = decode_photo(data).rgb
        assert rgb.dtype == np.uint8
        assert rgb.shape[2:] == (3,)
        assert min(rgb.shape[:2]) >= 600
        assert rgb.size <= 3 * 200_000_000


# ---- files and pasted text


@cache
def profile() -> str:
    return profile_text(BED)


def bed_toml(seed: int) -> None:
    """Feed the profile reader, now and then as a file of any bytes."""
    rng = random.Random(seed)
    text = profile()
    if rng.random() < 0.5:  # take some commented-out keys in
        text = text.replace("\n#", "\n", rng.randrange(1, 12))
    text = damaged_text(rng, text)
    with refused_or_read():
        bed = parse_bed(text)
        assert parse_bed(profile_text(bed)) == bed


def bed_file(seed: int, folder: Path) -> None:
    """Feed the profile reader with a file."""
    rng = random.Random(seed)
    path = folder / "bed.toml"
    path.write_bytes(
        damaged_bytes(rng, profile().encode(rng.choice(["utf-8", "utf-16", "cp1252"])))
    )
    with refused_or_read():
        load_bed(path)


@cache
def small_gcode() -> tuple[str, str]:
    """Return a real sheet as sheet.json and as G-code."""
    sheet = lay_out_sheet(BED, reach_mm=(-0.08, 0.08), points=[(1, 1), (2, 1), (1, 2)]).sheet
    return sheet_to_json(sheet), write_gcode(sheet, BED)


def sheet_json(seed: int) -> None:
    """Feed the reader of sheet.json."""
    with refused_or_read():
        sheet = sheet_from_json(damaged_json(random.Random(seed), small_gcode()[0]))
        assert sheet_from_json(sheet_to_json(sheet)) == sheet


def mesh_file(seed: int, folder: Path) -> None:
    """Feed the reader of meshes/NAME.csv."""
    rng = random.Random(seed)
    mesh = Mesh(grid=GRID, z_mm=Z_MM, name="one", taken="2024-05-01", bed_c=60.0)
    text = damaged_text(rng, mesh_csv(mesh).replace(",", " , ")).replace(" , ", ",")
    path = folder / "one.csv"
    path.write_bytes(text.encode(rng.choice(["utf-8", "utf-16"]), "replace"))
    with refused_or_read():
        read = read_mesh_csv(path, rng.choice([GRID, None]))
        assert np.isfinite(read.z_mm).all()


def mesh_table(seed: int) -> None:
    """Feed the reader of pasted tables."""
    text = damaged_text(random.Random(seed), TABLE)
    read_mesh_text(text)


def read_mesh_text(text: str) -> None:
    """Read a table, and see that it is one."""
    with refused_or_read():
        reading = read_table(text, GRID)
        assert np.isfinite(reading.mesh.z_mm).all()
        assert np.abs(reading.mesh.z_mm).max() <= 5
        assert show_map(reading.mesh)


START = "; start\nM140 S60\nG28 ; home\nM420 S1 Z10\nG1 X5 Y5 F3000\nM109 S210\nG92 E0\nG29\nM501"


def start_code(seed: int) -> None:
    """Feed the check of start code; what it corrects must then be right."""
    text = damaged_text(random.Random(seed), START)
    with refused_or_read():
        check = check_start_code(text, BED)
        if not check.ok:
            again = check_start_code(check.corrected, BED)
            assert again.ok, again.findings


def sheet_gcode(seed: int) -> None:
    """Feed the envelope with a damaged sheet."""
    read_gcode(damaged_text(random.Random(seed), small_gcode()[1]))


def read_gcode(text: str) -> None:
    """Check a text; a sheet that passes is one that was damaged where it does not matter."""
    with refused_or_read():
        check_envelope(text, BED, reach_mm=(-0.08, 0.08))


PIECES = [
    "{column0}", "{row0}", "{column1}", "{row1}", "{value_mm}", "{change_mm}", "{value_mm:.3f}",
    "{change_mm:+.2f}", "{column0:03d}", "{value_mm.__class__}", "{0}", "{}", "{column0!r}",
    "{value_mm:.999999999f}", "{value_mm:{column0}}", "{row0:>99999999}", "{{", "}}", "{", "}",
    "SET", " X", " Y", " Z", "G28", "M421", "\n", ";", "é", "\x00", "{__import__('os')}", "M112",
]  # fmt: skip


def template(seed: int) -> None:
    """Feed the custom edit line, through the profile and past it."""
    rng = random.Random(seed)
    if rng.random() < 0.5:
        pieces = ["SETPOINT C={column0} R={row1} Z={value_mm:.3f}"]
        pieces.insert(rng.randrange(2), rng.choice(PIECES))
    else:
        pieces = [rng.choice(PIECES) for _ in range(rng.randrange(1, 9))]
    line = "".join(pieces)
    read_template(line)


def read_template(line: str) -> None:
    """Fill a template in; no more than numbers may come out of its braces."""
    edits = Edits(style="custom", template=line)
    with refused_or_read():
        parse_bed(f'[edits]\nstyle = "custom"\ntemplate = {json.dumps(line)}\n')
    with refused_or_read():
        check_style(edits)
        filled = edit_line(edits, 2, 3, 0.125, -0.02)
        assert len(filled) <= len(line) + 400
        assert "\n" not in filled
        assert "class" not in filled or "class" in line.replace("__class__", "")


def scores_json(seed: int, text: str) -> None:
    """Feed the reader of scores.json."""
    with refused_or_read():
        score, advice = scores_from_json(damaged_json(random.Random(seed), text))
        # What was read can be written: there is no number in it that JSON has not.
        scores_to_json(score, advice)


def applied_json(seed: int) -> None:
    """Feed the reader of applied.json."""
    text = applied_to_json(
        Applied(how="meshes", nodes=((0, 1, -0.02), (2, 2, 0.05)), before="a", after="b")
    )
    with refused_or_read():
        applied = applied_from_json(damaged_json(random.Random(seed), text))
        applied_to_json(applied)
        applied.on_grid(GRID)
