"""Where a suffix stands and what it may have been read for."""

import math
from pathlib import Path

import numpy as np
import pytest
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.variants import (
    BARCODE_NATS,
    best_chance,
    explain_variant,
    hear,
    judge_heard,
    judge_variants,
    payload_names,
)
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.text_fit import best_string
from plugface.models.unit_choice import gather_views
from plugface.vision.observations import Code, Observations, Quality, Text, Unit, WhiteBalance

DEMO = Path(__file__).parent.parent / "training_data_demo"
_OUTLINE = ((0.0, 0.0), (900.0, 0.0), (900.0, 700.0), (0.0, 700.0))


def back_with(*lines: str, codes: tuple[Code, ...] = ()):
    quality = Quality(width_px=1000, height_px=800, median_luma=0.4, burnt_share=0.0, blur_px=0.5)
    texts = tuple(Text((), value, 0.98, "printed", 20.0) for value in lines)
    unit = Unit(_OUTLINE, 0.95, {"front": 0.02, "back": 0.98}, texts=texts, codes=codes)
    seen = Observations("0" * 64, quality, WhiteBalance((1.0, 1.0, 1.0), "none", 0.0), (unit,))
    return gather_views([seen], None)


#: Two variants of one number, told by a suffix that is printed behind it, as some makers do.
BARE = {"suffix": "^[A-D]$", "suffix_caption": ""}


def judged(maker: str, family: str, *lines: str, label=None, suffixes=()):
    """What is told of the variants; `label` and `suffixes` change the entry."""
    entry = load_catalogue(DEMO / maker).by_key[family]
    if label:
        variants = zip(entry.variants[: len(suffixes)], suffixes, strict=True)
        entry = entry.model_copy(
            update={
                "label": entry.label.model_copy(update=label),
                "variants": tuple(v.model_copy(update={"key": s, "suffixes": (s,)}) for v, s in variants),
            }
        )
    return entry, judge_variants(entry, tuple(back_with(*lines)), ErrorModel())


def chances(*words: str, **how) -> dict[str, float]:
    entry, told = judged(*words, **how)
    return {v.key: float(c) for v, c in zip(entry.variants, told.chances, strict=True)}


def behind(line: str) -> dict[str, float]:
    """Chances of KNOT 40's A and B, whose suffix follows the number K58214/302 without a caption."""
    return chances("marrow_finch", "KNOT 40", line, label=BARE, suffixes=("A", "B"))


@pytest.mark.parametrize(
    "line",
    [
        *("K58214/302 B", "K58214302 B", "K58 214-302 B", "K58214/302B"),
        *("K58214/302 B KNOT 40", "KNOT 40 K58214/302 B"),
    ],
)
def test_a_suffix_behind_its_number_is_found_whatever_stands_beside(line):
    told = behind(line)
    assert told["B"] > 0.95, told


@pytest.mark.parametrize("line", ["B K58214/302", "B-K58214/302", "B K58 214 302 DATE 12/04"])
def test_a_suffix_before_its_number_is_found_and_one_behind_it_goes_before(line):
    told = behind(line)
    assert told["B"] > 0.9, told
    assert behind(f"{line} A")["A"] > 0.95
    other = behind(line.replace("B ", "X ").replace("B-", "X-"))  # a caption may stand there
    assert other["A"] == pytest.approx(other["B"])


@pytest.mark.parametrize(
    ("line", "suffixes"),
    [
        ("DATE 12/04 K58214/302", ("04", "03")),
        ("12/04 K58214/302", ("04", "03")),
        ("KNOT 40 K58214/302", ("40", "41")),
        ("40 K58214/302", ("40", "41")),
        ("S/N 1037446-04 K58214/302", ("04", "03")),
        ("QTY 02 K58214/302", ("02", "01")),
        ("UNIT NO K58214/302", ("NO", "NA")),
        ("NO K58214/302", ("NO", "NA")),
        ("12 V DC K58214/302", ("DC", "DD")),
        ("12 V K58214/302", ("V", "W")),
        ("P/C K58214/302", ("C", "D")),
    ],
)
def test_the_end_of_what_else_stands_before_a_number_is_no_suffix(line, suffixes):
    label = {"suffix": "^[A-Z0-9]{1,2}$", "suffix_caption": ""}
    told = chances("marrow_finch", "KNOT 40", line, label=label, suffixes=suffixes)
    assert told[suffixes[0]] == pytest.approx(told[suffixes[1]])


