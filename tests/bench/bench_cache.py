"""Photos of an outside renderer, kept in a folder outside the repository.

One folder for each photo, named after its scene and a digest of all that shapes it: what was asked
of the renderer, the photo, the truth, and what the reader may know. A photo is never rendered
twice, so an estimator can be judged again and again on the same photos.
"""

from __future__ import annotations

import hashlib
import json
import math
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_scenes import Shot
from numpy.typing import NDArray
from PIL import Image

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_from_json, sheet_to_json
from padsheet.scoring.mesh import Mesh

Floats = NDArray[np.float64]
_DIGEST_LETTERS = 10
_LOSSLESS_ENOUGH = 98


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One finished photo of the cache."""

    folder: Path
    about: dict[str, Any]

    @property
    def photo(self) -> Path:
        return self.folder / "photo.jpg"

    def sheet(self) -> Sheet:
        return sheet_from_json((self.folder / "sheet.json").read_text())

    def truth(self) -> dict[str, Any]:
        return dict(json.loads((self.folder / "truth.json").read_text()))

    def gaps_mm(self) -> Floats:
        """Return the true gap at each pad, at the target height."""
        return np.array([p["gap"] for p in self.truth()["points"]])

    def mesh(self) -> Mesh | None:
        """Return the mesh that was in force, if the reader is to know it."""
        if not self.about["mesh_known"]:
            return None
        bed = json.loads((self.folder / "bed.json").read_text())
        return Mesh(
            grid=mesh_grid(bed),
            z_mm=np.array(bed["mesh"]),
            name="known",
            taken="2000-01-01T00:00:00",
            bed_c=None,
            plate="plate",
        )


def mesh_grid(bed: dict[str, Any]) -> MeshGrid:
    """Return the grid of a bed file."""
    x, y = bed["grid_x"], bed["grid_y"]
    return MeshGrid(
        columns=len(x),
        rows=len(y),
        x_min_mm=x[0],
        x_max_mm=x[-1],
        y_min_mm=y[0],
        y_max_mm=y[-1],
        outside="hold",
    )


def _files(shot: Shot) -> dict[str, str]:
    about = {
        "name": shot.name,
        "kind": shot.kind,
        "mesh_known": shot.mesh_known,
        "after": shot.after,
        **shot.about,
    }
    scene = dict(shot.scene)
    if shot.after:
        scene["post"] = scene["post"] | {"quality": _LOSSLESS_ENOUGH}
    return {
        "sheet.gcode": shot.gcode,
        "sheet.json": sheet_to_json(shot.sheet),
        "bed.json": json.dumps(shot.bed_json),
        "scene.json": json.dumps(scene, indent=1),
        "points.json": json.dumps(shot.points),
        "about.json": json.dumps(about, indent=1),
    }


def folder_of(shot: Shot, cache: Path) -> Path:
    """Return where a scene's photo lies or will lie."""
    files = _files(shot)
    moves = [line for line in shot.gcode.split("\n") if not line.startswith(";")]
    shaping = ["\n".join(moves), files["bed.json"], files["scene.json"]]
    shaping.append(json.dumps([shot.after, shot.fast, shot.scene["post"]["quality"]]))
    digest = hashlib.sha256("\0".join(shaping).encode()).hexdigest()[:_DIGEST_LETTERS]
    return cache / f"{shot.name}-{digest}"


def render(shot: Shot, cache: Path, renderer: str, *, timeout_s: float = 3600) -> Kept:
    """Return a scene's photo, rendered unless the cache has it.

    Raises
    ------
    subprocess.CalledProcessError
        If the renderer fails; what it said is on stderr.
    """
    folder = folder_of(shot, cache)
    about = json.loads(_files(shot)["about.json"])
    if (folder / "photo.jpg").exists():
        return Kept(folder=folder, about=json.loads((folder / "about.json").read_text()))
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in _files(shot).items():
        (folder / name).write_text(text)
    raw = folder / "rendering.jpg"
    command = shlex.split(renderer)
    for option in ("gcode", "bed", "scene", "points"):
        name = "sheet.gcode" if option == "gcode" else f"{option}.json"
        command += [f"--{option}", str((folder / name).resolve())]
    command += ["--out", str(raw.resolve()), "--truth", str((folder / "truth.json").resolve())]
    if shot.fast:
        command.append("--fast")
    start = time.monotonic()
    subprocess.run(command, check=True, timeout=timeout_s, stdout=sys.stderr)
    if shot.after:
        retouch(raw, folder, shot)
    about["seconds"] = round(time.monotonic() - start, 1)
    (folder / "about.json").write_text(json.dumps(about, indent=1))
    raw.replace(folder / "photo.jpg")
    return Kept(folder=folder, about=about)


