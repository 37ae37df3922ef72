"""The report of one round as a single HTML page that needs no network and no other file."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from numpy.typing import NDArray

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.bed_map import bed_map, has_intervals, is_dense
from padsheet.scoring.colours import CLASSES, UNREAD, ColourClass, pad_colour
from padsheet.scoring.compiled_templates import CompiledTemplates
from padsheet.scoring.curves import LadderCurve
from padsheet.scoring.doing import Step
from padsheet.scoring.ladder_chart import ladder_chart
from padsheet.scoring.photo import jpeg_bytes
from padsheet.scoring.photo_guide import bad_photo, good_photo
from padsheet.scoring.phrases import PLUS_MINUS, place, signed, typographic
from padsheet.scoring.quality import PhotoNote
from padsheet.scoring.selfcheck import CheckedPad, SelfCheck
from padsheet.scoring.squish import Z95, PadScore, SheetScore
from padsheet.scoring.together import in_shape_only, shapes_mm, shared_words
from padsheet.scoring.words import (
    adjustment,
    both_together,
    coupon_words,
    error_sentence,
    fine_tuning,
    headline,
    in_all,
    is_fine_tuning,
    squish_words,
    summary,
    verdict_label,
    waiting,
)

__all__ = ["RoundRow", "render_report"]

TEMPLATES = Path(__file__).parent / "templates"
PICTURE_SIDE_PX = 1800
CROP_SIDE_PX = 420
MOST_OPEN = 6  # refused pads whose details stand open at first

CAUTIONS = (
    "Your printer's own manual comes first, wherever it says something else.",
    "Nozzle and bed are hot: more than 200 and 60 \N{DEGREE SIGN}C while printing, and for a long "
    "time after.",
    "Axes start without warning. Keep hands, hair and sleeves away while the printer is on.",
    "A wrong height drives the nozzle into the bed. Watch the first seconds of every move with a "
    "hand at the power switch.",
    "Never leave a heated or moving printer alone.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundRow:
    """One row of the history.

    Attributes
    ----------
    number : int
        Number of the round, from 1.
    made : str
        Day it was scored.
    read, points : int
        Pads read, pads printed.
    on_target : int or None
        Pads on target; None for a self-check, which judges the ruler, not the points.
    in_shape : int
        Pads whose shape is within tolerance, whatever the common offset.
    worst_mm : float or None
        Gap error of largest size, with its sign.
    common_mm : float or None
        Gap error that all points share, by all sheets together.
    applied : str
        What was applied afterwards, in words.
    """

    number: int
    made: str
    read: int
    points: int
    on_target: int | None
    worst_mm: float | None
    common_mm: float | None
    applied: str = ""
    in_shape: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PadView:
    """What the page says of one pad."""

    anchor: str
    name: str
    colour: str
    headline: str
    verdict: str
    squish: str
    todo: str
    todo_words: str
    checked: str
    in_all: str
    sentence: str
    words: str
    shape: str
    reason: str
    notes: tuple[str, ...]
    crop: str | None
    chart: Markup | None
    left_out: tuple[str, ...]
    open: bool


def render_report(
    *,
    sheet: Sheet,
    score: SheetScore,
    advice: Advice | None = None,
    picture: NDArray[np.uint8] | bytes | Future[bytes] | None = None,
    curves: Sequence[LadderCurve] = (),
    crops: Mapping[tuple[int, int], NDArray[np.uint8]] | None = None,
    steps: Sequence[Step] | None = None,
    rounds: Sequence[RoundRow] = (),
    photo_notes: Sequence[PhotoNote] = (),
    bed_name: str = "",
    made: str = "",
    round_plate: bool = False,
    title: str = "",
    check: SelfCheck | None = None,
    mesh_absent: bool = False,
) -> str:
    """Write the report of one scored sheet.

    Parameters
    ----------
    sheet, score, advice
        What was printed, what was read, and what to change.
    picture : ndarray of uint8, shape (M, N, 3), or bytes, or a future of bytes, optional
        The annotated photo, sRGB; bytes are a JPEG file that is taken as it is. A future is waited
        for when all else is ready.
    curves : sequence of LadderCurve, optional
        Widths and fits of the pads, in any order.
    crops : mapping of (i, j) to ndarray of uint8, shape (P, Q, 3), optional
        A piece of the photo around each pad, sRGB.
    steps : sequence of Step, optional
        What to do now, in order; the sentences of `advice` if not given.
    rounds : sequence of RoundRow, optional
        The rounds so far, the oldest first.
    photo_notes : sequence of PhotoNote, optional
        What was seen of the photo's quality.
    bed_name, made : str, optional
        Name of the bed folder, and when the sheet was scored.
    round_plate : bool, optional
        Whether the plate is a disc, not a rectangle.
    title : str, optional
        What stands above all; the summary of scores and advice if not given.
    check : SelfCheck, optional
        What a self-check found: it stands in place of the count of points on target.
    mesh_absent : bool, optional
        Whether the sheet's mesh is only the record that the printer held none.

    Returns
    -------
    str
        A whole HTML page. All texts are escaped: names and notes are not trusted.
    """
    if steps is None:
        told = () if advice is None else advice.steps
        steps = [Step(text=step.text, fact=step.kind == "fact") for step in told]
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        bytecode_cache=CompiledTemplates(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["signed"] = lambda value: typographic(signed(value, 3))
    environment.filters["code"] = _with_code
    page = environment.get_template("report.html").render(
        sheet=sheet,
        score=score,
        advice=advice,
        bed_name=bed_name,
        made=made,
        verdict=title or summary(score, advice),
        facts=_facts(sheet, score, advice, check, mesh_absent=mesh_absent),
        steps=steps,
        cautions=CAUTIONS,
        map=Markup(bed_map(sheet, score, advice, round_plate=round_plate)),
        dense=is_dense(sheet),
        intervals=has_intervals(sheet),
        beside=shared_words(advice) if advice is not None and shapes_mm(advice) else "",
        waiting=waiting(advice),
        asides=[text for text in (fine_tuning(advice),) if text],
        in_all=both_together(advice),
        z95=Z95,
        shared=f"{Z95 * (advice.offset_sigma_mm if advice else score.common_sigma_mm):.3f}",
        classes=_legend(score),
        unread=UNREAD,
        pads=_pad_views(score, advice, curves, crops or {}, check),
        check=check,
        rounds=rounds,
        photo_notes=photo_notes,
        good_photo=Markup(good_photo()),
        bad_photo=Markup(bad_photo()),
        picture=None if picture is None else _picture_uri(_waited(picture), PICTURE_SIDE_PX, 82),
    )
    return str(page)


def _with_code(text: str) -> Markup:
    """Escape a text, and mark as code what stands between backticks in it."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))


