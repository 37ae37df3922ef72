"""Reading a print: from photos of a sheet to its scores.

Each photo is measured by itself; several photos of one print are then combined, and what they
disagree about enters the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.combine import combine_scores
from padsheet.scoring.coupon import coupon_warnings, witnessed
from padsheet.scoring.crops import pad_crops
from padsheet.scoring.curves import LadderCurve, ladder_curves
from padsheet.scoring.finder import find_markers
from padsheet.scoring.gaps import GapFit, TrackData, ceilings_mm, fit_gaps
from padsheet.scoring.highlights import highlight_shift_mm
from padsheet.scoring.judge import (
    LARGEST_SIGMA_MM,
    after_fit,
    before_fit,
    beyond_reach,
    fall_clearly,
    hardly_there,
    off_scale,
    proven_low,
    too_uncertain,
)
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.measuring import measure_photo
from padsheet.scoring.medians import median
from padsheet.scoring.mesh import Mesh, interpolate
from padsheet.scoring.photo import Photo
from padsheet.scoring.quality import PhotoQuality, quality_of
from padsheet.scoring.refusals import (
    fewest_pads,
    refuse_blur,
    refuse_floor,
    too_few_read,
    usual_apart,
)
from padsheet.scoring.registration import Registration, register
from padsheet.scoring.remarks import ODD_END
from padsheet.scoring.shading import seen_narrower
from padsheet.scoring.squish import Z95, PadScore, Reason, SheetScore, read_pad

__all__ = ["PhotoReading", "read_print", "read_sheet_photo"]

Floats = NDArray[np.float64]

# In 1/mm, times the square of the blur: what the tone curve and the sharpening of phones do to the
# common gap, from bars computed with both, and what is left of it from pad to pad.
_EDGE_SIGMA_PER_MM, _PAD_SIGMA_PER_MM = 0.45, 0.2
# Of the width that cut-off highlights seem to add, what is left in the gap: an allowance, too.
_HIGHLIGHT_SIGMA = 0.12
# Light from one side shows the sides of beads as dark as a dark plate, or a shadow as wide as they
# are high: allowance for what no parameter takes up, from rendered photos.
_LIGHT_SIGMA_MM = 0.005
# Over the square of how well print is told from plate: a plate's texture that is nearly as strong
# moves edges along whole lines; an allowance from rendered photos.
_FAINT_SIGMA_MM = 0.08
# Times 1/c - 1 at Michelson contrast c (0 against no light): light and shadow on the sides of beads
# are a part of what falls on them, so the fainter the print the more they move its edges, in all
# pads and in each by itself; allowances from rendered photos.
_SHADED_SIGMA_MM, _PAD_SHADED_SIGMA_MM, _LEAST_CONTRAST = 0.001, 0.0018, 0.05
# A photo that strains what flow, sides and edge bias can be by more than this has edges of another
# kind than the model's.
_MOST_STRAIN = 2.5
# How strong the kink of an unknown mesh may be at its grid points, in mm per mm to either side.
_KINK_SD = 0.0008
# No pad by itself is surer than this, whatever the fit says.
_FLOOR_SIGMA_MM = 0.001
# Of mm2: a millionth of the floor's variance, and no more digits to write and to read.
_COVARIANCE_DECIMALS = 12
# Lines that look like plain bars but for this part of their contrast are clean.
_CLEAN_MISFIT = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoReading:
    """What one photo says.

    Attributes
    ----------
    score : SheetScore
    registration : Registration
    curves : tuple of LadderCurve
        For the pads whose tracks could be read.
    crops : dict of (i, j) to ndarray of uint8
        Straightened pictures of the pads, sRGB, front at the bottom.
    quality : PhotoQuality or None
        Figures of the photo itself.
    """

    score: SheetScore
    registration: Registration
    curves: tuple[LadderCurve, ...]
    crops: dict[tuple[int, int], NDArray[np.uint8]]
    quality: PhotoQuality | None = None


def read_sheet_photo(
    photo: Photo, sheet: Sheet, *, mesh: Mesh | None = None, part: bool = False
) -> PhotoReading:
    """Measure one photo of a sheet.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
    mesh : Mesh, optional
        The mesh in force while it was printed, for its kink over each pad.
    part : bool
        Whether the photo may show only a few of the pads, as one of several close-ups.

    Raises
    ------
    PadsheetError
        If the sheet is not found, or no pad of it can be read.
    """
    markers = find_markers(photo, sheet)
    registration = register(photo, sheet, markers)
    camera = registration.camera
    z_mm = sheet.target_gap_mm / 2
    widths = measure_photo(photo, camera, sheet, z_mm)
    refuse_blur(photo.name, widths)
    refuse_floor(sheet, widths)
    pads, fit, fitted = _score_pads(sheet, widths, camera, mesh)
    read = [k for k, pad in enumerate(pads) if pad.gap_mm is not None]
    if fit is None or len(read) < fewest_pads(pads, part=part):
        raise too_few_read(photo.name, sheet, pads)
    rows = [fitted.index(k) for k in read]
    covariance = _with_floor(fit.covariance_mm2[np.ix_(rows, rows)]).round(_COVARIANCE_DECIMALS)
    common_sigma_mm = _common_sigma(covariance)
    if common_sigma_mm > LARGEST_SIGMA_MM or fit.strain > _MOST_STRAIN:
        raise PadsheetError(
            f"the edges in {photo.name} are too soft or too strange to tell the gaps: all of them "
            f"could be off together by {2 * common_sigma_mm:.2f} mm",
            remedy="Take the photo nearer, in focus and in even light without glare, and hold "
            "still.",
            code="photo-unsure",
        )
    flow = 1 + float(fit.common[0])
    pads = witnessed(photo, camera, sheet, pads, flow)
    score = SheetScore(
        sheet_id=sheet.id,
        sheet_number=sheet.number,
        target_gap_mm=sheet.target_gap_mm,
        tolerance_mm=sheet.tolerance_mm,
        pads=tuple(pads),
        order=tuple((pads[k].i, pads[k].j) for k in read),
        covariance_mm2=covariance,
        common_sigma_mm=common_sigma_mm,
        flow=flow,
        flow_sigma=float(np.sqrt(fit.common_covariance[0, 0])),
        registration_rms_mm=registration.rms_mm,
        lines_used=registration.lines_used,
        photos=(photo.name,),
        warnings=_warnings(sheet, fit, widths) + coupon_warnings(pads),
    )
    return PhotoReading(
        score=score,
        registration=registration,
        curves=ladder_curves(sheet, fit, fitted, widths),
        crops=pad_crops(
            photo,
            camera,
            sheet,
            [pad for pad, width in zip(sheet.pads, widths, strict=True) if width.whole],
        ),
        quality=quality_of(sheet, widths, camera),
    )


def _kink_mm(sheet: Sheet, pads: Sequence[Pad], mesh: Mesh | None) -> Floats:
    """Return what the mesh adds to each track's height over its value at the pad's centre."""
    offsets = np.array([t.offset_mm for t in sheet.tracks])
    if mesh is None:
        return np.zeros((len(pads), len(offsets)))
    along = ((np.arange(12) + 0.5) / 12 - 0.5) * sheet.window_mm
    centre = np.array([[p.x_mm, p.y_mm] for p in pads])
    x = centre[:, 0, None, None] + offsets[:, None]
    y = centre[:, 1, None, None] + along
    under = interpolate(mesh, x, y).mean(axis=2)
    return np.asarray(under - interpolate(mesh, centre[:, 0], centre[:, 1])[:, None])


def _score_pads(
    sheet: Sheet, widths: Sequence[PadWidths], camera: Camera, mesh: Mesh | None
) -> tuple[list[PadScore], GapFit | None, list[int]]:
    """Judge, fit and judge again; return the pads' scores, the last fit, and whom it fitted."""
    scores: dict[int, PadScore] = {}
    usual = usual_apart(widths)
    falling = fall_clearly(sheet, widths)
    for k, (pad, width) in enumerate(zip(sheet.pads, widths, strict=True)):
        if (reason := before_fit(width, usual)) is not None:
            scores[k] = _unread(pad, reason)
        elif not falling[k] and (outcome := off_scale(sheet, pad, width)) is not None:
            scores[k] = outcome
    candidates = [k for k in range(len(widths)) if k not in scores]
    fit, fitted, doubts = _fit_trusted(sheet, widths, candidates, camera, mesh)
    scores |= {k: _unread(sheet.pads[k], reason) for k, reason in doubts.items()}
    if fit is None:
        return _in_order(scores, widths), None, []
    shared, own = _edge_variances_mm2(widths, fitted)
    fit = replace(fit, covariance_mm2=fit.covariance_mm2 + shared + np.diag(own))
    with_floor = _with_floor(fit.covariance_mm2)
    for row, k in enumerate(fitted):
        pad = sheet.pads[k]
        gap_mm, sigma_mm = float(fit.gap_mm[row]), float(np.sqrt(fit.covariance_mm2[row, row]))
        if (reason := too_uncertain(sheet, gap_mm, sigma_mm)) is not None:
            scores[k] = _unread(pad, reason)
            continue
        scores[k] = beyond_reach(sheet, pad, gap_mm) or _scored(
            sheet, pad, gap_mm, with_floor, row, widths[k]
        )
    doubtful = [k for k in scores if _may_be_low(scores[k])]
    if doubtful:
        shared, own = _edge_variances_mm2(widths, doubtful)
        data = _track_data(sheet, widths, doubtful, camera, mesh)
        found = ceilings_mm(sheet, data, fit, np.sqrt(shared + own))
        scores |= {
            k: proven_low(sheet, scores[k], row) for k, row in zip(doubtful, found, strict=True)
        }
    return _in_order(scores, widths), fit, fitted


