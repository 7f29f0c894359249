"""Label and paint-marker pictures of one unit, with the pixel box of every text and code.

Everything on them is invented. A label is drawn whole (layouts), then aged (wear); boxes are those of the ink
as drawn, so they stay exact however worn the picture gets.
"""

import json
import random
import shutil
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from plugface.demo.studio import stickers
from plugface.demo.studio.label_sheet import FONTS, LabelFacts, LabelPicture, Sheet, fit, group_number
from plugface.demo.studio.label_wear import wear_label
from plugface.demo.studio.scrawl import draw_scrawl
from plugface.demo.studio.style import CAST_FONTS, style_of

__all__ = ["Sheet", "draw_label", "group_number", "write_textures"]


def write_textures(spec: Any, folder: Path) -> None:
    """Write a unit's pictures, their boxes (`<unit_id>.json`) and the fonts of cast marks into a folder.

    Parameters
    ----------
    spec : units.UnitSpec
    folder : Path
        Made if need be; shared by all units.
    """
    (folder / "fonts").mkdir(parents=True, exist_ok=True)
    for name in CAST_FONTS:
        target = folder / "fonts" / f"{name}.ttf"
        if not target.exists():
            shutil.copyfile(FONTS / target.name, target)
    sheet: dict[str, Any] = {"label": None, "scrawl": None}
    label = draw_label(spec)
    if label is not None:
        sheet["label"] = _write_picture(label, folder / f"{spec.unit_id}-label.png")
    if spec.scrawl:
        picture, box, per_mm = draw_scrawl(spec.scrawl, random.Random(f"{spec.seed} scrawl"))
        Image.fromarray(picture).save(folder / f"{spec.unit_id}-scrawl.png")
        size = (picture.shape[1] / per_mm, picture.shape[0] / per_mm)
        sheet["scrawl"] = {"size_mm": size, "pixels_per_mm": per_mm, "box": box}
    if spec.stickers:
        sheet["face_labels"] = [
            _write_picture(sticker.label, folder / f"{spec.unit_id}-sticker{k}.png")
            | {"picture": f"{spec.unit_id}-sticker{k}"}
            | {"roughness": sticker.roughness, "metallic": sticker.metallic}
            for k, sticker in enumerate(stickers.draw_stickers(spec))
        ]
    (folder / f"{spec.unit_id}.json").write_text(json.dumps(sheet), encoding="utf-8")


def _write_picture(label: LabelPicture, path: Path) -> dict[str, Any]:
    """Store a label's picture; gives its size and what is printed where."""
    Image.fromarray(label.picture).save(path)
    return {
        "size_mm": label.size_mm,
        "pixels_per_mm": label.pixels_per_mm,
        "texts": [asdict(text) for text in label.texts],
        "codes": [asdict(code) for code in label.codes],
    }


def draw_label(spec: Any) -> LabelPicture | None:
    """Draw a unit's label in its maker's layout and its own state of wear; None where it has none."""
    if spec.label == "absent":
        return None
    draw = random.Random(f"{spec.seed} label")
    style = style_of(spec.family)
    layout = (LAYOUTS | stickers.LAYOUTS)[spec.label_layout or draw.choice(style.label_layouts)]
    facts = LabelFacts.of(spec, draw)
    sheet = layout(facts, _room_mm(spec.family.body.size_mm, style.label_turn_deg), draw)
    picture = wear_label(np.asarray(sheet.image), spec.label, spec.seed, sheet.per_mm)
    size = (sheet.image.width / sheet.per_mm, sheet.image.height / sheet.per_mm)
    return LabelPicture(picture, size, tuple(sheet.texts), tuple(sheet.codes), sheet.per_mm)


def _room_mm(size_mm: tuple[float, float, float], turn_deg: int) -> tuple[float, float]:
    """Flat room on the back cover, less than bodies.Housing.build_cover leaves."""
    margin = 36.0 if min(size_mm[:2]) > 68 else 26.0
    w, h = size_mm[0] - margin, size_mm[1] - margin
    return (h, w) if turn_deg % 180 else (w, h)


