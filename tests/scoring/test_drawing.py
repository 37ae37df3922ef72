"""The drawing that takes the photo's place."""

from __future__ import annotations

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.patterns.layout import lay_out_sheet
from padsheet.scoring.drawing import draw_sheet, to_drawing


def test_lines_are_drawn_where_they_are_printed() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet
    picture = draw_sheet(sheet)
    dark = picture.mean(axis=2) < 150
    for pad in sheet.pads:
        for track in sheet.tracks:
            x = pad.x_mm + track.offset_mm
            for place, printed in (((x, pad.y_mm), True), ((x + 1.0, pad.y_mm), False)):
                column, row = np.round(to_drawing(sheet, np.array(place))).astype(int)
                assert dark[row, column] == printed
    # The tick is at the front left of each comb, and nothing is drawn at the front right.
    pad, half = sheet.pads[0], sheet.track_length_mm / 2
    for side, printed in ((-1, True), (1, False)):
        x = pad.x_mm + side * (sheet.tracks[-1].offset_mm + sheet.tick_mm / 2)
        column, row = np.round(to_drawing(sheet, np.array((x, pad.y_mm - half)))).astype(int)
        assert dark[row, column] == printed


def test_the_back_of_the_bed_is_on_top() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet
    front, back = to_drawing(sheet, np.array([(110.0, 20.0), (110.0, 200.0)]))
    assert back[1] < front[1]
    assert back[0] == front[0]
