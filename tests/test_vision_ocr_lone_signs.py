"""A letter by itself on a label: found in its box, whichever way the label lies, and nothing else for one."""

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from plugface.cli.settings import demo_folder
from plugface.vision.geometry import overlap
from plugface.vision.observations import Character, Text
from plugface.vision.observe import observe
from plugface.vision.ocr.lone_signs import read_lone_signs
from plugface.vision.ocr.readers import RapidReader, Reading
from plugface.vision.photo import decode_photo

SIZE = 520, 200
NUMBER_BOX, LETTER_AT = (24, 60, 270, 108), (430, 84)


def draw_label(letter: str, *, ring: bool = False, word: str = "", filled: bool = False) -> np.ndarray:
    """A light label with a number and, in a frame of its own, a letter; grey, uint8."""
    picture = Image.new("L", SIZE, 215)
    draw = ImageDraw.Draw(picture)
    draw.rectangle((6, 6, SIZE[0] - 7, SIZE[1] - 7), outline=40, width=2)
    draw.text((30, 62), "K58219/307", font=ImageFont.load_default(42), fill=30)
    draw.rectangle((380, 50, 480, 118), outline=30, width=2, fill=30 if filled else None)
    ink = 215 if filled else 30
    if ring:
        draw.ellipse(
            (LETTER_AT[0] - 16, LETTER_AT[1] - 16, LETTER_AT[0] + 16, LETTER_AT[1] + 16), outline=ink, width=5
        )
    draw.text(LETTER_AT, letter or word, font=ImageFont.load_default(44), fill=ink, anchor="mm")
    draw.text((30, 140), "MADE 12/40", font=ImageFont.load_default(22), fill=30)
    return np.asarray(picture)


def turn(picture: np.ndarray, degrees: float) -> tuple[np.ndarray, np.ndarray]:
    """The label on a larger grey ground, turned; and the matrix (2, 3) from its pixels."""
    side = 640
    matrix = cv2.getRotationMatrix2D((SIZE[0] / 2, SIZE[1] / 2), degrees, 1.0)
    matrix[:, 2] += side / 2 - np.array(SIZE) / 2
    turned = cv2.warpAffine(picture, matrix, (side, side), flags=cv2.INTER_AREA, borderValue=120)
    return turned, matrix


def placed(box: tuple[float, float, float, float], matrix: np.ndarray) -> np.ndarray:
    left, top, right, bottom = box
    corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)
    return corners @ matrix[:, :2].T + matrix[:, 2]


def text(value: str, corners: np.ndarray, confidence: float = 0.98) -> Text:
    polygon = tuple((float(x), float(y)) for x, y in corners)
    return Text(polygon, value, confidence, "printed", float(np.linalg.norm(corners[3] - corners[0])))


def read(
    picture: np.ndarray, degrees: float = 0.0, known: tuple[str, ...] = ("K58219/307",), reader=None
) -> list[Text]:
    photo, matrix = turn(picture, degrees)
    boxes = {"K58219/307": NUMBER_BOX, "letter": (400, 60, 460, 108)}
    texts = [text(value, placed(boxes[value], matrix)) for value in known]
    return read_lone_signs(photo, placed((0, 0, *SIZE), matrix), texts, reader or RapidReader())


@pytest.mark.parametrize("letter", "ABCDEFGHKU")
def test_a_letter_in_its_box_is_read(letter) -> None:
    (sign,) = read(draw_label(letter))
    assert (sign.value, sign.kind) == (letter, "printed")
    assert sign.confidence >= 0.9


@pytest.mark.parametrize("degrees", [90, 180, -90, 20, 200])
def test_it_runs_as_the_number_does(degrees) -> None:
    (sign,) = read(draw_label("E"), degrees)
    _, matrix = turn(draw_label("E"), degrees)
    assert sign.value == "E"
    drawn = placed((LETTER_AT[0] - 12, LETTER_AT[1] - 16, LETTER_AT[0] + 12, LETTER_AT[1] + 16), matrix)
    # The box of ink, a pixel or two wider for the smoothing.
    assert overlap(np.array(sign.polygon), drawn) > 0.6
    top = np.subtract(sign.polygon[1], sign.polygon[0])
    along = matrix[:, :2] @ (1, 0)
    assert top @ along / np.linalg.norm(top) > 0.99


def test_its_box_or_all_of_the_label_may_be_dark() -> None:
    assert [sign.value for sign in read(draw_label("C", filled=True))] == ["C"]
    assert [sign.value for sign in read(255 - draw_label("C"))] == ["C"]
    assert [sign.value for sign in read(255 - draw_label("C", filled=True))] == ["C"]


def test_what_is_cut_out_of_a_round_sign_is_no_letter() -> None:
    """As of a mark of conformity, which many labels bear."""
    picture = Image.fromarray(draw_label(""))
    draw = ImageDraw.Draw(picture)
    draw.rectangle((370, 40, 490, 128), fill=215)
    draw.ellipse((LETTER_AT[0] - 26, LETTER_AT[1] - 26, LETTER_AT[0] + 26, LETTER_AT[1] + 26), fill=30)
    draw.text(LETTER_AT, "C", font=ImageFont.load_default(44), fill=215, anchor="mm")
    assert read(np.asarray(picture)) == []


