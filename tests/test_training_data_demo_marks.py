"""Drawn relief and print: what they say, how they are lit, and that a seed gives the same again."""

from pathlib import Path

import matplotlib
import numpy as np
import pytest

from training_data_demo.marks.letters import CAP_PX, CHARACTERS, Face, draw_line, invent_text, load_face
from training_data_demo.marks.prints import draw_prints
from training_data_demo.marks.relief import STRIP_PX, WIDEST_PX, Grain, _lit_share, draw_strip

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
    plain, wide = (draw_line("TERN", faces[0], spacing=0.0, stretch=s).shape[1] for s in (1.0, 1.5))
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
        assert 16 <= a.grey.shape[1] <= WIDEST_PX
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
