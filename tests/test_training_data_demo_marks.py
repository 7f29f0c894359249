"""Drawn relief and print: what they say, how they are lit, and that a seed gives the same again."""

import json
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from plugface.demo.marks.letters import CAP_PX, CHARACTERS, Face, draw_line, invent_text, load_face
from plugface.demo.marks.prints import draw_prints
from plugface.demo.marks.relief import MAX_PX, STRIP_PX, Grain, _lit_share, draw_strip
from plugface.demo.marks.renders import draw_rendered, find_marks

_FONT = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"


@pytest.fixture(scope="module")
def faces() -> tuple[Face, ...]:
    return (load_face(_FONT), Face("stroke", stroke=(0, 5)))


def test_capitals_are_as_high_as_said(faces) -> None:
    for face in faces:
        rows = np.flatnonzero((draw_line("HE", face, spacing=0.1, stretch=1.0) > 127).any(axis=1))
        assert rows[-1] - rows[0] + 1 == pytest.approx(CAP_PX, abs=2)  # whole pixels at both ends
        assert rows[-1] == pytest.approx(1.5 * CAP_PX, abs=2)


def test_a_line_is_as_wide_as_its_stretch(faces) -> None:
    plain, wide = (draw_line("KNOT", faces[0], spacing=0.0, stretch=s).shape[1] for s in (1.0, 1.5))
    assert wide == round(1.5 * plain)


def test_invented_texts_can_be_read_at_all() -> None:
    rng = np.random.default_rng(0)
    texts = [invent_text(rng) for _ in range(2000)]
    assert set("".join(texts)) == set(CHARACTERS)
    assert all(text == text.strip() and text for text in texts)
    assert len(set(texts)) > 1900


def test_a_seed_gives_the_same_strips_again(faces) -> None:
    def draw() -> list:
        rng = np.random.default_rng(5)
        grain = Grain(rng)
        return [draw_strip(rng, faces, grain) for _ in range(12)]

    first, second = draw(), draw()
    for a, b in zip(first, second, strict=True):
        assert a.text == b.text
        assert a.grey.dtype == np.uint8
        assert a.grey.shape[0] == STRIP_PX
        assert 16 <= a.grey.shape[1] <= MAX_PX
        assert a.grey.shape[1] % 4 == 0
        np.testing.assert_array_equal(a.grey, b.grey)
    assert len({a.text for a in first}) > 6


def test_a_wall_throws_a_shadow_of_its_height_over_the_slope_of_the_light() -> None:
    height = np.zeros((9, 60), np.float32)
    height[:, :20] = 6.0
    # The light comes from the left (azimuth pi points to -x), rising 1 in 1: the shadow is 6 pixels long.
    lit = _lit_share(height, np.pi, 1.0, 0.5)[4]
    assert lit[:20].min() == 1.0
    assert lit[20:24].max() == 0.0
    assert lit[28:].min() == 1.0
    assert _lit_share(height, 0.0, 1.0, 0.5)[4].min() == 1.0  # from the other side nothing is in the way


def test_printed_lines_say_what_was_drawn() -> None:
    prints = draw_prints(np.random.default_rng(2), n_lines=4)
    assert len(prints) == 4
    for line in prints:
        assert line.grey.dtype == np.uint8
        assert line.grey.ndim == 2
        assert 3 <= len(line.text) <= 9
        assert line.grey.shape[1] > line.grey.shape[0] * 0.8


def _write_render(folder: Path, light: np.ndarray, corners: np.ndarray, **geometry) -> Path:
    text = {
        "kind": "cast",
        "value": "SEDGE 7",
        "polygon": corners.tolist(),
        "height_px": 16.0,
        "visible": 1.0,
    }
    geometry = {"set": "wild", "units": [{"texts": [text | geometry.pop("text", {})]}]} | geometry
    np.savez(folder / "w1.npz", rgb=np.repeat(light[..., None], 3, 2).astype(np.float16))
    (folder / "w1.json").write_text(json.dumps(geometry))
    return folder / "w1.npz"


def test_a_mark_is_cut_out_of_a_render_upright(tmp_path, faces) -> None:
    line = cv2.resize(draw_line("SEDGE 7", faces[0], spacing=0.1, stretch=1.0), None, fx=0.5, fy=0.5) / 255.0
    high, wide = line.shape
    upright = np.full((200, 300), 0.2, np.float32)
    upright[60 : 60 + high, 40 : 40 + wide] += 0.6 * line
    corners = np.float32([(40, 69), (40 + wide, 69), (40 + wide, 87), (40, 87)])
    turn = cv2.getRotationMatrix2D((150, 100), 150, 1.0)
    turned = cv2.warpAffine(upright, turn, (300, 200), borderMode=cv2.BORDER_REPLICATE)
    (mark,) = find_marks(_write_render(tmp_path, turned, cv2.transform(corners[None], turn)[0]))
    assert mark.text == "SEDGE 7"
    left, top = (int(v) for v in mark.line[0])
    cut = mark.tone.astype(np.float32)[top : top + 18, left : left + wide]
    # Turned twice by interpolation: edges are softer, no more.
    assert np.corrcoef(cut.ravel(), upright[69:87, 40 : 40 + wide].ravel())[0, 1] > 0.9


@pytest.mark.parametrize(
    "geometry",
    [
        {"set": "marrow_finch"},
        {"text": {"visible": 0.4}},
        {"text": {"height_px": 5.0}},
        {"text": {"value": "É"}},
    ],
)
def test_what_teaches_nothing_or_too_much_is_left_out(tmp_path, geometry) -> None:
    corners = np.float32([(10, 10), (90, 10), (90, 26), (10, 26)])
    assert find_marks(_write_render(tmp_path, np.ones((60, 120), np.float32), corners, **geometry)) == []


def test_a_rendered_mark_comes_out_as_strips_that_a_seed_repeats(tmp_path) -> None:
    corners = np.float32([(10, 10), (90, 10), (90, 26), (10, 26)])
    marks = find_marks(_write_render(tmp_path, np.ones((60, 120), np.float32), corners))
    first, second = ([draw_rendered(np.random.default_rng(k), marks) for k in range(40)] for _ in range(2))
    for a, b in zip(first, second, strict=True):
        assert a.grey.shape[0] == STRIP_PX
        assert a.text == b.text
        np.testing.assert_array_equal(a.grey, b.grey)
    assert {strip.text for strip in first} == {"SEDGE 7", ""}  # on its head it says nothing