def _boxed(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """Number and suffix each in a captioned box of its own, side by side; maker and family above."""
    size = (90.0, 50.0)
    paper = draw.choice(((242, 242, 238), (204, 206, 208), (232, 230, 222)))
    s = Sheet(size, fit(size, room), paper, (20, 20, 23))
    s.text("maker", facts.maker.upper(), (3.5, 3.2), 2.8, font="DejaVuSans-Bold", max_width=48)
    s.text("mark", facts.mark, (86.5, 2.6), 4.2, font="DejaVuSans-Bold", anchor="right", max_width=34)
    boxed = bool(facts.suffix and facts.suffix_caption)
    edge = 68.0 if boxed else 87.0
    s.rule(3, 9.2, edge, 25.2, outline=s.ink, width=0.45)
    s.text("other", facts.number_caption, (4.8, 11.0), 2.1)
    s.number(facts, (5.2, 15.6), 6.4, font="DejaVuSans-Bold", stretch=0.9, max_width=edge - 9)
    if boxed:
        s.rule(edge, 9.2, 87, 25.2, outline=s.ink, width=0.45)
        s.text("other", facts.suffix_caption, (edge + 1.8, 11.0), 2.1, max_width=13)
        s.text("suffix", facts.suffix, ((edge + 87) / 2, 15.2), 7.2, font="DejaVuSans-Bold", anchor="middle",
               max_width=14)  # fmt: skip
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (2, 28.0), width=70, height=10.0)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (4, 27.0), width=19, height=19)
        s.text("other", "12 V   SEALED", (30, 30.5), 2.4)
    small = {"font": "DejaVuSansMono"}
    s.text("other", f"S/N {facts.serial}", (86.5, 45.0), 2.3, anchor="right", max_width=40, **small)
    s.text("other", f"MADE {facts.made}", (30, 45.0), 2.3, max_width=26, **small)
    return s


def _plate(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A wide plate: black head band, family large, number below a caption, a boxed revision block."""
    size = (92.0, 54.0)
    paper = draw.choice(((236, 236, 232), (212, 214, 214), (226, 224, 214)))
    s = Sheet(size, fit(size, room), paper, (22, 22, 25))
    s.rule(0, 0, 92, 8.4, fill=s.ink)
    s.text(
        "maker",
        facts.maker.upper(),
        (4, 2.7),
        3.0,
        font="DejaVuSans-Bold",
        stretch=0.95,
        ink=paper,
        max_width=58,
    )
    s.text("other", "CONTROL UNIT", (88, 3.2), 2.0, ink=paper, anchor="right")
    s.text("mark", facts.mark, (4, 12), 6.4, font="DejaVuSans-Bold", stretch=0.8, max_width=62)
    s.text("other", facts.number_caption, (4, 22.6), 2.0)
    boxed = bool(facts.suffix and facts.suffix_caption)
    s.number(facts, (4, 26.2), 5.4, font="DejaVuSansMono-Bold", stretch=0.92, max_width=66 if boxed else 84)
    if boxed:
        s.rule(72, 11, 88, 31.5, outline=s.ink, width=0.5)
        s.text("other", facts.suffix_caption, (80, 12.8), 2.0, anchor="middle", max_width=13)
        s.text("suffix", facts.suffix, (80, 18.5), 8.0, font="DejaVuSans-Bold", anchor="middle", max_width=13)
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (1.5, 35.0), width=68, height=9.5)
        if draw.random() < 0.6:
            s.code("Data Matrix", facts.serial, (73, 34), width=14, height=14)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (70, 33.5), width=19, height=19)
        s.text("other", "12 V   IP 6K7", (4, 37), 2.4)
    s.text("other", f"S/N {facts.serial}", (4, 48.6), 2.3, font="DejaVuSansMono", max_width=48)
    s.text("other", facts.made, (69, 48.6), 2.3, font="DejaVuSansMono", anchor="right")
    return s


def _strip(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A flat foil: the number first and largest, family at the right, code below."""
    size = (100.0, 36.0)
    paper = draw.choice(((198, 200, 201), (224, 225, 224), (186, 188, 186)))
    s = Sheet(size, fit(size, room), paper, draw.choice(((20, 20, 22), (30, 34, 60))))
    s.rule(1, 1, 99, 35, outline=s.ink, width=0.25)
    s.text("other", facts.number_caption, (4, 3.2), 1.9)
    s.text("maker", facts.maker.upper(), (96, 3.0), 2.1, font="DejaVuSans-Bold", anchor="right", max_width=50)
    s.number(facts, (4, 7.4), 6.4, font="DejaVuSans-Bold", stretch=0.84, max_width=58)
    s.text(
        "mark", facts.mark, (96, 8.0), 5.4, font="DejaVuSans-Bold", stretch=0.78, anchor="right", max_width=30
    )
    if facts.suffix and facts.suffix_caption:
        s.rule(76, 17.5, 96, 26.5, fill=s.ink)
        s.text("other", facts.suffix_caption, (77.5, 20.8), 2.2, ink=paper, max_width=8)
        s.text(
            "suffix",
            facts.suffix,
            (95, 19.4),
            5.4,
            font="DejaVuSans-Bold",
            ink=paper,
            anchor="right",
            max_width=8.6,
        )
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (2, 17.4), width=70, height=9.2)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (4, 16.2), width=13.5, height=13.5)
        s.text("other", "12 V", (24, 18.5), 3.0)
    s.text("other", facts.made, (4, 31.0), 2.2, font="DejaVuSansMono")
    s.text(
        "other",
        f"SERIAL {facts.serial}",
        (96, 31.0),
        2.2,
        font="DejaVuSansMono",
        anchor="right",
        max_width=60,
    )
    return s


