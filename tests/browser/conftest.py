"""A real browser for the pages: the system's Chromium, driven without a window.

Where it is missing the tests are skipped; nothing is ever downloaded.
"""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from padsheet.cli.main import main
from padsheet.demo_photos import mesh_file, scenario
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.finder import find_markers
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.registration import register

#: Sizes in CSS pixels: a phone, a laptop, and A4 less the report's margins of 13 mm at 96 per inch.
PHONE, LAPTOP, PAPER = (390, 844), (1280, 800), (695, 980)


def chromium_path() -> str | None:
    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium on this system (Debian: apt-get install chromium)")
    with api.sync_playwright() as driver:
        # Whatever is not on this machine cannot even be looked up.
        arguments = ["--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
        chromium = driver.chromium.launch(executable_path=path, args=arguments)
        yield chromium
        chromium.close()


class Window:
    """One page in a context of its own, and every address that it asked for."""

    def __init__(self, browser: Any, size: tuple[int, int], **options: Any) -> None:
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, **options
        )
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.context.on("request", lambda request: self.requests.append(request.url))
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on(
            "console",
            lambda message: self.errors.append(message.text) if message.type == "error" else None,
        )

    def outside(self, *own: str) -> list[str]:
        """Return the addresses that are neither inside the page nor begin with `own`."""
        return [url for url in self.requests if not url.startswith(("data:", *own))]


@pytest.fixture
def open_window(browser: Any) -> Iterator[Callable[..., Window]]:
    opened: list[Window] = []

    def make(size: tuple[int, int] = LAPTOP, **options: Any) -> Window:
        opened.append(Window(browser, size, **options))
        return opened[-1]

    yield make
    for window in opened:
        window.context.close()


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the report of the demo's dark photo, two pads of which are pasted over."""
    where = tmp_path_factory.mktemp("browser") / "demo"
    answer = CliRunner().invoke(main, ["demo", str(where), "--photo", "dark", "--json"])
    assert answer.exit_code == 0, answer.output
    round_ = where / "rounds" / "01"
    sheet = sheet_from_json((round_ / "sheet.json").read_text(encoding="utf-8"))
    photo = decode_photo((round_ / "photo-1.jpg").read_bytes())
    camera = register(photo, sheet, find_markers(photo, sheet)).camera
    pixels = photo.rgb.copy()
    for pad in sheet.pads[7:9]:
        row, column = camera.project(np.array([pad.x_mm, pad.y_mm])).astype(int)
        pixels[row - 130 : row + 130, column - 130 : column + 130] = 90
    spoilt = where.parent / "spoilt.jpg"
    Image.fromarray(pixels).save(spoilt, quality=92)
    again = CliRunner().invoke(main, ["-C", str(where), "score", str(spoilt), "--force"])
    assert again.exit_code == 0, again.output
    return round_ / "report.html"


@pytest.fixture
def bed_folder(tmp_path: Path) -> Path:
    """Return a bed folder whose first sheet is that of the demo's ordinary photo, not scored."""
    source = scenario("ordinary")
    folder = tmp_path / "my-bed"
    (folder / "rounds" / "01").mkdir(parents=True)
    (folder / "meshes").mkdir()
    (folder / "bed.toml").write_bytes((source / "bed.toml").read_bytes())
    sheet = (source / "sheet.json").read_bytes()
    (folder / "rounds" / "01" / "sheet.json").write_bytes(sheet)
    name = json.loads(sheet)["mesh_name"]
    (folder / "meshes" / f"{name}.csv").write_bytes(mesh_file(name).read_bytes())
    (folder / "meshes" / "active.txt").write_text(f"{name}\n")
    return folder


