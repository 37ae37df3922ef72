"""scores.json: the scores of a sheet and the advice, as a file other programs may read."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from typing import Any, TypedDict, Unpack, cast, get_args

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.advice import Advice, NodeAdvice, ScrewAdvice
from padsheet.scoring.json_values import (
    FORMAT,
    flag,
    many,
    number,
    number_or_null,
    parts_of,
    read_json,
    text_in,
    whole,
)
from padsheet.scoring.phrases import is_reach
from padsheet.scoring.screws import raising
from padsheet.scoring.selfcheck import SelfCheck, self_check_data
from padsheet.scoring.squish import CouponWitness, PadScore, Reason, SheetScore, Verdict
from padsheet.scoring.steps import AdvisedStep, StepKind

__all__ = [
    "PrintContext",
    "scores_from_json",
    "scores_to_data",
    "scores_to_json",
]

# A node's values are plain already, which `asdict` would copy one by one.
_NODE = tuple(field.name for field in fields(NodeAdvice))

_NEXT_ROW = ",\n   "


class PrintContext(TypedDict, total=False):
    """What scores were printed on and with, as it stands in scores.json.

    Attributes
    ----------
    plate, bed_c : str, float or None
        Plate and bed temperature of the print: a change of either starts the history afresh.
    check : SelfCheck or None
        What a self-check showed; adds ``self_check``.
    mesh, mesh_active : str
        Name of the mesh that the sheet was printed with, empty if it has none, and whether it was
        in force: "yes", "no" or "unknown".
    """

    plate: str
    bed_c: float | None
    check: SelfCheck | None
    mesh: str
    mesh_active: str


def scores_to_data(
    score: SheetScore, advice: Advice | None = None, **context: Unpack[PrintContext]
) -> dict[str, Any]:
    """Return scores and advice as plain data, in the order in which they are written.

    Parameters
    ----------
    score : SheetScore
        The scores.
    advice : Advice or None
        What to do; None leaves ``advice`` null.
    **context
        See `PrintContext`; what is left out is not known.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    data = {
        "format": FORMAT,
        "sheet": score.sheet_id,
        "sheet_number": score.sheet_number,
        "target_gap_mm": score.target_gap_mm,
        "tolerance_mm": score.tolerance_mm,
        "plate": context.get("plate", ""),
        "bed_c": context.get("bed_c"),
        "how": score.how,
        "mesh": context.get("mesh") or None,
        "mesh_active": context.get("mesh_active", "unknown"),
        "photos": list(score.photos),
        "flow": score.flow,
        "flow_sigma": score.flow_sigma,
        "registration": {
            "rms_mm": score.registration_rms_mm,
            "lines_used": score.lines_used,
        },
        "pads": [_pad_data(pad) for pad in score.pads],
        "common_sigma_mm": score.common_sigma_mm,
        "covariance_mm2": {
            "order": [list(node) for node in score.order],
            # Plain already, and by far the most of it.
            "rows": [],
        },
        "warnings": list(score.warnings),
        "advice": None if advice is None else _advice_data(advice),
    }
    if (check := context.get("check")) is not None:
        data["self_check"] = self_check_data(check)
    plain = cast(dict[str, Any], _plain(data))
    if not np.isfinite(score.covariance_mm2).all():
        raise ValueError("scores must be finite")
    plain["covariance_mm2"]["rows"] = (score.covariance_mm2 + 0.0).tolist()
    return plain


def scores_to_json(
    score: SheetScore, advice: Advice | None = None, **context: Unpack[PrintContext]
) -> str:
    """Write scores.json; the same scores always give the same bytes.

    Parameters are those of `scores_to_data`.

    Raises
    ------
    ValueError
        If a number is not finite: JSON has none such.
    """
    data = scores_to_data(score, advice, **context)
    # Tables are written a row a line: with one number a line they would be the whole file.
    places = [(data, "pads"), (data["covariance_mm2"], "rows")]
    if advice is not None:
        places.append((data["advice"], "nodes"))
    tables = {key: place[key] for place, key in places}
    for place, key in places:
        place[key] = "TABLE"
    text = json.dumps(data, allow_nan=False, indent=1, ensure_ascii=False)
    for key, rows in tables.items():
        lines = [json.dumps(row, allow_nan=False, ensure_ascii=False) for row in rows]
        # No text holds this: quotes within one are escaped.
        text = text.replace(f'"{key}": "TABLE"', f'"{key}": [{_NEXT_ROW.join(lines)}]')
    return f"{text}\n"