def test_a_figure_behind_a_number_speaks_for_the_letter_it_resembles():
    told = behind("K58214/302 8")
    assert 0.995 > told["B"] > 5 * told["A"]


@pytest.mark.parametrize(
    ("line", "found"), [("8214/302 B KNOT", True), ("214/302 B KNOT", True), ("14/302 B KNOT", False)]
)
def test_the_first_figures_of_the_number_before_it_may_be_lost(line, found):
    told = behind(line)
    assert (told["B"] > 0.9) == found, told


def test_a_word_too_long_for_a_suffix_is_none():
    told = behind("K58214/302 BAY")
    assert told["A"] == pytest.approx(told["B"])


@pytest.mark.parametrize(
    "lines",
    [
        ("UNIT No K58214/302", "REV F"),
        ("UNIT No", "K58214/302", "REV", "F"),
        ("UNIT No K58214/302 REV F",),
        ("REV.F", "K58214-302"),
        ("K58214302", "REVF"),
        ("REV", "UNIT No", "F", "K58214/302"),
        ("K58214/302", "REV 2", "REV F"),  # a revision of something else, which tells nothing
    ],
)
def test_a_suffix_in_its_own_box_is_read_and_quoted_and_the_caption_is_not(lines):
    entry, told = judged("marrow_finch", "KNOT 40", *lines)
    assert dict(zip([v.key for v in entry.variants], told.chances, strict=True))["F"] > 0.95
    assert told.telling == "F"
    evidence, rival = explain_variant(entry, 1, told)
    assert rival in ("E", "G")
    assert [e.message for e in evidence if e.rule == "suffix"] == [
        f"'F' was read, the suffix of F, not of {rival}"
    ]


@pytest.mark.parametrize("join", ["{} {}", "{}, {}", "{}/{}", "MAIN {} SPARE {}"])
def test_each_number_of_a_line_has_its_own_suffix_in_whatever_order(join):
    for written in ("K58214/302 {}", "K58214/302{}", "K58214302 REV {}"):
        first, second = (
            behind(join.format(*(written.format(letter) for letter in order))) for order in ("AB", "BA")
        )
        assert first == pytest.approx(second), written
        assert min(first["A"], first["B"]) > 0.4, (written, first)  # their misreadings differ a little


def test_a_number_said_again_without_its_suffix_takes_nothing_from_it():
    for line in ("K58214/302 B K58214/302", "K58214/302 K58214/302 B"):
        assert behind(line)["B"] > 0.95, line


def test_a_caption_without_its_value_says_nothing():
    _, told = judged("marrow_finch", "KNOT 40", "UNIT No K58214/302", "REV")
    assert [hint.kind for hint in told.hints if hint.read] == ["service number"]
    assert told.read == "K58214/302"
    assert told.chances[0] == pytest.approx(told.chances[2])


@pytest.mark.parametrize("written", ["K58214/309", "K58214-309", "K58214309", "K58 214 309"])
def test_a_number_that_is_listed_nowhere_stays_unlisted_whatever_became_of_its_stroke(written):
    _, told = judged("marrow_finch", "KNOT 40", f"UNIT No {written}")
    assert told.unlisted > 0.5
    assert told.read == written.replace(" ", "")


@pytest.mark.parametrize(
    ("line", "share", "words"),
    [("K58214/309", 1, 1), ("K58214/309 SPARE PART", 9 / 18, 3), ("K58214/309 SPARE", 9 / 14, 2)],
)
def test_an_unlisted_number_scores_by_its_share_of_the_line_at_any_of_its_words(line, share, words):
    # The number has 9 letters and figures; each word of the line could have been its place.
    _, told = judged("marrow_finch", "KNOT 40", line)
    (hint,) = [hint for hint in told.hints if hint.kind == "service number"]
    noise = ErrorModel()
    score = share * best_string(Text((), line, 0.98, "printed", 20.0), noise) - math.log(words)
    elsewhere = noise.number_elsewhere
    assert hint.odds[-1] == pytest.approx(math.log(elsewhere + (1 - elsewhere) * math.exp(score)))