@pytest.fixture
def phone_address(bed_folder: Path) -> Iterator[str]:
    """Run the real `padsheet phone` and return the address that it prints."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    code = "from padsheet.cli.main import main; main()"
    command = [sys.executable, "-c", code, "-C", str(bed_folder), "phone", "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.communicate(timeout=20)


# Every piece of text on the page with its colour and with what is painted under its middle, from
# the top down to the first that hides the rest.
_PAINTED = """
() => {
  document.querySelectorAll('details').forEach(d => { d.open = true; });
  const under = (element, x, y) => {
    const layers = [];
    for (const one of document.elementsFromPoint(x, y)) {
      const style = getComputedStyle(one);
      let colour = style.backgroundColor;
      if (one instanceof SVGElement) {
        if (one.tagName === 'svg') { colour = style.backgroundColor; }
        else if (one === element || ['text', 'g', 'a', 'path', 'line'].includes(one.tagName)) {
          continue;
        } else { colour = style.fill; }
      }
      if (colour === 'none') { continue; }
      layers.push([colour, Number(one instanceof SVGElement ? style.fillOpacity : 1)]);
    }
    layers.push([getComputedStyle(document.body).backgroundColor, 1]);
    return layers;
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const words = node.textContent.trim();
    const element = node.parentElement;
    if (!words || ['STYLE', 'SCRIPT', 'TITLE', 'title'].includes(element.tagName)) { continue; }
    if (!element.checkVisibility({visibilityProperty: true, opacityProperty: true})) { continue; }
    element.scrollIntoView({block: 'center', behavior: 'instant'});
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getClientRects()[0];
    if (!box || box.width < 1 || box.right < 0) { continue; }
    const style = getComputedStyle(element);
    const svg = element instanceof SVGElement;
    const size = svg ? box.height / 1.2 : parseFloat(style.fontSize);
    found.push({
      words: words.slice(0, 40), colour: svg ? style.fill : style.color, size: size,
      weight: Number(style.fontWeight),
      under: under(element, (box.left + box.right) / 2, (box.top + box.bottom) / 2),
    });
  }
  return found;
}
"""


# Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation, success criterion 1.4.3
# (level AA): 4.5 to 1 for text, 3 to 1 for large text, which is at least 18 pt (24 CSS pixels) or
# 14 pt (18.66 CSS pixels) and bold.
TEXT, LARGE = 4.5, 3.0
LARGE_PX, LARGE_BOLD_PX, BOLD = 24.0, 18.66, 700


def relative_luminance(rgb: tuple[float, ...]) -> float:
    """Definition of relative luminance in WCAG 2.2, of codes 0 to 255."""
    codes = [code / 255 for code in rgb]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in codes)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def ratio_of(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """Definition of contrast ratio in WCAG 2.2."""
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)


def rgba(colour: str) -> tuple[tuple[float, ...], float]:
    """Read a computed colour such as ``rgb(1, 2, 3)`` or ``rgba(1, 2, 3, 0.5)``."""
    numbers = [float(v) for v in re.findall(r"[\d.]+", colour)]
    assert colour.startswith("rgb"), colour
    return tuple(numbers[:3]), numbers[3] if len(numbers) > 3 else 1.0


def ground(layers: list[list[Any]]) -> tuple[float, ...]:
    """Paint the layers over each other, from the first that hides the rest upwards."""
    stack = []
    for colour, opacity in layers:
        rgb, alpha = rgba(colour)
        stack.append((rgb, alpha * opacity))
        if stack[-1][1] >= 1:
            break
    seen: tuple[float, ...] = (255.0, 255.0, 255.0)
    for rgb, alpha in reversed(stack):
        seen = tuple(alpha * c + (1 - alpha) * s for c, s in zip(rgb, seen, strict=True))
    return seen


def failures(texts: list[dict[str, Any]]) -> list[str]:
    found = []
    for text in texts:
        large = text["size"] >= LARGE_PX or (
            text["size"] >= LARGE_BOLD_PX and text["weight"] >= BOLD
        )
        ratio = ratio_of(rgba(text["colour"])[0], ground(text["under"]))
        if ratio < (LARGE if large else TEXT):
            found.append(f"{text['words']!r}: {ratio:.2f} ({text['colour']})")
    return found


@pytest.fixture(scope="session")
def contrast_ratio() -> Callable[[tuple[float, ...], tuple[float, ...]], float]:
    """Return the contrast ratio as WCAG 2.2 defines it."""
    return ratio_of


@pytest.fixture(scope="session")
def poor_contrast(painted_texts: Callable[[Any], list[dict[str, Any]]]) -> Callable[..., list[str]]:
    """Return the finder of texts on a page whose contrast is below level AA."""

    def find(page: Any) -> list[str]:
        return failures(painted_texts(page))

    return find


@pytest.fixture(scope="session")
def painted_texts() -> Callable[[Any], list[dict[str, Any]]]:
    """Return the reader of all visible texts of a page, with what is painted under them."""

    def read(page: Any) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = page.evaluate(_PAINTED)
        return found

    return read


# What is wider than its room: the page itself, or a part that scrolls sideways.
_TOO_WIDE = """
() => {
  const wide = [];
  const room = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > room) { wide.push('the page'); }
  for (const one of document.body.querySelectorAll('*')) {
    const style = getComputedStyle(one);
    const box = one.getBoundingClientRect();
    const hidden = box.right <= 0 || box.width <= 1;
    if (!hidden && !(one instanceof SVGElement) && box.right > room + 1) { wide.push(one.tagName); }
    if (['auto', 'scroll'].includes(style.overflowX) && one.scrollWidth > one.clientWidth + 1) {
      wide.push(one.tagName + ' scrolls');
    }
  }
  return wide;
}
"""


@pytest.fixture(scope="session")
def too_wide() -> Callable[[Any], list[str]]:
    """Return the finder of what does not fit into the width of the page."""

    def find(page: Any) -> list[str]:
        found: list[str] = page.evaluate(_TOO_WIDE)
        return found

    return find