def kept(cache: Path) -> Iterator[Kept]:
    """Yield the finished photos of the cache by name."""
    for path in sorted(cache.glob("*/photo.jpg")):
        about = json.loads((path.parent / "about.json").read_text())
        yield Kept(folder=path.parent, about=about)


# ---------------------------------------------------------------------------------- retouching


def retouch(photo: Path, folder: Path, shot: Shot) -> None:
    """Put a hand's shadow and a clip on the picture, and save it at the wanted JPEG quality."""
    camera = json.loads((folder / "truth.json").read_text())["camera"]
    to_px = np.array(camera["homography_stored"])
    image = Image.open(photo)
    exif = image.info.get("exif", b"")
    codes = np.asarray(image.convert("RGB"))
    if "shadow" in shot.after:
        codes = _shade(codes, to_px, shot)
    if "clip_on_pad" in shot.after:
        codes = _cover(codes, to_px, shot)
    quality = int(shot.scene["post"]["quality"])
    Image.fromarray(codes).save(photo, "JPEG", quality=quality, subsampling="4:2:0", exif=exif)


def _project(to_px: Floats, points: Floats) -> Floats:
    p = np.c_[points, np.ones(len(points))] @ to_px.T
    return np.asarray(p[:, :2] / p[:, 2:])


def _shade(codes: NDArray[np.uint8], to_px: Floats, shot: Shot) -> NDArray[np.uint8]:
    """Darken one side of the bed, as a hand or a head before the lamp does."""
    spec = shot.after["shadow"]
    x0, y0, x1, y1 = shot.bed_json["area"]
    size = max(x1 - x0, y1 - y0)
    turn = math.radians(spec["angle"])
    h, w = codes.shape[:2]
    back = np.linalg.inv(to_px)
    step = 8  # the penumbra is soft: an eighth of the pixels tells it
    u, v = np.meshgrid(np.arange(0, w, step), np.arange(0, h, step))
    mm = _project(back, np.c_[u.ravel(), v.ravel()].astype(float)).reshape(*u.shape, 2)
    along = (mm[..., 0] - (x0 + x1) / 2) * math.cos(turn)
    along += (mm[..., 1] - (y0 + y1) / 2) * math.sin(turn)
    across = (mm[..., 1] - (y0 + y1) / 2) * math.cos(turn)
    across -= (mm[..., 0] - (x0 + x1) / 2) * math.sin(turn)
    edge = size * (0.5 - spec["where"]) + 9 * np.sin(across / 14) + 4 * np.sin(across / 5 + 1)
    factor = 1 - (1 - spec["depth"]) / (1 + np.exp(-(along - edge) / (spec["soft_mm"] / 3)))
    field = cv2.resize(factor.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
    codes_all = np.arange(256) / 255
    linear = np.where(codes_all <= 0.04045, codes_all / 12.92, ((codes_all + 0.055) / 1.055) ** 2.4)
    out = np.empty_like(codes)
    for rows in np.array_split(np.arange(h), 16):
        dark = linear.astype(np.float32)[codes[rows]] * field[rows][..., None]
        srgb = np.where(dark <= 0.0031308, 12.92 * dark, 1.055 * dark ** (1 / 2.4) - 0.055)
        out[rows] = np.rint(255 * np.clip(srgb, 0, 1)).astype(np.uint8)
    return out


def _cover(codes: NDArray[np.uint8], to_px: Floats, shot: Shot) -> NDArray[np.uint8]:
    """Lay a dark clip with a bright lever over part of one pad."""
    pads = shot.sheet.pads
    pad = pads[shot.after["clip_on_pad"] % len(pads)]
    x, y = pad.x_mm + 4.0, pad.y_mm - 3.0
    out = codes.copy()
    for (hx, hy), level in (((9.0, 11.0), 26), ((1.2, 9.0), 175)):
        box = np.array([[x - hx, y - hy], [x + hx, y - hy], [x + hx, y + hy], [x - hx, y + hy]])
        corners = np.rint(_project(to_px, box) * 16).astype(np.int32)
        cv2.fillConvexPoly(out, corners, (level, level, level + 2), cv2.LINE_AA, shift=4)
    return out
