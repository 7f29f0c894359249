"""The page of a trial on a shop's own units: figures with intervals, and every miss with its pictures."""

import base64
import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup
from PIL import Image
from plugface.cli.present.face_drawing import draw_face, svg_text
from plugface.cli.present.picture import draw_answer
from plugface.cli.present.reference_photo import read_reference
from plugface.cli.present.templates import template_environment
from plugface.cli.present.terminal import percent
from plugface.models.catalogue.entries import Catalogue

if TYPE_CHECKING:
    from plugface.cli.evaluation.trial import Outcome, Trial

#: Long side of a miss's picture in pixels, and how many misses are shown with pictures (our choice).
LONG_SIDE_PX, MAX_PICTURED = 900, 200


def render_trial(
    trial: "Trial",
    catalogue: Catalogue,
    folder: Path,
    made: datetime,
    model: str,
    about: str,
    *,
    donor_numbers: bool = False,
) -> str:
    """The page as HTML without any reference to another file.

    Parameters
    ----------
    folder : Path
        Of the catalogue, with the photos that its entries name.
    about : str
        Where photos and truth came from.
    donor_numbers : bool
        Show the numbers of donors in the pictures, as in the report of a lot.
    """
    misses = [
        _shown(one, folder, pictured=k < MAX_PICTURED, donor_numbers=donor_numbers)
        for k, one in enumerate(trial.misses)
    ]
    environment = template_environment(Path(__file__).parent / "templates")
    return environment.get_template("trial.html").render(
        trial=trial,
        catalogue=catalogue,
        made=made.strftime("%Y-%m-%d %H:%M"),
        model=model,
        about=about,
        misses=misses,
        chart=Markup(_chart(trial)),
    )


def _shown(one: "Outcome", folder: Path, *, pictured: bool, donor_numbers: bool) -> dict[str, object]:
    decision, catalogue = one.answer.decision, one.answer.catalogue
    said = f"{one.said} ({percent(decision.probability)})" if one.said else ""
    keys = dict.fromkeys(key for key in (one.unit.family, one.case.best) if key in catalogue.by_key)
    faces = []
    for key in keys if pictured else ():
        family = catalogue.by_key[key]
        drawing = draw_face(family, read_reference(folder, family), facts_mm=None)
        faces.append((key, _uri("image/svg+xml", svg_text(drawing).encode())))
    return {
        "unit": one.unit.name,
        "miss": one.miss,
        "truth": one.unit.truth,
        "said": said,
        "message": decision.message,
        "photos": [str(photo) for photo in one.unit.photos],
        "picture": _picture(one, donor_numbers) if pictured else "",
        "faces": faces,
    }


def _picture(one: "Outcome", donor_numbers: bool) -> str:
    """The answer drawn on the photos; empty where they are gone."""
    try:
        picture = draw_answer(one.answer, donor_numbers=donor_numbers)
    except Exception:
        # Photos of confirmed units may lie elsewhere by now, or be no photos any more: the row is worth more.
        return ""
    picture.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=82)
    return _uri("image/jpeg", out.getvalue())


def _uri(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def _chart(trial: "Trial") -> str:
    """What was said against what was right, with intervals, as SVG; the diagonal is honest."""
    side, left = 240, 44
    box = f"0 0 {side + left + 24} {side + 44}"
    parts = [
        f'<svg viewBox="{box}" role="img" aria-label="probability said, and share right">',
        f'<rect x="{left}" y="6" width="{side}" height="{side}" fill="#fff" stroke="#4b5a68"/>',
        _line((left, side + 6), (left + side, 6), '#9aa5af" stroke-dasharray="5 4'),
    ]
    for tick in (0, 50, 100):
        x, y = left + side * tick / 100, side + 6 - side * tick / 100
        parts.append(f'<text x="{x:g}" y="{side + 22}" text-anchor="middle" font-size="12">{tick} %</text>')
        parts.append(f'<text x="{left - 5}" y="{y + 4:g}" text-anchor="end" font-size="12">{tick} %</text>')
    for one in trial.said:
        x = left + side * one.mean
        low, high = (side + 6 - side * share for share in one.right.interval)
        middle = side + 6 - side * (one.right.share or 0.0)
        ink = "#0b5a6e" if one.honest else "#8c1d18"
        parts.append(_line((x, low), (x, high), ink))
        parts.append(f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="4.5" fill="{ink}"/>')
    words = "across: said; up: right (95 % interval)"
    parts.append(f'<text x="{left}" y="{side + 40}" font-size="12">{words}</text></svg>')
    return "".join(parts)


def _line(start: tuple[float, float], end: tuple[float, float], ink: str) -> str:
    (x1, y1), (x2, y2) = start, end
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{ink}" stroke-width="2"/>'


def summary_lines(trial: "Trial") -> Sequence[tuple[str, str, str, str]]:
    """Name, count, share and interval of each figure, as text."""
    rows = []
    for rate in trial.rates:
        low, high = rate.interval
        share = "not measured" if rate.share is None else f"{100 * rate.share:.1f} %"
        between = f"{100 * low:.1f} to {100 * high:.1f} %" if rate.of else ""
        rows.append((rate.name, f"{rate.count} of {rate.of}", share, between))
    return rows
