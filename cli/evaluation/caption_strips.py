"""Captions of labels in scripts that few fonts hold, as strips drawn once.

`captions.png` beside this file holds a word a row, black on white, in the order of `SCRIPTS`. It was drawn
with Noto Sans CJK JP, Noto Sans Arabic and Noto Sans Hebrew (SIL Open Font License 1.1, which does not reach
what is drawn with a font). To draw it anew:

    python -m plugface.cli.evaluation.caption_strips --fonts CJK.otf ARABIC.ttf HEBREW.ttf
"""

import argparse
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

SHEET = Path(__file__).with_name("captions.png")
#: Height of a row and of the letters in it, pixels; as the laboratory's own letters.
ROW_PX, LETTER_PX = 72, 44


@dataclass(frozen=True)
class Script:
    """Words before a number, and one for 'made in', as labels have them."""

    captions: tuple[str, ...]
    made_in: str
    from_right: bool = False  # written from right to left: the caption stands right of the number
    drawn: bool = True  # a strip of the sheet; False: a letter of the font that comes along


SCRIPTS = {
    "Cyrillic": Script(("НОМЕР ДЕТАЛИ", "НОМЕР", "АРТИКУЛ"), "СДЕЛАНО", drawn=False),
    "Greek": Script(("ΑΡΙΘΜΟΣ", "ΚΩΔΙΚΟΣ", "ΤΥΠΟΣ"), "ΠΑΡΑΓΩΓΗ", drawn=False),
    "Chinese and Japanese": Script(("品番", "部品番号", "零件号", "型号"), "製造"),
    "Korean": Script(("부품 번호", "품번", "형식"), "제조"),
    "Arabic": Script(("رقم القطعة", "الرقم", "الطراز"), "صنع في", from_right=True),
    "Hebrew": Script(("מספר חלק", "דגם", "מק״ט"), "תוצרת", from_right=True),
}
_DRAWN = [word for script in SCRIPTS.values() if script.drawn for word in (*script.captions, script.made_in)]


@cache
def read_strips() -> dict[str, np.ndarray]:
    """Each drawn word as a strip, uint8 (ROW_PX, W): 255 is paper."""
    with Image.open(SHEET) as picture:
        sheet = np.asarray(picture.convert("L"))
    strips = {}
    for k, word in enumerate(_DRAWN):
        row = sheet[k * ROW_PX : (k + 1) * ROW_PX]
        strips[word] = row[:, : int(np.flatnonzero((row < 128).any(axis=0))[-1]) + 2]
    return strips


def draw_sheet(fonts: list[Path]) -> Image.Image:
    """All drawn words, each in the first font that has its letters."""
    faces = [ImageFont.truetype(str(path), LETTER_PX) for path in fonts]
    sheet = Image.new("L", (420, ROW_PX * len(_DRAWN)), 255)
    ink = ImageDraw.Draw(sheet)
    for k, word in enumerate(_DRAWN):
        face = next(face for face in faces if _has(face, word))
        ink.text((2, ROW_PX * k + ROW_PX // 2), word, fill=0, font=face, anchor="lm")
    return sheet


def _has(face: ImageFont.FreeTypeFont, word: str) -> bool:
    box = bytes(face.getmask("\uffff"))
    return all(bytes(face.getmask(letter)) != box for letter in word if letter not in " ״")


def main() -> None:
    """Draw the sheet anew."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fonts", type=Path, nargs="+", required=True, help="files of the three fonts")
    draw_sheet(parser.parse_args().fonts).save(SHEET, optimize=True)


if __name__ == "__main__":
    main()