def scores_from_json(text: str) -> tuple[SheetScore, Advice | None]:
    """Read scores.json; unknown keys are ignored.

    Returns
    -------
    (SheetScore, Advice or None)

    Raises
    ------
    PadsheetError
        If it is not JSON, is of a newer format, lacks something or holds impossible values.
    """
    data = read_json(text, "scores.json", code="scores-file")
    with parts_of("scores.json", "scores-file"):
        score = _score(data)
        advice = None if data.get("advice") is None else _advice(data["advice"])
    return score, advice


def _plain(value: Any) -> Any:
    """Turn numpy numbers and tuples into Python's own; refuse what is not finite."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        if not math.isfinite(value):
            raise ValueError("scores must be finite")
        return float(value) + 0.0
    return value


def _pad_data(pad: PadScore) -> dict[str, Any]:
    """Return one pad as plain data."""
    return {
        "i": pad.i,
        "j": pad.j,
        "x_mm": pad.x_mm,
        "y_mm": pad.y_mm,
        "gap_mm": pad.gap_mm,
        "sigma_mm": pad.sigma_mm,
        "sigma_total_mm": pad.sigma_total_mm,
        "interval_mm": pad.interval_mm,
        "squish": pad.squish,
        "verdict": pad.verdict,
        "reason": None if pad.reason is None else asdict(pad.reason),
        "notes": pad.notes,
        "coupon": None if pad.coupon is None else asdict(pad.coupon),
    }


def _advice_data(advice: Advice) -> dict[str, Any]:
    """Return the advice as plain data."""
    return {
        "work": advice.work,
        "steps": [asdict(step) for step in advice.steps],
        "offset_mm": advice.offset_mm,
        "offset_sigma_mm": advice.offset_sigma_mm,
        "tilt_mm_per_m": advice.tilt_mm_per_m,
        "tilt_sigma_mm_per_m": advice.tilt_sigma_mm_per_m,
        "warp_peak_to_valley_mm": advice.warp_peak_to_valley_mm,
        "twist_mm": advice.twist_mm,
        "screws": [asdict(screw) for screw in advice.screws],
        "nodes": [{name: getattr(node, name) for name in _NODE} for node in advice.nodes],
        "warp_done": advice.warp_done,
        "offset_done": advice.offset_done,
        "done": advice.done,
        "set_offset": advice.set_offset,
        "sheets": advice.sheets,
        "common_mm": advice.common_mm,
    }


def _square(rows: Any, size: int) -> NDArray[np.float64]:
    """Read a square matrix: tens of thousands of numbers, and so not one by one."""
    if not isinstance(rows, list) or not all(isinstance(row, list) for row in rows):
        raise TypeError("not a list of lists")
    if any(not set(map(type, row)) <= {int, float} for row in rows):
        raise TypeError("not a number")
    matrix = np.array(rows, dtype=np.float64).reshape(size, size)
    if not np.isfinite(matrix).all():
        raise ValueError("not finite")
    return matrix


def _pair(values: Any) -> tuple[float, float]:
    """Read two numbers."""
    first, second = many(values, number)
    return first, second


def _node(values: Any) -> tuple[int, int]:
    """Read an index pair."""
    i, j = many(values, whole)
    return i, j


def _interval(values: Any) -> tuple[float | None, float | None] | None:
    """Read an interval, either end of which may be open."""
    if values is None:
        return None
    low, high = many(values, number_or_null)
    return low, high


def _score(data: dict[str, Any]) -> SheetScore:
    """Build the scores, checking that covariance, order and pads belong together."""
    pads = many(data["pads"], _pad)
    order = many(data["covariance_mm2"]["order"], _node)
    covariance = _square(data["covariance_mm2"]["rows"], len(order))
    read = {(pad.i, pad.j) for pad in pads if pad.gap_mm is not None}
    if not set(order) <= read:
        raise ValueError("the covariance names a pad that has no gap")
    return SheetScore(
        sheet_id=text_in(data["sheet"]),
        sheet_number=whole(data.get("sheet_number", 0)),
        target_gap_mm=number(data["target_gap_mm"]),
        tolerance_mm=number(data["tolerance_mm"]),
        pads=pads,
        order=order,
        covariance_mm2=covariance,
        common_sigma_mm=number(data["common_sigma_mm"]),
        flow=number(data["flow"]),
        flow_sigma=number(data["flow_sigma"]),
        registration_rms_mm=number(data["registration"]["rms_mm"]),
        lines_used=whole(data["registration"]["lines_used"]),
        photos=many(data.get("photos", []), text_in),
        warnings=many(data.get("warnings", []), text_in),
        how="eye" if data.get("how") == "eye" else "photo",
    )


def _pad(data: dict[str, Any]) -> PadScore:
    """Build one pad."""
    if data["verdict"] not in get_args(Verdict):
        raise ValueError("unknown verdict")
    reason = data.get("reason")
    return PadScore(
        i=whole(data["i"]),
        j=whole(data["j"]),
        x_mm=number(data["x_mm"]),
        y_mm=number(data["y_mm"]),
        verdict=data["verdict"],
        gap_mm=number_or_null(data["gap_mm"]),
        sigma_mm=number_or_null(data["sigma_mm"]),
        sigma_total_mm=number_or_null(data["sigma_total_mm"]),
        interval_mm=_interval(data["interval_mm"]),
        squish=number_or_null(data["squish"]),
        reason=None
        if reason is None
        else Reason(code=text_in(reason["code"]), text=text_in(reason["text"])),
        notes=many(data.get("notes", []), text_in),
        coupon=_coupon(data.get("coupon")),
    )


def _coupon(data: dict[str, Any] | None) -> CouponWitness | None:
    """Build what a coupon says."""
    if data is None:
        return None
    seen, ladder = data["seen"], data["ladder"]
    if seen not in ("open", "not clear") or ladder not in ("agrees", "disagrees", None):
        raise ValueError("unknown word of a coupon")
    return CouponWitness(seen=seen, ladder=ladder)


def _advice(data: dict[str, Any]) -> Advice:
    """Build the advice."""
    return Advice(
        offset_mm=number(data["offset_mm"]),
        offset_sigma_mm=number(data["offset_sigma_mm"]),
        tilt_mm_per_m=_pair(data["tilt_mm_per_m"]),
        tilt_sigma_mm_per_m=_pair(data["tilt_sigma_mm_per_m"]),
        warp_peak_to_valley_mm=number(data["warp_peak_to_valley_mm"]),
        twist_mm=number_or_null(data["twist_mm"]),
        screws=many(data["screws"], _screw_advice),
        nodes=many(data["nodes"], _node_advice),
        work=text_in(data["work"]),
        steps=many(data["steps"], _step),
        warp_done=flag(data["warp_done"]),
        offset_done=flag(data["offset_done"]),
        done=flag(data["done"]),
        set_offset=flag(data.get("set_offset", False)),
        sheets=whole(data.get("sheets", 1)),
        estimate_mm=number_or_null(data.get("common_mm")),
    )


def _step(data: Any) -> AdvisedStep:
    """Build a step; of an unknown kind it is only told, and so is a bare sentence."""
    if isinstance(data, str):
        return AdvisedStep(kind="note", text=data)
    kind, reach = text_in(data["kind"]), text_in(data.get("reach", ""))
    return AdvisedStep(
        kind=cast(StepKind, kind) if kind in get_args(StepKind) else "note",
        text=text_in(data["text"]),
        reach=reach if is_reach(reach) else "",
        offset_mm=number(data.get("offset_mm", 0.0)),
    )


def _screw_advice(data: dict[str, Any]) -> ScrewAdvice:
    """Build the advice for one screw; scores without `raises` tell it by the turn advised."""
    bed_mm, direction = number(data["bed_mm"]), text_in(data["direction"])
    return ScrewAdvice(
        name=text_in(data["name"]),
        bed_mm=bed_mm,
        turns=number(data["turns"]),
        direction=direction,
        text=text_in(data["text"]),
        raises=text_in(data.get("raises", raising(bed_mm, direction))),
    )


def _node_advice(data: dict[str, Any]) -> NodeAdvice:
    """Build the advice for one node."""
    return NodeAdvice(
        i=whole(data["i"]),
        j=whole(data["j"]),
        dz_mm=number(data["dz_mm"]),
        sigma_mm=number(data["sigma_mm"]),
        new_mm=number_or_null(data["new_mm"]),
        changed=flag(data["changed"]),
        inferred=flag(data["inferred"]),
        waits=flag(data.get("waits", False)),
        note=text_in(data.get("note", "")),
        error_mm=number_or_null(data.get("error_mm")),
        shape_mm=number_or_null(data.get("shape_mm")),
        verdict=text_in(data.get("verdict", "")),
        in_shape=flag(data.get("in_shape", False)),
    )
