"""Make the bed folders and photos that `speed.py` measures with, on the virtual printer.

Run it by itself, in a process of its own: what it needs of memory must not count as padsheet's.

    python tests/bench/speed_photos.py FOLDER --pads 9,25,100,225 --megapixels 12,48
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

from accuracy import virtual_printer

# Columns and rows of the mesh, and side of the bed in millimetres: 28 mm and more between grid
# points give full combs, 15 x 15 on the largest bed gives short ones.
BEDS = {9: (3, 220), 25: (5, 220), 100: (10, 300), 225: (15, 300)}
WIDTHS = {12: 4032, 48: 8064}
SEED = 7


def padsheet(*words: object) -> None:
    """Run a padsheet command; its own error message ends the script."""
    line = [sys.executable, "-c", "from padsheet.cli.main import main; main()", *map(str, words)]
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)


def bed_folder(root: Path, pads: int) -> Path:
    """Return the folder of a bed with one fine sheet in it; made if it is not there."""
    folder = root / f"bed-{pads}"
    if not (folder / "rounds" / "01" / "sheet.json").exists():
        count, size = BEDS[pads]
        padsheet("init", folder, "--size", size, size, "--mesh", count, count, "--force")
        # Room for a pad at every point: combs may reach over the edge of the mesh.
        profile = folder / "bed.toml"
        text = profile.read_text(encoding="utf-8")
        text = text.replace('outside = "unknown"', 'outside = "hold"')
        profile.write_text(text, encoding="utf-8")
        padsheet("-C", folder, "sheet", "--reach", "fine")
    return folder


def photo_path(root: Path, pads: int, megapixels: int) -> Path:
    """Return where the photo of a bed is kept; outside the bed folder, which `score` copies to."""
    return root / f"photo-{pads}-pads-{megapixels}-megapixels.jpg"


def make_photo(root: Path, pads: int, megapixels: int) -> Path:
    """Print the sheet and photograph it in plain indoor light; nothing to do if it is there."""
    path = photo_path(root, pads, megapixels)
    folder = bed_folder(root, pads)
    if not path.exists():
        virtual = virtual_printer()
        gcode = (folder / "rounds" / "01" / "sheet.gcode").read_text(encoding="utf-8")
        outline = (0.0, 0.0, float(BEDS[pads][1]), float(BEDS[pads][1]))
        job = virtual.print_sheet(gcode, virtual.random_bed(SEED, 0.08, outline=outline), seed=SEED)
        # Sharp enough for the largest bed, which 12 megapixels show at 8 pixels a millimetre.
        scene = virtual.random_scene(SEED, "ordinary").but(blur_px=0.6)
        jpeg, _ = virtual.photograph(job, scene, width_px=WIDTHS[megapixels])
        path.write_bytes(jpeg)
    return path


def main() -> None:
    """Make what is missing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--pads", default="9,25,100,225")
    parser.add_argument("--megapixels", default="12,48")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    for pads in map(int, given.pads.split(",")):
        for megapixels in map(int, given.megapixels.split(",")):
            print(make_photo(given.folder, pads, megapixels), file=sys.stderr)


if __name__ == "__main__":
    main()
