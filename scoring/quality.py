"""How good a photo is, in figures, and how to take a better one, in words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.medians import median
from padsheet.scoring.phrases import points
from padsheet.scoring.squish import SheetScore

__all__ = ["PhotoNote", "PhotoQuality", "photo_notes", "quality_of"]

# Where a figure is no longer good. Experience with rendered photos, not limits of physics; the
# scorer refuses pads well beyond them.
GOOD_PX_PER_MM = 10.0
GOOD_BLUR_MM = 0.13
GOOD_SEPARATION = 6.0
GOOD_TILT_DEG = 20.0
GOOD_CLIPPED = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoNote:
    """One thing about the photo: whether it is good, what was seen, how to do better."""

    good: bool
    what: str
    advice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoQuality:
    """Figures of one photo; medians over the pads that lie wholly in it.

    Attributes
    ----------
    px_per_mm : float
        Pixels to a millimetre of the bed, across the lines.
    blur_mm : float
        Standard deviation of the blur at the lines' edges.
    separation : float
        Distance of print and plate in colour, in standard deviations of both.
    clipped : float
        Largest share of any pad where the light is out of the camera's range.
    tilt_deg : float
        Angle at which the middle of the sheet is seen; 0 is straight from above.
    outside : int
        Pads that are not wholly in the photo.
    """

    px_per_mm: float
    blur_mm: float
    separation: float
    clipped: float
    tilt_deg: float
    outside: int = 0


def quality_of(sheet: Sheet, widths: Sequence[PadWidths], camera: Camera) -> PhotoQuality:
    """Sum up what the pads of a photo show of its quality.

    Parameters
    ----------
    sheet : Sheet
    widths : sequence of PadWidths
        One for each pad of the sheet; at least one should lie wholly in the photo.
    camera : Camera
        Where the photo was taken from.
    """
    seen = [w for w in widths if w.whole] or list(widths)
    middle = np.mean([(pad.x_mm, pad.y_mm) for pad in sheet.pads], axis=0)
    slopes = [float(camera.view_tangent(middle, np.array(way))) for way in ((1.0, 0.0), (0.0, 1.0))]
    return PhotoQuality(
        px_per_mm=median([w.px_per_mm for w in seen]),
        blur_mm=median([w.blur_mm for w in seen]),
        separation=median([w.separation for w in seen]),
        clipped=max(w.clipped_share for w in seen),
        tilt_deg=math.degrees(math.atan(math.hypot(*slopes))),
        outside=sum(not w.whole for w in widths),
    )


def photo_notes(score: SheetScore, qualities: Sequence[PhotoQuality]) -> list[PhotoNote]:
    """Say of each photo what is good and what to mend, and why points were refused.

    Parameters
    ----------
    score : SheetScore
        Of all photos together; its warnings come last.
    qualities : sequence of PhotoQuality
        One for each photo that was read, in the order of ``score.photos``.

    Returns
    -------
    list of PhotoNote
        What is to be mended first.
    """
    many = len(qualities) > 1
    # Close-ups need not show the whole sheet, as long as one of them shows each pad.
    cut_off = any(pad.reason is not None and pad.reason.code == "pad-outside" for pad in score.pads)
    notes = []
    for k, quality in enumerate(qualities):
        name = score.photos[k] if k < len(score.photos) else f"photo {k + 1}"
        notes += _of_photo(quality, f"{name}: " if many else "", part=many and not cut_off)
    notes += _refused(score)
    notes += [PhotoNote(good=False, what=text) for text in score.warnings]
    return sorted(notes, key=lambda note: note.good)


def _of_photo(quality: PhotoQuality, lead: str, *, part: bool = False) -> list[PhotoNote]:
    """Judge the figures of one photo."""
    q = quality
    checks = (
        (
            q.outside == 0 or part,
            "the whole sheet is in the photo"
            if q.outside == 0
            else "it shows a part of the sheet, the other photos the rest"
            if part
            else f"{q.outside} pads are cut off or outside",
            "Take in the whole sheet, with a little rim.",
        ),
        (
            q.px_per_mm >= GOOD_PX_PER_MM,
            f"resolution {q.px_per_mm:.1f} pixels per mm of bed ({GOOD_PX_PER_MM:.0f} or more is "
            "good)",
            "Go nearer, so that the sheet fills the frame, and send the original file.",
        ),
        (
            q.blur_mm <= GOOD_BLUR_MM,
            f"blur {q.blur_mm:.2f} mm on the bed (up to {GOOD_BLUR_MM:.2f} is good)",
            "Tap on the print to focus, hold still, and give it more light.",
        ),
        (
            q.separation >= GOOD_SEPARATION,
            f"print and plate are {q.separation:.0f} times their own scatter apart in colour "
            f"({GOOD_SEPARATION:.0f} or more is good)",
            "Use a brighter, even light from the side, or a filament that differs more from the "
            "plate.",
        ),
        (
            q.clipped <= GOOD_CLIPPED,
            "no pad is washed out by light"
            if q.clipped <= GOOD_CLIPPED
            else f"up to {q.clipped * 100:.0f} % of a pad is washed out by light",
            "Look at the screen for the mirror image of a lamp, and move until it is gone.",
        ),
        (
            q.tilt_deg <= GOOD_TILT_DEG,
            f"seen at {q.tilt_deg:.0f}\N{DEGREE SIGN} from straight above (up to "
            f"{GOOD_TILT_DEG:.0f}\N{DEGREE SIGN} is good, 35\N{DEGREE SIGN} can be read)",
            "Hold the phone level, above the middle of the bed.",
        ),
    )
    return [_note(good, what, advice, lead=lead) for good, what, advice in checks]


def _note(good: bool, what: str, advice: str, *, lead: str = "") -> PhotoNote:
    """Make a note of sentences; `lead` names the photo."""
    return PhotoNote(good=good, what=lead + _sentence(what), advice="" if good else advice)


def _sentence(text: str) -> str:
    return text and text[:1].upper() + text[1:].rstrip(".") + "."


def _refused(score: SheetScore) -> list[PhotoNote]:
    """Count the points that were refused, for each reason."""
    codes = Counter(pad.reason.code for pad in score.pads if pad.reason is not None)
    texts = {pad.reason.code: pad.reason.text for pad in score.pads if pad.reason is not None}
    notes = []
    for code, count in codes.most_common():
        # The reasons say what was seen, a colon, and what to do about it.
        what, _, advice = texts[code].partition(": ")
        notes.append(_note(False, f"{points(count)} refused, {what}", _sentence(advice)))
    return notes
