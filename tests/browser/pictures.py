"""Take the README's pictures anew, in the system's Chromium, into the folder given.

Run as ``python tests/browser/pictures.py .pictures``; they show the demo, no real print.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

from padsheet.patterns.bead import width_mm

LARGEST_BYTES = 150_000
PORT = 8791


def save(picture: bytes, path: Path) -> None:
    """Write a PNG with a palette; with fewer colours where it would be too large."""
    image = Image.open(io.BytesIO(picture)).convert("RGB")
    for colours in (256, 128, 64, 32):
        stream = io.BytesIO()
        image.quantize(colours, Image.Quantize.MEDIANCUT).save(stream, "PNG", optimize=True)
        if len(stream.getvalue()) <= LARGEST_BYTES:
            break
    path.write_bytes(stream.getvalue())
    print(path, image.size, len(stream.getvalue()))


def command(*words: str) -> list[str]:
    return [sys.executable, "-c", "from padsheet.cli.main import main; main()", *words]


def window(browser: Any, width: int, height: int, **options: Any) -> Any:
    return browser.new_context(viewport={"width": width, "height": height}, **options).new_page()


def report_pictures(browser: Any, report: Path, folder: Path) -> None:
    """Take the top of the report, light and dark, one point's details, and the two guides."""
    for dress, name in (("light", "report.png"), ("dark", "report-dark.png")):
        page = window(browser, 1180, 1000, color_scheme=dress)
        page.goto(report.as_uri())
        save(page.screenshot(), folder / name)
    page = window(browser, 1000, 800)
    page.goto(report.as_uri())
    point = page.locator(".points details").first
    point.evaluate("d => { d.open = true; }")
    save(point.screenshot(), folder / "point.png")
    page = window(browser, 1000, 800, device_scale_factor=2)
    page.goto(report.as_uri())
    for guide, name in zip(page.locator("svg.guide").all(), ("good", "bad"), strict=True):
        save(guide.screenshot(), folder / f"photo-{name}.png")


def phone_picture(browser: Any, bed: Path, photo: Path, folder: Path) -> None:
    """Take the phone page after a photo was read."""
    process = subprocess.Popen(
        command("-C", bed.name, "phone", "--port", str(PORT)),
        cwd=bed.parent,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        page = window(browser, 390, 844, is_mobile=True, has_touch=True)
        page.goto(process.stdout.readline().strip())
        page.check("input[name=replace]")
        page.set_input_files("#photo", photo)
        page.locator("section[aria-label=Result]").wait_for(timeout=120_000)
        page.wait_for_load_state("networkidle")
        save(page.screenshot(), folder / "phone.png")
    finally:
        process.terminate()
        process.wait(timeout=20)


INK, QUIET, LINE, FILL = "#23303a", "#5d6b75", "#2a5f9e", "#e08a3c"


def ladder_drawing() -> str:
    """Draw the principle: five lines of one area seen from the end, and their widths over height.

    The widths are those of the package's own bead; 0.03 mm is the gap error of the second curve.
    """
    heights_mm, area, error_mm = (0.12, 0.16, 0.20, 0.24, 0.28), 0.10, 0.03
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 920 340" '
        'font-family="sans-serif" font-size="16">',
        f'<rect width="920" height="340" rx="8" fill="#ffffff" stroke="{QUIET}"/>',
    ]

    def text(x: float, y: float, said: str, ink: str = INK, anchor: str = "middle") -> None:
        parts.append(f'<text x="{x:g}" y="{y:g}" fill="{ink}" text-anchor="{anchor}">{said}</text>')

    def line(x0: float, y0: float, x1: float, y1: float, ink: str, more: str = "") -> None:
        parts.append(
            f'<line x1="{x0:g}" y1="{y0:g}" x2="{x1:g}" y2="{y1:g}" stroke="{ink}" {more}/>'
        )

    scale, floor_y = 88.0, 230.0
    text(215, 34, "five lines of a comb, cut across")
    for k, height in enumerate(heights_mm):
        width = float(width_mm(area, height))
        x, tall = 50 + 82 * k, 2.2 * scale * height
        parts.append(
            f'<rect x="{x - scale * width / 2:.1f}" y="{floor_y - tall:.1f}" '
            f'width="{scale * width:.1f}" height="{tall:.1f}" rx="{tall / 2:.1f}" fill="{FILL}"/>'
        )
        top = floor_y - tall
        parts.append(
            f'<path d="M{x - 26:g} {top - 58:.1f} h52 v26 l-14 30 h-24 l-14 -30 z" '
            f'fill="#c9d2d8" stroke="{INK}"/>'
        )
        text(x, floor_y + 32, f"{height:.2f}")
        text(x, floor_y + 62, f"{width:.2f}", LINE)
    line(14, floor_y + 2, 426, floor_y + 2, INK, 'stroke-width="4"')
    text(225, floor_y + 92, "nozzle gap and line width, mm; heights drawn larger", QUIET)
    left, bottom = 520.0, 260.0

    def at(height: float, width: float) -> tuple[float, float]:
        return left + 1750 * (height - 0.10), bottom - 300 * (width - 0.30)

    line(left, bottom, 890, bottom, INK)
    line(left, 44, left, bottom, INK)
    text(705, 300, "height the printer was told, mm", QUIET)
    text(705, 34, "width of each line, mm")
    for shift, ink, dash in ((0.0, QUIET, "6 5"), (error_mm, LINE, "none")):
        finely = [0.11 + 0.005 * n for n in range(38)]
        points = [at(h, float(width_mm(area, h + shift))) for h in finely if h <= 0.29]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points if y > 44)
        parts.append(
            f'<polyline points="{path}" fill="none" stroke="{ink}" stroke-width="3" '
            f'stroke-dasharray="{dash}"/>'
        )
    for height in heights_mm:
        x, y = at(height, float(width_mm(area, height + error_mm)))
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{LINE}"/>')
        text(x, bottom + 20, f"{height:.2f}")
    x0, y0 = at(0.19, float(width_mm(area, 0.19)))
    x1, _ = at(0.19 - error_mm, 0.4)
    line(x0 - 4, y0, x1 + 8, y0, FILL, 'stroke-width="4"')
    parts.append(f'<path d="M{x1:.1f} {y0:.1f} l14 -7 v14 z" fill="{FILL}"/>')
    text(665, 72, "dashed: as it should be", QUIET, "start")
    text(665, 97, "dots: as measured", LINE, "start")
    text(665, 122, "shift: nozzle 0.03 mm too far", "#9a5310", "start")
    return "\n".join([*parts, "</svg>"]) + "\n"


def main() -> None:
    """Run the demo and take all pictures."""
    from playwright.sync_api import sync_playwright

    folder = Path(sys.argv[1]).resolve()
    folder.mkdir(exist_ok=True)
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as driver:
        bed = Path(scratch) / "my-bed"
        # Run beside the folder, so that the commands in the pictures name it as a user would.
        demo = command("demo", bed.name, "--json")
        answer = subprocess.run(demo, cwd=scratch, check=True, stdout=subprocess.PIPE, text=True)
        told = json.loads(answer.stdout)["demo"]
        browser = driver.chromium.launch(executable_path=path)
        report = Path(told["report"])
        (folder / "ladder.svg").write_text(ladder_drawing(), encoding="utf-8")
        save((report.parent / "preview.png").read_bytes(), folder / "preview.png")
        report_pictures(browser, report, folder)
        phone_picture(browser, bed, report.parent / "photo-1.jpg", folder)
        browser.close()


if __name__ == "__main__":
    main()
