"""The drawings of how to take the photo."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from padsheet.scoring.photo_guide import bad_photo, good_photo


@pytest.mark.parametrize("drawing", [good_photo, bad_photo])
def test_guide_drawings_are_well_formed(drawing):
    svg = ElementTree.fromstring(drawing())
    assert svg.get("aria-label")
    clips = {n.get("id") for n in svg.iter("clipPath")}
    used = set(re.findall(r"url\(#([\w-]+)\)", drawing()))
    assert used == clips
