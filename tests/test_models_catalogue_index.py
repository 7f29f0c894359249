"""A catalogue's numbers as they are compared: with a slash, and as barcodes can carry them."""

import pytest
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import compile_pattern, load_catalogue
from plugface.models.catalogue.index import compact, index_catalogue, name_families, place_plugs
from plugface.models.matching.error_model import ErrorModel
from plugface.models.matching.text_fit import score_strings
from plugface.vision.observations import Text

DEMOS = (demo_folder() / "marrow_finch", demo_folder() / "pell_works" / "catalogue")
CATALOGUES = [load_catalogue(folder) for folder in DEMOS]
SLASHED = CATALOGUES[1]


@pytest.mark.parametrize("catalogue", CATALOGUES, ids=lambda catalogue: catalogue.head.name)
def test_numbers_with_a_slash_stay_apart_once_it_is_dropped(catalogue):
    numbers = {n for f in catalogue.families for v in f.variants for n in v.service_numbers}
    assert all("/" in number for number in numbers)
    assert len({compact(number) for number in numbers}) == len(numbers)


@pytest.mark.parametrize(
    "read", ["{}", "NO. {}", "{} C", "{0[0]}{0[1]} {0[2]}{0[3]}{0[4]}{0[5]}/{0[7]}{0[8]}"]
)
def test_a_number_with_a_slash_is_found_as_whole_words(read):
    """Every number of the second maker, alone, after a caption, before a suffix, and set in groups."""
    strings = index_catalogue(SLASHED).numbers
    for number in (n for f in SLASHED.families for v in f.variants for n in v.service_numbers):
        text = Text((), read.format(number), 0.95, "printed", 20.0)
        odds = score_strings(text, strings, ErrorModel())
        best = odds.argmax()
        assert strings.values[best] == compact(number)
        others = [odd for place, odd in enumerate(odds) if place != best]
        assert odds[best] > 5.0  # nats: far better than chance
        assert odds[best] - max(others) > 3.0  # nats: the nearest other number differs in two characters


@pytest.mark.parametrize("slash", ["/", "", " ", "1", "I", "7"])
def test_a_slash_misread_or_lost_costs_little(slash):
    """A slash read for a character is one character too many; it must not make another number of it."""
    strings = index_catalogue(SLASHED).numbers
    odds = score_strings(Text((), f"PK2104{slash}16", 0.9, "printed", 20.0), strings, ErrorModel())
    assert strings.values[odds.argmax()] == "PK210416"
    assert odds.max() > 3.0


@pytest.mark.parametrize("folder", DEMOS, ids=lambda folder: folder.name)
def test_no_number_starts_with_what_the_demo_s_barcode_writer_drops(folder):
    """python-barcode leaves out a leading 99 of a Code 128: such a number would get another unit's code."""
    for family in load_catalogue(folder).families:
        numbers = [n for variant in family.variants for n in variant.service_numbers]
        assert numbers
        assert not [number for number in numbers if number.startswith("99")]
        assert all(compile_pattern(family.label.service_number).fullmatch(number) for number in numbers)


def test_a_text_names_a_family_only_where_it_was_read_whole():
    index = index_catalogue(load_catalogue(demo_folder() / "marrow_finch"))
    for written in ("K27418/052", "K27418-052", "K27 418 052", "k27418052"):
        assert name_families(index, [written], []) == {"AUK 11"}
    assert name_families(index, ["AUK 11"], []) == {"AUK 11"}
    assert name_families(index, [], ["K27418/052AA"]) == {"AUK 11"}
    assert name_families(index, ["AUK", "K27 418", "2026-11-28", ""], ["XK27418/052"]) == frozenset()
    # A mark that two families bear names both: the label alone tells them apart.
    assert name_families(index, ["SANDERLING 9"], []) == {"SANDERLING 9", "SANDERLING 9 marine"}


def test_plugs_beyond_an_edge_belong_to_what_is_outlined():
    family = CATALOGUES[0].by_key["CURLEW 3"]
    plug = family.connectors[0]

    def placed(size_mm, *middles):
        plugs = tuple(plug.model_copy(update={"at_mm": middle}) for middle in middles)
        body = family.body.model_copy(update={"size_mm": (*size_mm, 30.0)})
        return place_plugs(family.model_copy(update={"body": body, "connectors": plugs})).tolist()

    # On the face, and at its very edge, the body is the whole.
    assert placed((200, 100), (-50, 25), (0, 50)) == [[-0.25, 0.25], [0.0, 0.5]]
    # 10 mm beyond the upper edge: the whole reaches from -50 to 70, so its middle is at 10.
    assert placed((200, 100), (0, 60), (50, -50)) == [[0.0, 50 / 120], [0.25, -0.5]]
    # Out of two edges that face each other the middle stays.
    assert placed((200, 100), (-110, 0), (110, 0)) == [[-110 / 240, 0.0], [110 / 240, 0.0]]
    assert placed((200, 100)) == []
    # And that is what a photo is held against.
    index = index_catalogue(CATALOGUES[0])
    row = [one.key for one in index.families].index("CURLEW 3")
    assert index.place[row, 0].tolist() == place_plugs(family)[0].tolist() != [0.0, 55.8 / 96]