def _ledger(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """Rows between rules, a caption left and an entry right, in book letters; the code at the foot."""
    size = (78.0, 60.0)
    paper = draw.choice(((240, 234, 208), (236, 238, 240), (232, 222, 170)))
    ink = draw.choice(((26, 38, 92), (24, 24, 26), (92, 22, 26)))
    s = Sheet(size, fit(size, room), paper, ink)
    s.text("maker", facts.maker, (39, 3.6), 4.4, font="STIXGeneralBolIta", anchor="middle", max_width=70)
    rows = [(facts.number_caption, "service number"), ("Type", "mark")]
    if facts.suffix and facts.suffix_caption:
        rows.append((facts.suffix_caption, "suffix"))
    rows.append(("Made", "other"))
    y = 10.8
    for caption, role in rows:
        s.rule(3, y, 75, y + 0.3, fill=ink)
        s.text("other", caption, (4, y + 2.8), 2.3, font="STIXGeneral", max_width=14)
        how = {"font": "cmtt10", "stretch": 1.05}
        if role == "service number":
            s.number(facts, (20, y + 1.7), 4.6, max_width=54, **how)
        elif role == "mark":
            s.text("mark", facts.mark, (20, y + 1.7), 4.6, font="STIXGeneralBol", max_width=54)
        elif role == "suffix":
            s.text("suffix", facts.suffix, (20, y + 1.7), 4.6, max_width=54, **how)
        else:
            s.text("other", f"{facts.made}  {facts.serial}", (20, y + 2.4), 3.0, max_width=54, **how)
        y += 7.8
    s.rule(3, y, 75, y + 0.3, fill=ink)
    if facts.barcode in ("Code 128", "Code 39"):
        s.code(facts.barcode, facts.payload, (3, y + 2.2), width=72, height=min(9.0, 56.5 - y))
    elif facts.barcode != "none":
        side = min(20.0, 58.0 - y)
        s.code(facts.barcode, facts.payload, (75 - side, y + 1.4), width=side, height=side)
    return s


def _badge(facts: LabelFacts, room, draw: random.Random) -> Sheet:
    """A dark foil with light print, code on a light patch at the left."""
    size = (76.0, 44.0)
    paper = draw.choice(((26, 28, 32), (28, 44, 82), (74, 26, 30)))
    s = Sheet(size, fit(size, room), paper, draw.choice(((226, 226, 220), (206, 208, 208))))
    s.rule(1, 1, 75, 43, outline=s.ink, width=0.35)
    square = facts.barcode in ("Data Matrix", "QR")
    left = 25.0 if square else 5.0
    s.text("maker", facts.maker, (71, 4.2), 2.9, font="STIXGeneralBol", anchor="right", max_width=40)
    s.text("mark", facts.mark, (left, 9.8), 5.0, font="STIXGeneralBol", stretch=1.1, max_width=70 - left)
    s.text("other", facts.number_caption, (left, 18.0), 1.9, font="STIXGeneral")
    beside = 26 if facts.suffix and facts.suffix_caption and not square else 0
    s.number(facts, (left, 21.2), 4.6, font="DejaVuSansMono", max_width=70 - left - beside)
    if square:
        s.code(facts.barcode, facts.payload, (4, 8.5), width=19, height=19)
    elif facts.barcode != "none":
        s.code(facts.barcode, facts.payload, (4, 29.0), width=68, height=7.0)
    if facts.suffix and facts.suffix_caption:
        y = 29.4 if square else 22.0
        s.text("other", facts.suffix_caption, (58, y + 1.0), 2.0, anchor="right", max_width=16)
        s.text("suffix", facts.suffix, (60, y - 0.8), 4.6, font="DejaVuSansMono-Bold", max_width=11)
    s.text("other", f"{facts.made}   {facts.serial}", (5, 38.4), 2.2, font="STIXGeneral", max_width=64)
    return s


LAYOUTS = {"boxed": _boxed, "plate": _plate, "strip": _strip, "ledger": _ledger, "badge": _badge}