def _in_order(scores: Mapping[int, PadScore], widths: Sequence[PadWidths]) -> list[PadScore]:
    """List the scores as the pads, with the causes that only all pads together tell."""
    return list(hardly_there([scores[k] for k in range(len(widths))], widths))


def _fit_trusted(
    sheet: Sheet,
    widths: Sequence[PadWidths],
    candidates: Sequence[int],
    camera: Camera,
    mesh: Mesh | None,
) -> tuple[GapFit | None, list[int], dict[int, Reason]]:
    """Fit pads until none of those that are left is doubted.

    Returns the fit, if any pad is left; whom it fits, in its order; and why the others are not.
    """
    fitted, doubts = list(candidates), dict[int, Reason]()
    while fitted:
        fit = fit_gaps(sheet, _track_data(sheet, widths, fitted, camera, mesh))
        found = {
            k: reason
            for row, k in enumerate(fitted)
            if (reason := after_fit(sheet, fit, row)) is not None
        }
        if not found:
            return fit, fitted, doubts
        doubts |= found
        fitted = [k for k in fitted if k not in found]
    return None, [], doubts


def _may_be_low(score: PadScore) -> bool:
    """Tell whether the widths of a pad can be trusted, though not to give a gap."""
    told = {"pad-no-fall", "pad-few-steps", "pad-misfit", "pad-uncertain", "pad-low"}
    return score.gap_mm is None and _code(score) in told