def _facts(
    sheet: Sheet,
    score: SheetScore,
    advice: Advice | None,
    check: SelfCheck | None,
    *,
    mesh_absent: bool,
) -> list[tuple[str, str]]:
    """Return the figures under the verdict, as pairs of name and value."""
    total = len(score.pads)
    read = sum(pad.gap_mm is not None for pad in score.pads)
    good = sum(pad.verdict == "on target" for pad in score.pads)
    shape = sum(pad.verdict in ("shape on target", "on target") for pad in score.pads)
    on_target = ("on target", f"{good} of {total}")
    if good != shape:
        on_target = ("shape on target", f"{shape} of {total}")
    if check is not None:
        half = f"{PLUS_MINUS} {Z95 * check.sigma_mm:.3f} mm (95 %)"
        on_target = (f"lift found, of {check.known_mm:.3f} mm", f"{check.found_mm:.3f} {half}")
    facts = [
        ("points read", f"{read} of {total}"),
        on_target,
        (
            "target gap",
            f"{score.target_gap_mm:.2f} {PLUS_MINUS} {score.tolerance_mm:.2f} mm",
        ),
    ]
    if advice is None:
        half = f"{PLUS_MINUS} {Z95 * score.common_sigma_mm:.3f} mm (95 %)"
        facts.append(("uncertainty of all together", half))
    else:
        facts += [
            (
                "all points together",
                f"{_common_words(advice.common_mm)}, known to {PLUS_MINUS} "
                f"{Z95 * advice.offset_sigma_mm:.3f} mm (95 %)",
            ),
            ("tilt over 100 mm", _tilt_words(advice.tilt_mm_per_m)),
            ("warp, top to bottom", f"{advice.warp_peak_to_valley_mm:.2f} mm"),
        ]
    if score.how == "eye":
        facts.append(("read", "by eye"))
    mesh = {"yes": "in force", "no": "off", "unknown": "unknown"}[sheet.mesh_active]
    if mesh_absent and sheet.mesh_active == "yes":
        mesh = f"none ({sheet.mesh_name})"
    return [*facts, ("mesh while printing", mesh)]


