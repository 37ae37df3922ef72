"""The report's HTML: one function for each section of the page.

Plain functions and not a template: a template engine takes longer to import and to compile its
template than all else that the report needs. Every text is escaped on its way in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.colours import CLASSES, UNREAD, ColourClass
from padsheet.scoring.photo_guide import bad_photo, good_photo
from padsheet.scoring.phrases import signed, typographic
from padsheet.scoring.quality import PhotoNote
from padsheet.scoring.squish import Z95, SheetScore
from padsheet.scoring.todo import Step

__all__ = ["PadView", "ReportView", "RoundRow", "report_page"]

STYLE = Path(__file__).parent / "templates" / "report.css"
CAUTIONS = (
    "Your printer's own manual comes first, wherever it says something else.",
    "Nozzle and bed are hot: more than 200 and 60 \N{DEGREE SIGN}C while printing, and for a long "
    "time after.",
    "Axes start without warning. Keep hands, hair and sleeves away while the printer is on.",
    "A wrong height drives the nozzle into the bed. Watch the first seconds of every move with a "
    "hand at the power switch.",
    "Never leave a heated or moving printer alone.",
)
LIKE_THIS = (
    "<b>Where to stand:</b> in front of the printer, the phone level above the middle of the bed, "
    "as high as it takes.",
    "<b>Frame:</b> the whole sheet on the screen, with a little rim. Main camera, no zoom, no "
    "filter. Upside down is no matter.",
    "<b>Light:</b> soft and from the side, such as a window with an overcast sky. No flash. Look "
    "for mirrored lamps on the screen, and move until they are gone.",
    "Tap on the print to focus, and hold still. While the bed is warm, the print left in place.",
)
NOT_LIKE_THIS = (
    "Phone tilted, or part of the sheet cut off.",
    "A lamp or the flash mirrored in the bed.",
    "Wide-angle or front camera, digital zoom, filters, “beauty” modes.",
    "Sent through a chat, which shrinks pictures.",
    "Print lifted or cleaned before, or the plate taken off.",
)
ROUND_COLUMNS = (
    "Round",
    "Day",
    "Read",
    "On target",
    "Worst, mm",
    "All together, mm",
    "Applied afterwards",
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
    read, points, on_target : int
        Pads read, pads printed, pads on target.
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
    on_target: int
    worst_mm: float | None
    common_mm: float | None
    applied: str = ""
    in_shape: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PadView:
    """What the page says of one pad: texts, but for `crop`, an address, and `chart`, an SVG."""

    anchor: str
    name: str
    colour: str
    headline: str
    verdict: str
    squish: str
    todo: str
    todo_words: str
    sentence: str
    words: str
    reason: str
    notes: tuple[str, ...]
    crop: str | None
    chart: str | None
    left_out: tuple[str, ...]
    open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportView:
    """What the page says: texts, but for `picture`, an address, and `bed_map`, an SVG.

    Attributes
    ----------
    dense : bool
        Whether the map's cells have room for hundredths of a millimetre only.
    """

    sheet: Sheet
    score: SheetScore
    bed_name: str
    made: str
    verdict: str
    facts: Sequence[tuple[str, str]]
    steps: Sequence[Step]
    bed_map: str
    dense: bool
    legend: Sequence[tuple[ColourClass, str]]
    picture: str | None
    pads: Sequence[PadView]
    rounds: Sequence[RoundRow]
    photo_notes: Sequence[PhotoNote]


def report_page(view: ReportView) -> str:
    """Write the whole page."""
    sheet, name = view.sheet, escape(view.bed_name)
    title = f"Pad sheet {sheet.number}" + (f" &ndash; {name}" if name else "")
    parts = (
        name,
        f"sheet {sheet.number} ({escape(sheet.id)})",
        f"plate: {escape(sheet.plate_name)}" if sheet.plate_name != "plate" else "",
        escape(view.made),
    )
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; \
style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'">
<meta name="referrer" content="no-referrer">
<title>{title}</title>
<style>
{_style()}
</style>
</head>
<body>
<a class="skip" href="#now">Skip to what to do now</a>
<main>
<header>
<p class="kicker">{" · ".join(part for part in parts if part)}</p>
<h1>{escape(view.verdict)}</h1>
</header>
{_figures(view)}
<div class="pair">
{_now(view.steps)}
<div>
{_map(view)}
{_photo(view)}
</div>
</div>
{_points(view.pads)}
{_rounds(view.rounds)}
{_better(view.photo_notes)}
{_footer(view.score)}
</main>
</body>
</html>
"""


