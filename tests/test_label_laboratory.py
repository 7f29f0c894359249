"""Labels of every layout, drawn by chance for catalogues by chance, are answered by family and variant.

The lines and codes are given to the matcher as read without fault; the pictures of the last test are read by
the program's own readers.
"""

import pytest
from plugface.cli.evaluation.caption_strips import SCRIPTS
from plugface.cli.evaluation.label_laboratory import (
    LAYOUTS,
    SCRIPT_LAYOUTS,
    Print,
    draw_cases,
    draw_picture,
    measure,
    read_faultlessly,
    read_picture,
    without_own_family,
)
from plugface.models.learning.classifier import default_model_path, load_model

PER_LAYOUT = 18  # 17 layouts: 306 labels; of each layout 6 where not all is tried


@pytest.fixture(scope="module")
def model():
    return load_model(default_model_path())


@pytest.fixture(scope="module")
def per_layout(some):
    return len(some(range(PER_LAYOUT), 6))


@pytest.fixture(scope="module")
def tallies(model, per_layout):
    return measure(draw_cases(per_layout), model, read_faultlessly)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_layout_names_family_and_variant(tallies, per_layout, layout):
    tally = tallies[layout]
    assert tally.n == per_layout
    assert tally.variant >= 0.97 * tally.n, tally.missed
    assert tally.accepted >= 0.97 * tally.n, tally.missed
    assert tally.wrong == 0, tally.missed


def test_all_layouts_together_are_right_and_accepted_in_99_of_100(tallies, per_layout):
    n = sum(tally.n for tally in tallies.values())
    assert n == per_layout * len(LAYOUTS)
    assert sum(tally.variant for tally in tallies.values()) >= 0.99 * n
    assert sum(tally.accepted for tally in tallies.values()) >= 0.99 * n


def test_a_label_of_a_family_that_is_missing_is_never_accepted(model, some):
    n = len(some(range(8), 3, 4))
    strange = measure(map(without_own_family, draw_cases(n)), model, read_faultlessly)
    assert sum(tally.n for tally in strange.values()) == n * len(LAYOUTS)
    assert sum(tally.accepted for tally in strange.values()) == 0


def test_drawn_labels_that_are_really_read_are_answered(model, some):
    layouts = {name: LAYOUTS[name] for name in some(LAYOUTS, 5, 9)}
    tallies = measure(draw_cases(1, seed=7, layouts=layouts), model, read_picture)
    missed = [line for tally in tallies.values() for line in tally.missed]
    assert sum(tally.wrong for tally in tallies.values()) == 0, missed
    one_is_let_go = len(layouts) == len(LAYOUTS)
    assert sum(tally.family for tally in tallies.values()) >= len(layouts) - one_is_let_go, missed


def test_captions_of_other_scripts_are_drawn_and_the_number_beside_them_is_read(model):
    of_strips = {f"caption in {name}" for name, script in SCRIPTS.items() if script.drawn}
    layouts = {name: draw for name, draw in SCRIPT_LAYOUTS.items() if name in of_strips}
    tallies = measure(draw_cases(1, seed=5, layouts=layouts), model, read_picture)
    missed = [line for tally in tallies.values() for line in tally.missed]
    assert sum(tally.wrong for tally in tallies.values()) == 0, missed
    assert sum(tally.family for tally in tallies.values()) >= len(layouts) - 1, missed


def test_every_caption_is_drawn_beside_its_number():
    bare = draw_picture(Print(("5820-3317",)))
    words = [word for script in SCRIPTS.values() for word in (*script.captions, script.made_in)]
    drawn = [draw_picture(Print((f"{word} 5820-3317",))) for word in words]
    for word, picture in zip(words, drawn, strict=True):
        assert (picture < 128).sum() > 1.15 * (bare < 128).sum(), word
    assert len({picture.tobytes() for picture in drawn}) == len(words), "no two words are the same boxes"