def _track_data(
    sheet: Sheet,
    widths: Sequence[PadWidths],
    rows: Sequence[int],
    camera: Camera,
    mesh: Mesh | None,
) -> TrackData:
    pads = [sheet.pads[k] for k in rows]
    places = np.array([[p.x_mm, p.y_mm] for p in pads])
    tangent = camera.view_tangent(places, np.array([1.0, 0.0]))
    return TrackData(
        width_mm=np.array([widths[k].width_mm for k in rows]),
        sigma_mm=np.array([widths[k].sigma_mm for k in rows]),
        kappa=(np.hypot(1.0, tangent) - 1.0)[:, None],
        kink_mm=_kink_mm(sheet, pads, mesh),
        doubt=np.array([np.hypot(1.0, widths[k].misfit / _CLEAN_MISFIT) for k in rows]),
        highlight_mm=highlight_shift_mm(widths)[list(rows)],
        narrower=seen_narrower([widths[k].print_level for k in rows]),
        kink_sd=1e-6 if mesh is not None or sheet.mesh_active == "no" else _KINK_SD,
    )


def _edge_variances_mm2(widths: Sequence[PadWidths], fitted: Sequence[int]) -> tuple[float, Floats]:
    """Return by how much strange edges may shift all gaps of a photo together, and each by itself.

    Where blur meets tone curve and sharpening, an edge moves in a way that no parameter of the fit
    follows; it grows with the square of the blur.
    """
    blur_mm = np.array([w.blur_mm for w in widths])
    whole = np.array([w.whole for w in widths])
    highlights = _HIGHLIGHT_SIGMA * highlight_shift_mm(widths)
    faintness = 1 / np.maximum([w.michelson for w in widths], _LEAST_CONTRAST) - 1
    shared = math.hypot(
        _LIGHT_SIGMA_MM,
        _EDGE_SIGMA_PER_MM * median(blur_mm[whole]) ** 2,
        _SHADED_SIGMA_MM * median(faintness[whole]),
    )
    faint = _FAINT_SIGMA_MM / np.array([max(w.separation, 1.0) for w in widths]) ** 2
    shaded = _PAD_SHADED_SIGMA_MM * faintness
    own = (_PAD_SIGMA_PER_MM * blur_mm**2) ** 2 + highlights**2 + faint**2 + shaded**2
    return shared**2, own[list(fitted)]


