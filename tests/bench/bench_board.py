"""What the accuracy benchmarks share: the simpler readers, the outcomes, and the report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from padsheet.patterns.bead import gap_mm as bead_gap_mm
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import PadWidths, measure_pads, pad_profiles
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.patches import Patches, pad_lines, sample_lines
from padsheet.scoring.photo import Photo
from padsheet.scoring.reading import read_sheet_photo

READERS = ("padsheet", "one edge fit", "threshold")
Z95 = 1.959964
TOO_FAR_MM = 0.06
Floats = NDArray[np.float64]
GAP_BINS_MM = (0.0, 0.08, 0.12, 0.16, 0.20, 0.24, 0.28, 0.32, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was read of one photo, pad by pad; NaN where a pad was not read.

    Attributes
    ----------
    name : str
    groups : dict of str to str
        What the photo is counted under, such as ``{"kind": "clear"}``.
    truth_mm : ndarray, shape (P,)
    beyond : ndarray of bool, shape (P,)
        Which pads are further off than the sheet's reach.
    target_mm : float
        The height that the gaps refer to.
    error_mm : dict of str to ndarray, shape (P,)
        Read minus true gap of each reader; empty for a refused photo.
    sigma_mm, sigma_total_mm : ndarray, shape (P,)
        The claimed standard deviations.
    common_sigma_mm : float or None
    verdicts : tuple of str
        The reason's code, or else the verdict, of each pad.
    refused : str or None
        Code of the error that refused the photo.
    """

    name: str
    groups: dict[str, str]
    truth_mm: Floats
    beyond: NDArray[np.bool_]
    target_mm: float = 0.2
    error_mm: dict[str, Floats] = field(default_factory=dict)
    sigma_mm: Floats = field(default_factory=lambda: np.empty(0))
    sigma_total_mm: Floats = field(default_factory=lambda: np.empty(0))
    common_sigma_mm: float | None = None
    verdicts: tuple[str, ...] = ()
    refused: str | None = None

    @property
    def read(self) -> NDArray[np.bool_]:
        """Which pads were read."""
        if "padsheet" not in self.error_mm:
            return np.zeros(len(self.truth_mm), bool)
        return np.isfinite(self.error_mm["padsheet"])

    @property
    def mean_mm(self) -> float:
        """Mean error of the read pads."""
        return float(self.error_mm["padsheet"][self.read].mean())

    def relative_z(self) -> Floats:
        """Relative error over its claimed standard deviation, of the read pads."""
        ours, read = self.error_mm["padsheet"], self.read
        return np.asarray((ours[read] - self.mean_mm) / self.sigma_mm[read])

    def total_z(self) -> Floats:
        """Error over its claimed standard deviation, of the read pads."""
        read = self.read
        return np.asarray(self.error_mm["padsheet"][read] / self.sigma_total_mm[read])

    def common_z(self) -> float | None:
        """Error of the mean of all pads over its claimed standard deviation."""
        if self.common_sigma_mm is None or not self.read.any():
            return None
        return self.mean_mm / self.common_sigma_mm


# ---------------------------------------------------------------------------------- readers


def otsu_level(photo: Photo) -> float:
    """Return the threshold of Otsu (IEEE Trans. SMC 9 (1979) 62-66) on the whole picture."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    return float(cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[0])


def threshold_width_mm(patches: Patches, track: int, level: float) -> float:
    """Return the median over the rows of a patch of the width that lies on the print's side."""
    linear = patches.light[track].astype(float)
    codes = 255 * np.where(
        linear <= 0.0031308, linear * 12.92, 1.055 * np.clip(linear, 0, None) ** (1 / 2.4) - 0.055
    )
    bright = codes @ np.array([0.299, 0.587, 0.114]) > level
    u = patches.u_mm
    # The plate is what lies at the sides; the print is the other class.
    printed = bright != (bright[:, np.abs(u) > u[-1] - 0.15].mean() > 0.5)
    return float(np.median(printed.sum(axis=1)) * (u[1] - u[0]))


