"""Labels of every layout, drawn by chance for catalogues by chance, are answered by family and variant.

The lines and codes are given to the matcher as read without fault; the pictures of the last test are read by
the program's own readers.
"""

import numpy as np
import pytest
from plugface.cli.evaluation.label_laboratory import (
    LAYOUTS,
    Print,
    draw_cases,
    draw_picture,
    measure,
    read_faultlessly,
    read_picture,
    without_own_family,
)
from plugface.models.learning.classifier import default_model_path, load_model

PER_LAYOUT = 25  # 13 layouts: 325 labels


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


@pytest.fixture(scope="module")
def tallies(model):
    return measure(draw_cases(PER_LAYOUT), model, read_faultlessly)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_layout_names_family_and_variant(tallies, layout):
    tally = tallies[layout]
    assert tally.n == PER_LAYOUT
    assert tally.variant >= 0.97 * tally.n, tally.missed
    assert tally.accepted >= 0.9 * tally.n, tally.missed
    assert tally.wrong == 0, tally.missed


def test_all_layouts_together_are_right_in_99_of_100(tallies):
    n = sum(tally.n for tally in tallies.values())
    assert n >= 300
    assert sum(tally.variant for tally in tallies.values()) >= 0.99 * n


def test_a_label_of_a_family_that_is_missing_is_never_accepted(model):
    strange = measure(map(without_own_family, draw_cases(8)), model, read_faultlessly)
    assert sum(tally.n for tally in strange.values()) == 8 * len(LAYOUTS)
    assert sum(tally.accepted for tally in strange.values()) == 0


def test_drawn_labels_that_are_really_read_are_answered(model):
    tallies = measure(draw_cases(1, seed=7), model, read_picture)
    missed = [line for tally in tallies.values() for line in tally.missed]
    assert sum(tally.wrong for tally in tallies.values()) == 0, missed
    assert sum(tally.family for tally in tallies.values()) >= len(LAYOUTS) - 1, missed


def test_letters_that_the_font_lacks_are_left_out_and_drawn_as_no_boxes():
    assert np.array_equal(draw_picture(Print(("品番 5820-3317",))), draw_picture(Print(("5820-3317",))))
    assert not np.array_equal(draw_picture(Print(("НОМЕР 5820-3317",))), draw_picture(Print(("5820-3317",))))
