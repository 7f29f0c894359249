"""Where a suffix stands and what it may have been read for."""

from pathlib import Path

import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.variants import judge_variants
from plugface.models.matching.error_model import ErrorModel
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Observations, Quality, Text, Unit, WhiteBalance

DEMO = Path(__file__).parent.parent / "training_data_demo"
_OUTLINE = ((0.0, 0.0), (900.0, 0.0), (900.0, 700.0), (0.0, 700.0))


def back_with(*lines: str):
    quality = Quality(width_px=1000, height_px=800, median_luma=0.4, burnt_share=0.0, blur_px=0.5)
    texts = tuple(Text((), value, 0.98, "printed", 20.0) for value in lines)
    unit = Unit(_OUTLINE, 0.95, {"front": 0.02, "back": 0.98}, texts=texts)
    seen = Observations("0" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), (unit,))
    return gather_views([seen], None)


def chances(maker: str, family: str, *lines: str) -> dict[str, float]:
    entry = load_catalogue(DEMO / maker).by_key[family]
    told = judge_variants(entry, tuple(back_with(*lines)), ErrorModel())
    return {v.key: float(c) for v, c in zip(entry.variants, told.chances, strict=True)}


@pytest.mark.parametrize(
    "line", ["738 241 341 B", "738241341 B", "738 241 341 B TERN 4", "TERN 4 738 241 341 B"]
)
def test_a_suffix_behind_its_number_is_found_whatever_stands_beside(line):
    told = chances("marrow_finch", "TERN 4", line)
    assert told["B"] > 0.95, told


def test_a_figure_behind_a_number_speaks_for_the_letter_it_resembles():
    told = chances("marrow_finch", "TERN 4", "738 241 341 8")
    assert 0.995 > told["B"] > 5 * told["A"]


@pytest.mark.parametrize(
    ("line", "found"), [("38 241 341 B TERN", True), ("241 341 B TERN", True), ("41 341 B TERN", False)]
)
def test_the_first_figures_of_the_number_before_it_may_be_lost(line, found):
    told = chances("marrow_finch", "TERN 4", line)
    assert (told["B"] > 0.9) == found, told


def test_a_word_too_long_for_a_suffix_is_none():
    told = chances("marrow_finch", "TERN 4", "738 241 341 BAY")
    assert told["A"] == pytest.approx(told["B"])


def test_a_suffix_behind_its_caption_need_not_look_like_one():
    # The maker's issues are E to H: of those a 6 is a G.
    told = chances("pell_works/catalogue", "WETHER KNOTT", "PK6203/55", "ISSUE 6")
    assert told["G"] > told["H"], told
