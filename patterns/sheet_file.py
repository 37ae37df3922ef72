"""sheet.json: a sheet as the scorer needs it, without its strokes."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Coupon, Marker, Pad, Sheet, Track

__all__ = ["FORMAT", "sheet_from_json", "sheet_to_json"]

FORMAT = 1
_TRACKS = 10
_MOST_LIFT_MM = 1.0


def sheet_to_json(sheet: Sheet) -> str:
    """Return the text of sheet.json; the same sheet gives the same bytes."""
    # Strokes are left out, and would take long to be copied.
    data = dataclasses.asdict(dataclasses.replace(sheet, strokes=()))
    del data["strokes"]
    if not sheet.mesh_corrected:
        del data["mesh_corrected"]
    return json.dumps({"format": FORMAT, **data}, allow_nan=False, indent=1) + "\n"


def _spoilt(detail: str) -> PadsheetError:
    return PadsheetError(
        f"this is not a usable sheet.json: {detail}",
        remedy="Use the sheet.json that padsheet wrote beside the sheet's G-code.",
        code="sheet-file",
    )


def _numbers(data: dict[str, Any], key: str, count: int | None = None) -> tuple[float, ...]:
    values = data[key]
    if not isinstance(values, list) or (count is not None and len(values) != count):
        raise _spoilt(f"{key} must be a list" + (f" of {count} numbers" if count else ""))
    return tuple(_number(v, key) for v in values)


def _number(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise _spoilt(f"{key} must be a finite number, not {_shown(value)}")
    return float(value)


def _shown(value: object) -> str:
    """Return a value as it may stand in an error: one short line."""
    if isinstance(value, int) and abs(value) >= 10**15:
        # Python refuses to print whole numbers of thousands of digits.
        return "a whole number too large"
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:60]}..."


def _whole(value: object, key: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _spoilt(f"{key} must be a whole number, not {_shown(value)}")
    return value


def _text(value: object, key: str) -> str:
    if not isinstance(value, str):
        raise _spoilt(f"{key} must be text, not {_shown(value)}")
    return value


def _text_or_null(value: object, key: str) -> str | None:
    return None if value is None else _text(value, key)


def _pad(data: dict[str, Any]) -> Pad:
    coupon = data.get("coupon")
    return Pad(
        i=_whole(data["i"], "i"),
        j=_whole(data["j"], "j"),
        x_mm=_number(data["x_mm"], "x_mm"),
        y_mm=_number(data["y_mm"], "y_mm"),
        lift_mm=_number(data.get("lift_mm", 0.0), "lift_mm"),
        coupon=None
        if coupon is None
        else Coupon(
            **{k: _number(coupon[k], k) for k in ("x_mm", "y_mm", "side_mm")},
            lines=_whole(coupon.get("lines", 0), "lines"),
            area_mm2=_number(coupon.get("area_mm2", 0.0), "area_mm2"),
        ),
    )


def _build(data: dict[str, Any]) -> Sheet:
    plain = (
        "sigma_mm",
        "track_length_mm",
        "window_mm",
        "target_gap_mm",
        "tolerance_mm",
        "bore_mm",
        "flat_mm",
        "z_step_mm",
    )
    numbers = {k: _number(data[k], k) for k in plain}
    low, high = _numbers(data, "reach_mm", 2)
    x0, y0, x1, y1 = _numbers(data, "plate_outline_mm", 4)
    if data.get("mesh_active", "unknown") not in ("yes", "no", "unknown"):
        raise _spoilt(f"mesh_active cannot be {_shown(data['mesh_active'])}")
    return Sheet(
        id=_text(data["id"], "id"),
        number=_whole(data["number"], "number"),
        reach_mm=(low, high),
        pads=tuple(_pad(p) for p in data["pads"]),
        tracks=tuple(
            Track(
                number=_whole(t["number"], "number"),
                **{k: _number(t[k], k) for k in ("offset_mm", "height_mm", "area_mm2")},
            )
            for t in data["tracks"]
        ),
        markers=tuple(
            Marker(
                id=_whole(m["id"], "id"),
                **{k: _number(m[k], k) for k in ("x_mm", "y_mm", "side_mm")},
            )
            for m in data["markers"]
        ),
        plate_name=_text(data["plate_name"], "plate_name"),
        plate_outline_mm=(x0, y0, x1, y1),
        nodes_x_mm=_numbers(data, "nodes_x_mm"),
        nodes_y_mm=_numbers(data, "nodes_y_mm"),
        mesh_active=data.get("mesh_active", "unknown"),
        mesh_name=_text_or_null(data.get("mesh_name"), "mesh_name"),
        mesh_corrected=data.get("mesh_corrected") is True,
        gcode_sha256=_text_or_null(data.get("gcode_sha256"), "gcode_sha256"),
        tick_mm=_number(data.get("tick_mm", 0.0), "tick_mm"),
        **numbers,  # type: ignore[arg-type]  # none of these is the field of strokes
    )


def sheet_from_json(text: str) -> Sheet:
    """Read sheet.json.

    Raises
    ------
    PadsheetError
        If it is not JSON, is of a newer format, lacks something or holds impossible values.
        Unknown keys are ignored.
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _spoilt("it is not JSON") from error
    if not isinstance(data, dict) or type(data.get("format")) is not int:
        raise _spoilt("it does not say its format")
    if data["format"] > FORMAT:
        raise PadsheetError(
            f"this sheet.json is of format {data['format']}, newer than this program reads",
            remedy="Update padsheet.",
            code="file-newer",
        )
    try:
        sheet = _build(data)
    except KeyError as error:
        raise _spoilt(f"{error.args[0]} is missing") from error
    except (TypeError, AttributeError, OverflowError) as error:
        raise _spoilt("a part of it has the wrong form") from error
    _check(sheet)
    return sheet


def _check(sheet: Sheet) -> None:
    """Refuse values that no sheet of ours has and that the scorer could not reckon with."""
    if not sheet.pads or len(sheet.tracks) != _TRACKS:
        raise _spoilt(f"it must have pads and {_TRACKS} tracks")
    sizes = ("track_length_mm", "window_mm", "target_gap_mm", "bore_mm", "flat_mm", "z_step_mm")
    for name in sizes:
        if getattr(sheet, name) <= 0:
            raise _spoilt(f"{name} must be above zero")
    if min(t.area_mm2 for t in sheet.tracks) <= 0:
        raise _spoilt("area_mm2 must be above zero")
    columns, rows = len(sheet.nodes_x_mm), len(sheet.nodes_y_mm)
    nodes = [(pad.i, pad.j) for pad in sheet.pads]
    if any(not (0 <= i < columns and 0 <= j < rows) for i, j in nodes):
        raise _spoilt("a pad stands at a grid point that the mesh does not have")
    if any(not 0 <= pad.lift_mm <= _MOST_LIFT_MM for pad in sheet.pads):
        raise _spoilt(f"lift_mm must be from 0 to {_MOST_LIFT_MM:g}")
    if len(set(nodes)) < len(nodes):
        raise _spoilt("two pads stand at the same grid point")
