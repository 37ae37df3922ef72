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
        save((report.parent / "preview.png").read_bytes(), folder / "preview.png")
        report_pictures(browser, report, folder)
        phone_picture(browser, bed, report.parent / "photo-1.jpg", folder)
        browser.close()


if __name__ == "__main__":
    main()