def test_a_barcode_speaks_for_the_variants_it_names_and_says_nothing_of_others():
    entry = load_catalogue(DEMO / "marrow_finch").by_key["AUK 11"]
    numbers = [variant.service_numbers[0] for variant in entry.variants]
    assert len(set(numbers)) == len(numbers) > 1
    for place, number in enumerate(numbers):
        code = Code((), "Code 128", number, "verified")
        told = judge_variants(entry, tuple(back_with(codes=(code,))), ErrorModel())
        (hint,) = [hint for hint in told.hints if hint.kind == "barcode"]
        # The last place is that of a variant which is not listed.
        assert hint.odds == pytest.approx(BARCODE_NATS * (np.arange(len(numbers) + 1) == place))
        assert hint.read == number


def test_a_number_that_was_misread_is_not_quoted_as_read():
    entry, told = judged("marrow_finch", "KNOT 40", "K582I9/3O7")
    assert told.read == ""
    north = next(k for k, v in enumerate(entry.variants) if v.key == "north")
    evidence, _ = explain_variant(entry, north, told)
    assert evidence[0].message.startswith(
        "what was made out of the service number fits north (K58219/307) better"
    )


def test_a_suffix_behind_its_caption_need_not_look_like_one():
    # The maker's issues are E to H: of those a 6 is a G, and no issue of its own.
    entry, told = judged("pell_works/catalogue", "WETHER KNOTT", "PK6203/55", "ISSUE 6")
    of = dict(zip([v.key for v in entry.variants], told.chances, strict=True))
    assert of["G"] > of["H"], of
    assert told.unlisted < 0.05


def test_two_readings_of_one_label_count_less_than_twice():
    entry = load_catalogue(DEMO / "marrow_finch").by_key["KNOT 40"]
    once = hear(entry, tuple(back_with("UNIT No K58214/302", "REV F")), ErrorModel())
    one, two = (
        {hint.kind: hint.odds for hint in judge_heard(entry, heard, ErrorModel()).hints}
        for heard in (once, 2 * once)
    )
    for kind in ("service number", "suffix"):
        assert two[kind] == pytest.approx(4 / 3 * one[kind])  # 2 / (1 + 0.5): see LABEL_CORRELATION


def test_a_letter_by_itself_is_no_suffix_where_one_stands_in_its_place():
    told = chances("marrow_finch", "KNOT 40", "UNIT No K58214/302", "REV F", "G")
    assert told["F"] > 0.95


def test_a_variant_of_any_suffix_loses_to_the_one_that_lists_what_was_read():
    entry = load_catalogue(DEMO / "marrow_finch").by_key["KNOT 40"]
    listed, other = entry.variants[:2]
    variants = (listed.model_copy(update={"suffixes": ("A",)}), other.model_copy(update={"suffixes": ()}))
    entry = entry.model_copy(update={"label": entry.label.model_copy(update=BARE), "variants": variants})
    told = judge_variants(entry, tuple(back_with("K58214/302 A")), ErrorModel())
    assert told.chances[0] > 5 * told.chances[1]  # any suffix will do there: as likely as one in ten
    told = judge_variants(entry, tuple(back_with("K58214/302 C")), ErrorModel())
    assert told.chances[1] > 5 * told.chances[0]


def test_a_variant_is_held_against_one_that_is_not_listed_where_that_is_likelier():
    entry, told = judged("marrow_finch", "KNOT 40", "UNIT No K58214/309")
    evidence, rival = explain_variant(entry, 0, told)
    assert rival == ""
    assert sum(reason.weight for reason in evidence) < 0
    assert "worse than a variant that is not listed" in evidence[0].message


def test_a_revision_that_a_standard_names_parts_the_variants_of_one_number():
    entry = load_catalogue(DEMO / "marrow_finch").by_key["KNOT 40"]
    assert [v.key for v in entry.variants] == ["E", "F", "G", "north"]  # the first three of one number
    assert payload_names("[)>␞06␝1PK58214/302␝2PF␝S0004␞␄", entry) == [False, True, False, False]
    assert payload_names("[)>␞06␝1PK58214/302␝S0004␞␄", entry) == [True, True, True, False]


@pytest.mark.parametrize("lines", [("K58214/302 B",), ("K58214/302", "B"), ("nothing",)])
@pytest.mark.parametrize("years", [(), (2003,), (1999, 2007)])
def test_the_best_chance_is_that_of_the_whole_judgement(lines, years):
    entry = load_catalogue(DEMO / "marrow_finch").by_key["KNOT 40"]
    heard = 2 * hear(entry, tuple(back_with(*lines)), ErrorModel())
    whole = judge_heard(entry, heard, ErrorModel(), years)
    assert best_chance(entry, heard, ErrorModel(), years) == pytest.approx(whole.chances.max(), abs=1e-12)
