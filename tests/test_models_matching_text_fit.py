"""Readings against strings: a slip is forgiven by its probability, a clean difference is not mended."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.models.catalogue.index import strings_of
from plugface.models.learning.classifier import default_model_path, load_model
from plugface.models.learning.model_error import ModelError
from plugface.models.matching import confusions
from plugface.models.matching.confusions import PRIOR_COUNT, blend_confusions, load_confusions
from plugface.models.matching.error_model import ALPHABET, ErrorModel
from plugface.models.matching.text_fit import (
    FLOOR_NATS,
    MAX_DEVIANCE,
    best_string,
    fit_lines,
    score_lines,
    score_strings,
)
from plugface.vision.observations import Character, Text

NOISE = ErrorModel()
MARKS = strings_of([("CURLEW 5", 0), ("CURLEW 3", 1), ("KNOT 40", 2)])


def line(value: str, sure: float = 0.98, **options) -> Text:
    return Text((), value, sure, "printed", 20.0, **options)


def test_the_right_mark_wins_and_a_look_alike_slip_still_finds_it():
    assert score_strings(line("CURLEW 5"), MARKS, NOISE).argmax() == 0
    slip = score_strings(line("CURLEW S"), MARKS, NOISE)
    assert slip.argmax() == 0
    assert slip[0] < score_strings(line("CURLEW 5"), MARKS, NOISE)[0]


def test_a_mark_with_one_end_hidden_fits_all_that_begin_or_end_so():
    def cast(value: str) -> Text:
        return Text((), value, 0.98, "cast", 20.0)

    never = replace(NOISE, mark_cut=0.0)
    whole, begun = (score_strings(cast(value), MARKS, NOISE) for value in ("CURLEW 5", "CURLE"))
    # What is left says CURLEW, and not which; two places more would cost less than the whole end one by one.
    assert begun[0] == begun[1] > 2.0 > 0.0 > begun[2]
    assert begun[0] > score_strings(cast("CURLE"), MARKS, never)[0]
    assert whole[0] > begun[0]
    ended = score_strings(cast("W 3"), MARKS, NOISE)
    assert ended.argmax() == 1
    assert measure_deviance(cast("CURLEW 5"), MARKS, NOISE)[0] == pytest.approx(0.0, abs=1e-9)
    # So does a line of a label that was torn.
    untorn = replace(NOISE, label_torn=0.0)
    assert score_strings(line("LEW 3"), MARKS, NOISE)[1] > score_strings(line("LEW 3"), MARKS, untorn)[1]


def test_a_clean_other_digit_is_not_mended():
    scores = score_strings(line("CURLEW 4"), MARKS, NOISE)
    # Below what a string equal to the reading would score by 20 to 1 or more (3 nats).
    assert best_string(line("CURLEW 4"), NOISE) - scores.max() > 3.0


def test_no_clean_number_is_mended_into_a_catalogued_one():
    number = "K27418/052"
    known = strings_of([(number, 0)])
    for at in (k for k, c in enumerate(number) if c.isdigit()):
        for digit in set("0123456789") - {number[at]}:
            read = line(number[:at] + digit + number[at + 1 :])
            mended = score_strings(read, known, NOISE)[0]
            # Three nats: a number equal to the reading must score 20 to 1 above it.
            assert best_string(read, NOISE) - mended > 3.0, (at, digit)


def test_what_was_counted_outweighs_what_is_assumed():
    counts = {"read": {"A": {"A": 60, "B": 30}, "B": {}}}
    shares = blend_confusions(counts, ((0.9, 0.1), (0.2, 0.8)), "AB")
    # The assumed shares are worth ten characters: (60 + 9) / 100, and nothing was counted for B.
    assert shares == ((pytest.approx(0.69), pytest.approx(0.31)), (pytest.approx(0.2), pytest.approx(0.8)))


def test_shipped_counts_make_the_character_matrix():
    counts = load_confusions()
    assert counts["made_by"].startswith("python -m plugface.cli.evaluation.measure_confusions")
    seen = sum(counts["read"]["O"].values())
    share = NOISE.character_matrix[ALPHABET.index("O"), ALPHABET.index("0")]
    # Between no counts and counts alone, within the prior's weight.
    assert share == pytest.approx(counts["read"]["O"]["0"] / seen, abs=PRIOR_COUNT / seen)
    assert NOISE.character_matrix.sum(axis=1) == pytest.approx(np.ones(len(ALPHABET)))
    assert (NOISE.character_matrix.argmax(axis=1) == np.arange(len(ALPHABET))).all()


def test_words_around_do_not_hide_a_string_and_parts_of_words_are_not_it():
    alone, within = line("CURLEW 5"), line("UNIT CURLEW 5 HARBOUR")
    assert score_strings(within, MARKS, NOISE)[0] == pytest.approx(
        score_strings(alone, MARKS, NOISE)[0], abs=1.5
    )
    assert score_strings(line("XCURLEW 52"), MARKS, NOISE)[0] < score_strings(alone, MARKS, NOISE)[0] - 4


def test_alternatives_of_a_doubtful_character_count():
    characters = (*tuple(Character(((c, 0.99),)) for c in "CURLEW"), Character((("8", 0.5), ("3", 0.5))))
    scores = score_strings(line("CURLEW 8", characters=characters), MARKS, NOISE)
    assert scores.argmax() == 1


@given(st.text(alphabet=ALPHABET + " -./", max_size=25))
def test_any_line_gives_finite_scores(value):
    scores = score_strings(line(value), MARKS, NOISE)
    assert np.isfinite(scores).all()
    assert (scores >= FLOOR_NATS).all()


@given(st.text(alphabet=ALPHABET, min_size=1, max_size=8), st.text(alphabet=ALPHABET, min_size=1, max_size=8))
def test_equals_a_plain_recursion(read, known):
    text = line(read, sure=0.9)
    found = score_strings(text, strings_of([(known, 0)]), NOISE)[0]
    assert found == pytest.approx(max(plain(read, known, 0.9), FLOOR_NATS), abs=1e-9)


def plain(read: str, known: str, sure: float) -> float:
    """The same channel written as a recursion over one word."""
    matrix = NOISE.character_matrix
    rest = (1.0 - sure) / len(ALPHABET)

    def odds(i, j):
        seen = np.full(len(ALPHABET), rest)
        seen[ALPHABET.index(read[i])] += sure
        return np.log(len(ALPHABET) * (seen @ matrix[ALPHABET.index(known[j])]) + 1e-9)

    lost, added = np.log(NOISE.character_lost), np.log(NOISE.character_added)
    cut = np.log(NOISE.label_torn / 2 / max(len(known) - 1, 1))  # at each place within, from either end
    table = {}
    for i in range(len(read) + 1):
        for j in range(len(known) + 1):
            ways = [0.0] if not i + j else [cut] if not i and j < len(known) else []
            if i and j:
                ways.append(table[i - 1, j - 1] + odds(i - 1, j - 1))
            if i:
                ways.append(table[i - 1, j] + added)
            if j:
                ways.append(table[i, j - 1] + lost)
            if ways:
                table[i, j] = max(ways)
    return max([table[len(read), len(known)], *(table[len(read), j] + cut for j in range(1, len(known)))])


@pytest.mark.parametrize("left", [None, b"", b'{"read": {"A"', b"\xff\xfe"])
def test_damaged_counts_are_said_and_a_trained_model_needs_none(tmp_path, monkeypatch, left):
    file = tmp_path / "confusions.json"
    if left is not None:
        file.write_bytes(left)
    monkeypatch.setattr(confusions, "CONFUSIONS_FILE", file)
    load_confusions.cache_clear()
    with pytest.raises(ModelError, match=r"confusions\.json: .*Install plugface again"):
        load_confusions()
    assert load_model(default_model_path()).noise.character_matrix.shape == (36, 36)


def test_a_string_is_no_farther_from_a_line_for_the_words_beside_it():
    alone, joined = line("CURLEW 5"), line("K58219/307 E CURLEW 5")
    # What is left is the chance of misreading that any clean character has.
    assert measure_deviance(alone, MARKS, NOISE)[0] < 0.5
    assert measure_deviance(joined, MARKS, NOISE)[0] == pytest.approx(
        measure_deviance(alone, MARKS, NOISE)[0], abs=1e-9
    )
    assert measure_deviance(line("K58219/307 E CURLEW 4"), MARKS, NOISE)[0] > 3.0
    assert measure_deviance(line("?"), MARKS, NOISE).tolist() == [MAX_DEVIANCE] * len(MARKS.values)


@given(st.text("CURLEW 358", min_size=1, max_size=14))
def test_the_deviance_is_never_below_nought_nor_beyond_its_limit(words):
    deviance = measure_deviance(line(words), MARKS, NOISE)
    assert ((deviance >= 0) & (deviance <= MAX_DEVIANCE)).all()


def test_a_sibling_fits_better_where_the_last_figure_was_read_as_another():
    known = strings_of([("CURLEW 5", 0), ("K58214/302", 1), ("GCRX", 2)])
    better = {
        v: measure_suffix_margin(line(v), known, NOISE)
        for v in ("CURLEW 5", "CURLEW 4", "CUKLEW 5", "K58214/309", "GCRX")
    }
    assert better["CURLEW 5"][0] == 0
    # Twenty to one (3 nats) and more: a 4 is not a 5 with a slip, a K may be an R with one.
    assert better["CURLEW 4"][0] > 3.0
    assert better["CUKLEW 5"][0] == 0
    assert better["K58214/309"][1] > 3.0
    # Without figures at its end a mark has no siblings that are known of.
    assert all(found[2] == 0 for found in better.values())


def test_a_line_that_is_no_mark_speaks_for_no_sibling_of_one():
    # A number's figures fit the free end of a mark better than the mark's own, and neither was read.
    marks = strings_of([("KNOT 41", 0), ("AUK 11", 1)])
    number = line("K58219/307")
    assert score_strings(number, marks, NOISE).max() < 0
    assert measure_suffix_margin(number, marks, NOISE).tolist() == [0, 0]
    # A mark that was read badly still has one, by what it would fit better than some other text.
    assert 0 < measure_suffix_margin(line("KNDI 47"), marks, NOISE)[0] < 20


def test_a_character_lost_and_one_added_each_cost_their_own_probability():
    number = strings_of([("K27418/052", 0)])
    losing = replace(NOISE, character_lost=0.1, character_added=1e-6)
    adding = replace(NOISE, character_lost=1e-6, character_added=0.1)
    shorter, longer = line("K27418/02"), line("K274158/052")
    assert score_strings(shorter, number, losing)[0] > score_strings(shorter, number, adding)[0] + 3
    assert score_strings(longer, number, adding)[0] > score_strings(longer, number, losing)[0] + 3


def measure_deviance(text, strings, noise):
    """How far each string is from the line, of what one pass over it gives."""
    return fit_lines([text], strings, noise)[1][0]


def measure_suffix_margin(text, strings, noise):
    """How much better a sibling of each string would fit, of the same."""
    return fit_lines([text], strings, noise)[2][0]


@pytest.mark.parametrize("value", ["CURLEW 5", "CURLEW S3", "W 3 KNOT", "K58219/307 E", "?"])
@pytest.mark.parametrize("kind", ["printed", "cast"])
@pytest.mark.parametrize("n_strings", [3, 100])  # tables are filled in another way from 64 strings on
def test_a_line_scores_in_a_pass_with_others_as_it_does_alone(value, kind, n_strings) -> None:
    known = strings_of([(f"CURLEW {n}", n) for n in range(n_strings - 1)] + [("KNOT 40", n_strings)])
    text = replace(line(value), kind=kind)
    np.testing.assert_array_equal(fit_lines([text], known, NOISE)[0][0], score_strings(text, known, NOISE))


def test_few_strings_score_as_they_do_among_many() -> None:
    many = strings_of([("CURLEW 5", 0), *((f"{n:06}", n) for n in range(1, 200))])
    alone = strings_of([("CURLEW 5", 0)])
    for part in (score_strings, measure_deviance, measure_suffix_margin):
        assert part(line("CURLEW S"), many, NOISE)[0] == part(line("CURLEW S"), alone, NOISE)[0]


@pytest.mark.parametrize("n_strings", [3, 100])  # below 64 strings all lines go together
def test_lines_score_together_as_they_do_one_by_one(n_strings) -> None:
    known = strings_of([(f"CURLEW {n}", n) for n in range(n_strings - 1)] + [("KNOT 40", n_strings)])
    values = ["CURLEW 5", "?", "W 3 KNOT", "K58219/307 E", "4", "CURLEW S3 5 KNOT"]  # the longest is the last
    texts = [replace(line(value), kind=("printed", "cast")[k % 2]) for k, value in enumerate(values)]
    together = (*fit_lines(texts, known, NOISE), score_lines(texts, known, NOISE))
    for k, text in enumerate(texts):
        one = (*fit_lines([text], known, NOISE), score_lines([text], known, NOISE))
        for ours, theirs in zip(together, one, strict=True):
            np.testing.assert_array_equal(ours[k], theirs[0])
    assert len({row.tobytes() for row in together[0]}) == len(values)