def measure_pad(patches: Patches) -> PadWidths:
    """Measure the widths of a pad's tracks by themselves, in colour where luminance is faint."""
    [profiles] = pad_profiles([patches])
    return measure_pads([profiles.in_colour or profiles])[0]


def simple_gaps(photo: Photo, camera: Camera, sheet: Sheet) -> dict[str, Floats]:
    """Read each pad from the one track printed nearest to the target height.

    Both readers take the nominal cross-section and the semicircular sides of the textbook; what
    the track was printed above or below the target is taken off again.
    """
    heights = np.array([t.height_mm for t in sheet.tracks])
    one = int(np.argmin(np.abs(heights - sheet.target_gap_mm)))
    track, level = sheet.tracks[one], otsu_level(photo)
    edge, thresholded = [], []
    for pad in sheet.pads:
        patches = sample_lines(photo, camera, pad_lines(sheet, pad), sheet.target_gap_mm / 2)
        edge.append(float(measure_pad(patches).width_mm[one]))
        thresholded.append(threshold_width_mm(patches, one, level))
    above_mm = track.height_mm - sheet.target_gap_mm
    return {
        "one edge fit": bead_gap_mm(track.area_mm2, np.array(edge)) - above_mm,
        "threshold": bead_gap_mm(track.area_mm2, np.array(thresholded)) - above_mm,
    }


def read_with_all(
    photo: Photo,
    sheet: Sheet,
    truth_mm: Floats,
    *,
    name: str,
    groups: dict[str, str],
    mesh: Mesh | None = None,
) -> Outcome:
    """Read one photo with padsheet and, unless that refuses it, with the simpler readers.

    Parameters
    ----------
    truth_mm : ndarray, shape (P,)
        True gap at each pad, at the target height.
    mesh : Mesh, optional
        The mesh in force, as far as the user would know it.
    """
    off = truth_mm - sheet.target_gap_mm
    beyond = (off < sheet.reach_mm[0] - 1e-6) | (off > sheet.reach_mm[1] + 1e-6)
    try:
        reading = read_sheet_photo(photo, sheet, mesh=mesh)
    except PadsheetError as error:
        return Outcome(
            name=name,
            groups=groups,
            truth_mm=truth_mm,
            beyond=beyond,
            target_mm=sheet.target_gap_mm,
            refused=error.code,
        )
    pads, score = reading.score.pads, reading.score
    gaps = np.array([np.nan if p.gap_mm is None else p.gap_mm for p in pads])
    simple = simple_gaps(photo, reading.registration.camera, sheet)
    return Outcome(
        name=name,
        groups=groups,
        truth_mm=truth_mm,
        beyond=beyond,
        target_mm=sheet.target_gap_mm,
        error_mm={"padsheet": gaps - truth_mm} | {k: v - truth_mm for k, v in simple.items()},
        sigma_mm=np.array([p.sigma_mm or np.nan for p in pads]),
        sigma_total_mm=np.array([p.sigma_total_mm or np.nan for p in pads]),
        common_sigma_mm=float(score.common_sigma_mm),
        verdicts=tuple(p.reason.code if p.reason else p.verdict for p in pads),
    )


# ---------------------------------------------------------------------------------- figures


def binomial_interval(hits: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Clopper, Pearson, Biometrika 26 (1934) 404-413)."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return low, high