def _common_words(common_mm: float) -> str:
    if abs(common_mm) < 0.0005:
        return "none"
    return f"{abs(common_mm):.3f} mm too {'far' if common_mm > 0 else 'near'}"


def _tilt_words(tilt_mm_per_m: tuple[float, float]) -> str:
    """Say by how much, and to which side, the gap grows over 100 mm."""
    parts = [
        f"{abs(slope) * 0.1:.2f} mm to the {sides[0] if slope > 0 else sides[1]}"
        for slope, sides in zip(tilt_mm_per_m, (("right", "left"), ("back", "front")), strict=True)
        if abs(slope) * 0.1 >= 0.005
    ]
    return "gap grows " + ", ".join(parts) if parts else "none"


def _legend(score: SheetScore) -> list[tuple[ColourClass, str]]:
    """Return the classes with their limits in millimetres, in words and signs."""
    t = score.tolerance_mm
    limits = (
        f"below {-4 * t:.2f}",
        f"{-4 * t:.2f} to {-2 * t:.2f}",
        f"{-2 * t:.2f} to {-t:.2f}",
        f"{-t:.2f} to +{t:.2f}",
        f"+{t:.2f} to +{2 * t:.2f}",
        f"+{2 * t:.2f} to +{4 * t:.2f}",
        f"above +{4 * t:.2f}",
    )
    return [(c, typographic(text)) for c, text in zip(CLASSES, limits, strict=True)]


def _pad_views(
    score: SheetScore,
    advice: Advice | None,
    curves: Sequence[LadderCurve],
    crops: Mapping[tuple[int, int], NDArray[np.uint8]],
    check: SelfCheck | None,
) -> list[PadView]:
    """Return the pads, those that were not read first, then by the size of their error."""
    by_node = {(curve.i, curve.j): curve for curve in curves}
    advised = {(node.i, node.j): node for node in (advice.nodes if advice else ())}
    checked = {(pad.i, pad.j): _checked_words(pad) for pad in (check.pads if check else ())}

    shapes = shapes_mm(advice)
    # In colour stands what the map shows.
    shown = {(pad.i, pad.j): pad for pad in in_shape_only(score, advice).pads}

    def urgency(pad: PadScore) -> tuple[int, float]:
        gap_mm = shown[pad.i, pad.j].gap_mm
        return (0, 0.0) if gap_mm is None else (1, -abs(gap_mm - score.target_gap_mm))

    ordered = sorted(score.pads, key=urgency)
    views = []
    for rank, pad in enumerate(ordered):
        node, there = advised.get((pad.i, pad.j)), shown[pad.i, pad.j]
        curve = by_node.get((pad.i, pad.j))
        crop = crops.get((pad.i, pad.j))
        views.append(
            PadView(
                anchor=f"pad-{pad.i + 1}-{pad.j + 1}",
                name=place(pad.i, pad.j),
                colour=pad_colour(there, score.target_gap_mm, score.tolerance_mm).name,
                headline=typographic(headline(there, score)),
                verdict=verdict_label(pad),
                squish="" if pad.squish is None else f"{pad.squish:.0f}",
                todo=adjustment(node),
                todo_words=_todo_words(node, advice),
                in_all=in_all(node, advice),
                checked=checked.get((pad.i, pad.j), "unread"),
                sentence=error_sentence(pad, score.target_gap_mm),
                words=squish_words(pad),
                shape=_shape_words(node, shapes.get((pad.i, pad.j))),
                reason="" if pad.reason is None else pad.reason.text,
                notes=tuple(text for text in (coupon_words(pad), *pad.notes) if text),
                crop=None if crop is None else _picture_uri(crop, CROP_SIDE_PX, 85),
                chart=_chart(curve, pad, score),
                left_out=_left_out(curve),
                open=pad.gap_mm is None and rank < MOST_OPEN,
            )
        )
    return views