def _style() -> str:
    """Return the page's style, with the colours of the classes."""
    chips = [f".{c.name} {{ background: {c.fill}; color: {c.ink}; }}\n" for c in CLASSES]
    unread = f"background: {UNREAD.fill}; color: {UNREAD.ink}; border-style: dashed;"
    return f"{STYLE.read_text(encoding='utf-8')}{''.join(chips)}.unread {{ {unread} }}"


def _items(texts: Iterable[str]) -> str:
    """Write list items of texts that are escaped already."""
    return "\n".join(f"<li>{text}</li>" for text in texts)


def _figures(view: ReportView) -> str:
    facts = "\n".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in view.facts
    )
    warnings = _items(map(escape, view.score.warnings))
    return f"""
<section aria-label="Figures">
<dl class="facts">
{facts}
</dl>
{f'<ul class="notes">{warnings}</ul>' if warnings else ""}
</section>
"""


def _now(steps: Sequence[Step]) -> str:
    if steps:
        todo = f'<ol class="steps">\n{_items(map(_step, steps, range(1, len(steps) + 1)))}\n</ol>'
    else:
        todo = "<p>Nothing: there is no advice for this sheet.</p>"
    if any(step.commands for step in steps):
        todo += """
<p class="hint screen">A click into a command selects all of it, ready to copy. Run it where \
padsheet is installed.</p>"""
    return f"""<section id="now" aria-labelledby="now-title">
<h2 id="now-title">What to do now</h2>
{todo}
<div class="caution" role="note">
<h3>Before the printer moves</h3>
<ul>
{_items(map(escape, CAUTIONS))}
</ul>
</div>
</section>
"""


def _step(step: Step, number: int) -> str:
    commands = "".join(
        f'\n<pre tabindex="0" aria-label="Command of step {number}">'
        + " ".join(f"<span>{escape(word)}</span>" for word in command.split(" "))
        + "</pre>"
        for command in step.commands
    )
    return escape(step.text.replace("+-", "±")) + commands


def _map(view: ReportView) -> str:
    if view.dense:
        unit = "hundredths of a millimetre"
        rest = "Interval and what to do stand in the list of points."
    else:
        unit = "millimetres"
        rest = "Below it half the 95 % interval, and what to do with the nozzle there."
    shared = f"{Z95 * view.score.common_sigma_mm:.3f}"
    chips = "\n".join(
        f'<li><span class="chip {kind.name}">{escape(limits)}</span></li>'
        for kind, limits in view.legend
    )
    return f"""<section class="whole" aria-labelledby="map-title">
<h2 id="map-title">The bed from above</h2>
<p class="hint">Gap error in {unit}: <b>+</b> the nozzle is too far from the bed, <b>&minus;</b> \
too near. {rest} Of the 95 % interval, ± {shared} mm is shared by all points: they may be off \
together, and their differences are surer. Dashed: uncertain or not read.</p>
{view.bed_map}
<ul class="legend" aria-label="Colours">
<li class="hint">mm:</li>
{chips}
<li><span class="chip unread">? not read</span></li>
</ul>
</section>
"""


def _photo(view: ReportView) -> str:
    if view.picture is None:
        return ""
    score = view.score
    if score.how == "photo":
        title, what = "Your photo", "The photo"
        names = "".join(f"{escape(', '.join(score.photos))}. " if score.photos else "")
        caption = f"""<figcaption>{names}The printed lines lie {score.registration_rms_mm:.3f} mm \
(root mean square) from where they should, by {score.lines_used} lines.</figcaption>
"""
    else:
        title, what, caption = "The sheet, drawn", "A drawing", ""
    return f"""<section class="whole" aria-labelledby="photo-title">
<h2 id="photo-title">{title}</h2>
<figure>
<img src="{view.picture}" alt="{what} of the sheet with each pad outlined in the colour of its \
gap error">
{caption}</figure>
</section>
"""


def _points(pads: Sequence[PadView]) -> str:
    return f"""<section aria-labelledby="points-title">
<h2 id="points-title">Every point</h2>
<p class="hint">Those not read first, then the largest errors. In the curves: widths of the lines \
with 95 % bars (<span class="key s0"></span> thin and <span class="key s1"></span> thick lines), \
their fit, the <b>dashed</b> target and the measured gap with its 95 % band. Hollow marks were \
left out of the fit.</p>
<div class="points">
{"".join(map(_pad, pads))}</div>
</section>
"""