def _unread(pad: Pad, reason: Reason) -> PadScore:
    return PadScore(i=pad.i, j=pad.j, x_mm=pad.x_mm, y_mm=pad.y_mm, verdict="unread", reason=reason)


def _with_floor(covariance_mm2: Floats) -> Floats:
    return np.asarray(covariance_mm2 + _FLOOR_SIGMA_MM**2 * np.eye(len(covariance_mm2)))


def _scored(
    sheet: Sheet, pad: Pad, gap_mm: float, covariance_mm2: Floats, row: int, width: PadWidths
) -> PadScore:
    score = read_pad(sheet, pad, gap_mm, covariance_mm2, row)
    if np.nanmax(np.abs(width.ends_differ)) > 6:
        return replace(score, notes=(ODD_END,))
    return score


def _common_sigma(covariance: Floats) -> float:
    """Return the standard deviation of the mean of all pads."""
    return float(np.sqrt(max(covariance.mean(), 0.0)))


def _code(pad: PadScore) -> str:
    return pad.reason.code if pad.reason else ""


def _warnings(sheet: Sheet, fit: GapFit, widths: Sequence[PadWidths]) -> tuple[str, ...]:
    """Say in a hobbyist's words what is doubtful about the whole photo or print."""
    found = []
    blur = median([w.blur_mm for w in widths])
    if blur > 0.17:
        found.append("The photo is not quite sharp: tap to focus and hold still.")
    if median([w.separation for w in widths]) < 4:
        found.append("Print and plate differ little in this light: a brighter, even light helps.")
    if median([w.px_per_mm for w in widths]) < 8:
        found.append(f"The photo is taken from far: {_from_far(sheet, fit)}")
    flow, sigma = float(fit.common[0]), float(np.sqrt(fit.common_covariance[0, 0]))
    if abs(flow) > 0.05 + sigma:
        word = "more" if flow > 0 else "less"
        found.append(
            f"The printer seems to push out {abs(flow) * 100:.0f} % {word} filament than told: "
            "check filament diameter and extruder setting."
        )
    if fit.inflation > 3:
        found.append("The widths scatter more than they should; the sigmas are widened for it.")
    return tuple(found)


def _from_far(sheet: Sheet, fit: GapFit) -> str:
    """Say whether a photo from far is good enough: by how well it tells the points apart."""
    apart = fit.covariance_mm2 - fit.covariance_mm2.mean(axis=0)
    apart = apart - apart.mean(axis=1, keepdims=True)
    half_mm = Z95 * median(np.sqrt(np.maximum(np.diag(apart), 0.0)).tolist())
    told = f"it tells the points apart to +-{half_mm:.3f} mm (95 %), which "
    if half_mm <= sheet.tolerance_mm:
        return (
            f"{told}is good enough for this round. Go nearer next time: the sheet fills the frame."
        )
    return (
        f"{told}is more than the tolerance. While the print lies there, take it again from nearer, "
        "so that the sheet fills the frame, and score that with --force."
    )


def read_print(
    photos: Sequence[Photo], sheet: Sheet, *, mesh: Mesh | None = None
) -> tuple[SheetScore, list[PhotoReading]]:
    """Read one print from one or more photos.

    Raises
    ------
    PadsheetError
        If none of the photos can be read; with several photos, those that cannot are left out and
        named in the warnings.
    """
    readings: list[PhotoReading] = []
    refused: list[PadsheetError] = []
    for photo in photos:
        try:
            readings.append(read_sheet_photo(photo, sheet, mesh=mesh, part=len(photos) > 1))
        except PadsheetError as error:
            refused.append(error)
    if not readings:
        raise refused[0]
    score = combine_scores([reading.score for reading in readings], sheet)
    if len(score.order) < fewest_pads(score.pads):
        raise too_few_read(", ".join(score.photos), sheet, score.pads)
    said = tuple(f"One photo was left out: {e.problem}." for e in refused)
    return replace(score, warnings=score.warnings + said), readings