def _shape_words(node: NodeAdvice | None, shape_mm: float | None) -> str:
    """Say what a point is off beside the others, which its verdict goes by; else empty."""
    if node is None or shape_mm is None:
        return ""
    half = f"{PLUS_MINUS} {Z95 * node.sigma_mm:.3f} mm (95 %)"
    return f"Shape {typographic(signed(shape_mm, 3))} {half}."


def _checked_words(pad: CheckedPad) -> str:
    """Say what a self-check showed of one pad: known and found lift, no verdict on the bed."""
    lift = f"lifted by {pad.known_mm:.3f} mm" if pad.known_mm else "not lifted"
    half = f"{PLUS_MINUS} {Z95 * pad.sigma_mm:.3f} mm (95 %)"
    return f"{lift}, found {typographic(signed(pad.found_mm, 3))} {half}"


def _todo_words(node: NodeAdvice | None, advice: Advice | None) -> str:
    """Say what to do with the nozzle at a point, and why so little where it is little."""
    todo = adjustment(node).strip("()")
    if node is None or not todo:
        return ""
    text = f"{todo} mm" if node.changed and node.dz_mm else todo
    fine = "fine-tuning: within tolerance without it" if is_fine_tuning(node) else ""
    if why := "; ".join(filter(None, (node.note, fine))):
        text += f" ({why})"
    both = in_all(node, advice)
    if both and advice is not None:
        verb = "lowers" if advice.offset_to_set_mm < 0 else "raises"
        both = "nothing" if both == "none" else f"{both} mm"
        text += (
            f"; the common offset {verb} it by {abs(advice.offset_to_set_mm):.2f} mm everywhere, "
            f"so in all: {both}"
        )
    return text


def _chart(curve: LadderCurve | None, pad: PadScore, score: SheetScore) -> Markup | None:
    if curve is None or not curve.height_mm:
        return None
    return Markup(ladder_chart(curve, pad, score.target_gap_mm))


def _left_out(curve: LadderCurve | None) -> tuple[str, ...]:
    """Say which lines of the ladder the fit did not use, and why."""
    if curve is None:
        return ()
    lines: dict[str, list[str]] = {}
    for number, state in enumerate(curve.state, start=1):
        if state != "used":
            lines.setdefault(state, []).append(str(number))
    return tuple(
        f"all lines ({state})"
        if len(numbers) == len(curve.state)
        else f"{'line' if len(numbers) == 1 else 'lines'} {', '.join(numbers)} ({state})"
        for state, numbers in lines.items()
    )


def _waited(
    picture: NDArray[np.uint8] | bytes | Future[bytes],
) -> NDArray[np.uint8] | bytes:
    return picture.result() if isinstance(picture, Future) else picture


def _picture_uri(rgb: NDArray[np.uint8] | bytes, side_px: int, quality: int) -> str:
    """Pack a picture as a JPEG data address, its longer side at most `side_px`."""
    if isinstance(rgb, bytes):
        return "data:image/jpeg;base64," + base64.b64encode(rgb).decode("ascii")
    scale = side_px / max(rgb.shape[:2])
    if scale < 1:
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    data = base64.b64encode(jpeg_bytes(rgb, quality)).decode("ascii")
    return f"data:image/jpeg;base64,{data}"