def _pad(pad: PadView) -> str:
    name = escape(pad.name)
    squish = f" · squish {pad.squish}" if pad.squish else ""
    crop = f'<img src="{pad.crop}" alt="Photo of the pad at {name}">' if pad.crop else ""
    return f"""<details{" open" if pad.open else ""}>
<summary>
<span class="chip {pad.colour}">{escape(pad.headline)}</span>
<span>{_capitalized(name)}<small>{escape(pad.verdict)}{squish}</small></span>
<span class="todo">{escape(pad.todo)}</span>
</summary>
<div class="pad" id="{pad.anchor}">
<div>
{crop}
</div>
<div>
{_pad_words(pad)}
</div>
<div>
{pad.chart or ""}
</div>
</div>
</details>
"""


def _pad_words(pad: PadView) -> str:
    """Write what is said of a pad beside its picture."""
    lines = [f"<p>{_capitalized(escape(pad.words))}.</p>"]
    if pad.sentence != "no gap":
        lines.append(f"<p>{_capitalized(escape(pad.sentence))}.</p>")
    if pad.reason:
        why = "<b>Why there is no number:</b>"
        lines.append(f'<p class="refused">{why} {escape(pad.reason)}.</p>')
    if pad.todo_words:
        more = pad.todo_words.removeprefix(pad.todo)
        lines.append(f"<p>Nozzle here: <b>{escape(pad.todo)}</b>{escape(more)}.</p>")
    notes = [*pad.notes, *(f"Left out of the fit: {line}" for line in pad.left_out)]
    if notes:
        lines.append(f'<ul class="notes hint">\n{_items(map(escape, notes))}\n</ul>')
    return "\n".join(lines)


def _capitalized(text: str) -> str:
    return text[:1].upper() + text[1:]


def _rounds(rounds: Sequence[RoundRow]) -> str:
    if not rounds:
        return ""
    heads = "".join(f'<th scope="col">{column}</th>' for column in ROUND_COLUMNS)
    return f"""<section aria-labelledby="rounds-title">
<h2 id="rounds-title">The rounds so far</h2>
<table>
<thead><tr>{heads}</tr></thead>
<tbody>
{"".join(map(_round, rounds))}</tbody>
</table>
</section>
"""


def _round(row: RoundRow) -> str:
    in_shape = f" ({row.in_shape} in shape)" if row.in_shape > row.on_target else ""
    values = (
        escape(row.made),
        f"{row.read} of {row.points}",
        f"{row.on_target} of {row.points}{in_shape}",
        _millimetres(row.worst_mm),
        _millimetres(row.common_mm),
        escape(row.applied) or "&ndash;",
    )
    cells = "\n".join(
        f'<td data-label="{column}">{value}</td>'
        for column, value in zip(ROUND_COLUMNS[1:], values, strict=True)
    )
    return f"""<tr>
<th scope="row" data-label="{ROUND_COLUMNS[0]}">{row.number}</th>
{cells}
</tr>
"""


def _millimetres(value_mm: float | None) -> str:
    return "&ndash;" if value_mm is None else typographic(signed(value_mm, 3))


def _better(notes: Sequence[PhotoNote]) -> str:
    said = _items(
        f'<span class="mark">{"Good:" if note.good else "To mend:"}</span> {escape(note.what)}'
        + (f" <b>{escape(note.advice)}</b>" if note.advice else "")
        for note in notes
    )
    return f"""<section aria-labelledby="better-title">
<h2 id="better-title">The photo, and how to take a better one</h2>
{f'<ul class="notes">{said}</ul>' if said else ""}
<div class="guides">
<div>
<h3>Like this</h3>
{good_photo()}
<ul class="notes">
{_items(LIKE_THIS)}
</ul>
</div>
<div>
<h3>Not like this</h3>
{bad_photo()}
<ul class="notes">
{_items(NOT_LIKE_THIS)}
</ul>
</div>
</div>
</section>
"""


def _footer(score: SheetScore) -> str:
    flow = ""
    if score.how == "photo":
        sure = Z95 * score.flow_sigma
        flow = f" Flow {score.flow:.2f} ± {sure:.2f} of what was commanded."
    return f"""<footer>
<p>Squish = 100 &times; target gap &divide; measured gap: 100 is on target, 80 too little \
squish, 125 too much. Verdicts go by the 95 % interval, not by the number alone.{flow}</p>
</footer>"""