def rms(values: Floats) -> float:
    """Return the root of the mean square, NaN of nothing."""
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def _joined(parts: Sequence[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.empty(0)


HEAD = (
    f"{'group':<22} {'reader':<13} {'photos':>6} {'read':>7} {'rel rms':>8} {'abs rms':>8} "
    f"{'bias':>8} {'worst':>7} {'>0.06':>6}"
)


def reader_row(group: str, name: str, outcomes: Sequence[Outcome]) -> str:
    """Return one reader's line of the table.

    The simpler readers are judged on the same pads as padsheet.
    """
    kept = []
    for o in outcomes:
        if name in o.error_mm and (ours := o.read & np.isfinite(o.error_mm[name])).any():
            kept.append(o.error_mm[name][ours])
    every = _joined(kept)
    relative = _joined([e - e.mean() for e in kept])
    bias = float(np.mean([e.mean() for e in kept])) if kept else float("nan")
    worst = float(np.abs(every).max()) if every.size else float("nan")
    share = every.size / sum(len(o.truth_mm) for o in outcomes)
    return (
        f"{group:<22} {name:<13} {len(outcomes):>6} {share:>7.1%} {rms(relative):>8.4f} "
        f"{rms(every):>8.4f} {bias:>+8.4f} {worst:>7.3f} {(np.abs(every) > TOO_FAR_MM).sum():>6}"
    )


def coverage_line(group: str, outcomes: Sequence[Outcome]) -> str:
    """Return how often the 95 % intervals hold the truth, and the scatter over what is claimed.

    The z columns are root mean squares of error over claimed standard deviation: 1 is right, more
    claims too little uncertainty.
    """
    read = [o for o in outcomes if o.common_z() is not None]
    if not read:
        return f"{group:<22} no photo was read"
    relative = _joined([o.relative_z() for o in read])
    total = _joined([o.total_z() for o in read])
    common = np.array([o.common_z() for o in read], float)
    hits = int((np.abs(common) < Z95).sum())
    low, high = binomial_interval(hits, len(read))
    return (
        f"{group:<22} {relative.size:>5} {(np.abs(relative) < Z95).mean():>7.1%} "
        f"{rms(relative):>6.2f} {(np.abs(total) < Z95).mean():>8.1%} {rms(total):>6.2f} "
        f"{hits:>4} of {len(read):<3} ({low:.0%} to {high:.0%}) {rms(common):>6.2f}"
    )


COVERAGE_HEAD = (
    f"{'group':<22} {'pads':>5} {'rel 95%':>7} {'rel z':>6} {'abs 95%':>8} {'abs z':>6} "
    f"{'common 95% of photos':<26} {'z':>4}"
)


def gap_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Return error and claimed sigma by the true gap at the target height."""
    read = [o for o in outcomes if o.read.any()]
    truth = _joined([o.truth_mm[o.read] for o in read])
    error = _joined([o.error_mm["padsheet"][o.read] - o.mean_mm for o in read])
    absolute = _joined([o.error_mm["padsheet"][o.read] for o in read])
    sigma = _joined([o.sigma_mm[o.read] for o in read])
    z = _joined([o.relative_z() for o in read])
    all_truth = _joined([o.truth_mm for o in outcomes])
    lines = [
        f"{'true gap, mm':<14} {'pads':>5} {'read':>7} {'rel rms':>8} {'rel bias':>9} "
        f"{'claimed':>8} {'rel z':>6} {'rel 95%':>8} {'worst':>7}"
    ]
    for low, high in pairwise(GAP_BINS_MM):
        there = int(((all_truth >= low) & (all_truth < high)).sum())
        m = (truth >= low) & (truth < high)
        if not there:
            continue
        if not m.any():
            lines.append(f"{low:.2f} to {high:.2f}   {there:>5} {0:>7.1%}")
            continue
        lines.append(
            f"{low:.2f} to {high:.2f}   {there:>5} {m.sum() / there:>7.1%} {rms(error[m]):>8.4f} "
            f"{error[m].mean():>+9.4f} {rms(sigma[m]):>8.4f} {rms(z[m]):>6.2f} "
            f"{(np.abs(z[m]) < Z95).mean():>8.1%} {np.abs(absolute[m]).max():>7.3f}"
        )
    return lines


def scale_line(group: str, outcomes: Sequence[Outcome]) -> str:
    """Return how pads beyond the sheet's reach fared, and the share read of those within it.

    Of a pad beyond the reach no gap is to be had: to say so, on the right side, is the answer.
    """
    counts: Counter[str] = Counter()
    for o in outcomes:
        for k in np.flatnonzero(o.beyond):
            side = "near" if o.truth_mm[k] < o.target_mm else "far"
            if o.refused:
                counts["photo refused"] += 1
            elif o.read[k]:
                wrong = abs(o.error_mm["padsheet"][k]) > TOO_FAR_MM
                counts["WRONG GAP" if wrong else "read all the same"] += 1
            elif o.verdicts[k] in ("pad-high", "pad-low"):
                right = (o.verdicts[k] == "pad-high") == (side == "far")
                counts["said so" if right else "TAKEN FOR ITS OPPOSITE"] += 1
            else:
                counts["unread"] += 1
    within = sum(
        not o.beyond[k] and v in ("pad-high", "pad-low")
        for o in outcomes
        for k, v in enumerate(o.verdicts)
    )
    inside = sum(int((~o.beyond).sum()) for o in outcomes)
    read = sum(int((o.read & ~o.beyond).sum()) for o in outcomes)
    return (
        f"{group:<22} {dict(counts)}; within reach {read} of {inside} read "
        f"({read / max(inside, 1):.1%}), {within} called off scale"
    )


def grouped(
    outcomes: Sequence[Outcome], key: str, order: Sequence[str] = ()
) -> list[tuple[str, list[Outcome]]]:
    """Return the outcomes by one of their groups, in the given order or by name."""
    names = list(order) or sorted({o.groups[key] for o in outcomes if key in o.groups})
    parts = [(n, [o for o in outcomes if o.groups.get(key) == n]) for n in names]
    return [(n, part) for n, part in parts if part]


def report(outcomes: Sequence[Outcome], kinds: Sequence[str], keys: Sequence[str] = ()) -> str:
    """Return the whole report as text: by kind with all readers, then by each other key."""
    by_kind = grouped(outcomes, "kind", kinds)
    if len(by_kind) > 1:
        by_kind.append(("all", list(outcomes)))
    rest = [(f"{key} {n}", part) for key in keys for n, part in grouped(outcomes, key)]
    lines = ["errors in mm; relative: the mean of each photo taken off", HEAD]
    lines += [reader_row(n, reader, part) for n, part in by_kind for reader in READERS]
    lines += [reader_row(n, "padsheet", part) for n, part in rest]
    lines += [
        "",
        "share of 95 % intervals that hold the truth; z: scatter over claim",
        COVERAGE_HEAD,
    ]
    lines += [coverage_line(n, part) for n, part in by_kind + rest]
    lines += ["", *gap_table(outcomes), "", "pads beyond the sheet's reach"]
    lines += [scale_line(n, part) for n, part in by_kind]
    # Where print and plate are equally bright, or blurred, the print can hardly be seen at all.
    lines += [
        scale_line(f"{n}, {seen}", some)
        for n, part in by_kind
        for seen, some in grouped(part, "seen")
    ]
    lines += ["", "not read"]
    for n, part in by_kind:
        refused = Counter(o.refused for o in part if o.refused)
        codes = Counter(
            v for o in part for v, ok in zip(o.verdicts, o.read, strict=False) if not ok
        )
        lines.append(f"{n}: whole photos {dict(refused)}; pads {dict(codes)}")
    return "\n".join(lines)


def photo_line(outcome: Outcome) -> str:
    """Return one line on one photo."""
    if outcome.refused:
        return f"{outcome.name}: refused, {outcome.refused}"
    ours = outcome.error_mm["padsheet"][outcome.read]
    z = outcome.relative_z()
    return (
        f"{outcome.name}: read {outcome.read.sum()}/{len(outcome.read)}, relative rms "
        f"{ours.std():.4f}, mean {ours.mean():+.4f} (z {outcome.common_z():+.1f}), "
        f"z {rms(z):.1f}, worst {np.abs(ours).max():.3f}"
    )