@pytest.mark.parametrize(("down", "found"), [(50, ["E"]), (-40, ["E"]), (110, []), (-120, [])])
def test_it_stands_beside_the_number_or_a_row_off(down, found) -> None:
    label = np.full((460, SIZE[0]), 215, np.uint8)
    label[130:330] = draw_label("")
    label[130 + 40 : 130 + 130, 370:490] = 215  # without its box
    x, y = 400, 130 + 60 + down
    label[y : y + 48, x : x + 60] = draw_label("E")[60:108, 400:460]
    box = [(NUMBER_BOX[i] + (0, 130)[i % 2]) for i in range(4)]
    corners = placed((0, 0, SIZE[0], 460), np.eye(2, 3))
    texts = [text("K58219/307", placed(tuple(box), np.eye(2, 3)))]
    signs = read_lone_signs(label, corners, texts, RapidReader())
    assert [sign.value for sign in signs] == found


class Says:
    """A reader that gives what it is told to, three readings for each place that it is asked about."""

    def __init__(self, *readings: tuple[str, float]) -> None:
        self.readings, self.asked = readings or (("E", 1.0),) * 3, 0

    def read_strips(self, strips: list[np.ndarray]) -> list[Reading]:
        self.asked += len(strips) // 3
        given = [Reading.of([Character(((value, sure),))], "told") for value, sure in self.readings]
        return given * (len(strips) // 3)


@pytest.mark.parametrize(
    ("readings", "values"),
    [
        ([("E", 0.95), ("E", 0.92), ("F", 0.5)], ["E"]),
        ([("E", 0.99), ("E", 0.99), ("F", 0.95)], []),
        ([("E", 0.99), ("E", 0.8), ("E", 0.8)], []),
        ([("O", 1.0)] * 3, []),
        ([("e", 1.0)] * 3, []),
        ([("8", 1.0)] * 3, []),
    ],
)
def test_it_must_read_alike_and_surely_twice_and_be_a_capital(readings, values) -> None:
    signs = read(draw_label("E"), reader=Says(*readings))
    assert [sign.value for sign in signs] == values
    assert all(sign.confidence == 0.92 for sign in signs)  # the lesser one's


def test_nothing_is_asked_about_a_word_a_frame_or_what_is_cut_off() -> None:
    asked = {}
    for name, word in (("letter", "E"), ("word", "REF"), ("pair", "EF")):
        reader = Says()
        read(draw_label("", word=word), reader=reader)
        asked[name] = reader.asked
    bare = draw_label("").copy()
    bare[:, 372:490] = 215
    letter = draw_label("E")[60:108, 412:452]
    framed, cut = bare.copy(), bare.copy()
    cv2.rectangle(framed, (396, 48), (464, 120), 30, 3)
    framed[60:108, 410:450] = letter
    cut[60:108, 440:480] = letter
    for name, label, end in (("framed", framed, SIZE[0]), ("cut off", cut, 462), ("whole", cut, 490)):
        reader = Says()
        corners = placed((0, 0, end, SIZE[1]), np.eye(2, 3))
        read_lone_signs(label, corners, [text("K58219/307", placed(NUMBER_BOX, np.eye(2, 3)))], reader)
        asked[name] = reader.asked
    assert asked == {"letter": 1, "word": 0, "pair": 0, "framed": 1, "cut off": 0, "whole": 1}


def test_it_runs_as_the_larger_of_two_numbers_does() -> None:
    photo, matrix = turn(draw_label("E"), 0)
    large = text("K58219/307", placed(NUMBER_BOX, matrix))
    small = text("98583991", np.roll(placed((180, 140, 190, 190), matrix), 1, axis=0))
    (sign,) = read_lone_signs(photo, placed((0, 0, *SIZE), matrix), [small, large], Says())
    assert np.subtract(sign.polygon[1], sign.polygon[0]) @ (1, 0) > 0
    assert np.subtract(sign.polygon[1], sign.polygon[0]) @ (0, 1) == pytest.approx(0, abs=0.5)


def test_without_a_number_nothing_is_looked_for() -> None:
    photo, matrix = turn(draw_label("E"), 0)
    corners = placed((0, 0, *SIZE), matrix)
    box = placed(NUMBER_BOX, matrix)
    for texts in ([], [text("K58219/307", box, 0.6)], [text("UNIT No", box)]):
        assert read_lone_signs(photo, corners, texts, RapidReader()) == []


def test_what_was_read_is_not_read_again() -> None:
    assert read(draw_label("E"), known=("K58219/307", "letter")) == []


@pytest.mark.parametrize(
    "drawn", [{"letter": "", "ring": True}, {"letter": "7"}, {"letter": "", "word": "REF"}, {"letter": ""}]
)
def test_a_ring_a_figure_a_word_and_an_empty_box_are_no_letter(drawn) -> None:
    assert read(draw_label(**drawn)) == []


def test_a_label_at_the_edge_of_the_photo_and_an_empty_one() -> None:
    flat = np.full((60, 60), 90, np.uint8)
    box = np.array([(-20.0, -5), (30, -5), (30, 12), (-20, 12)])
    corners = np.array([(-30.0, -30), (90, -30), (90, 90), (-30, 90)])
    assert read_lone_signs(flat, corners, [text("58219", box)], RapidReader()) == []
    far = box + 500
    assert read_lone_signs(flat, corners, [text("58219", far)], RapidReader()) == []


def test_a_photo_of_the_demo_tells_its_revision() -> None:
    """A back with the letter E in a box, which the finder of text does not show."""
    photo = decode_photo((demo_folder() / "photos" / "mf0207.jpg").read_bytes())
    assert "E" in [text.value for unit in observe(photo).units for text in unit.texts]
