"""What one field takes, a line as it is printed or a barcode's payload, and how surely it is right."""

import pytest
from plugface.cli.settings import demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.cli.typed_label import look_at_typed
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.costs import Costs
from plugface.models.identify import identify


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue(demo_folder() / "marrow_finch")


@pytest.mark.parametrize("caption", ["S/N:", "SN-", "S/N/", "DATE-", "DATE:", "MFG:", "SERIAL-NO:", "LOT="])
def test_a_number_glued_to_the_caption_of_something_else_names_nothing(catalogue, caption):
    """`DATE-K27418/052` was taken for a payload, and payloads know no captions."""
    seen = look_at_typed([f"{caption}K27418/052"], catalogue)
    assert not seen.codes
    assert not identify([seen], catalogue, default_model(), advise=False).families


@pytest.mark.parametrize(
    "entry", ["REF:K27418/052", "1PK27418/052", "SN-12345;K27418/052", "QTY:1;K27418/052", "MADE-K27418/052"]
)
def test_a_payload_with_a_number_of_its_own_stays_one(catalogue, entry):
    seen = look_at_typed([entry], catalogue)
    assert [code.payload for code in seen.codes] == [entry]
    assert identify([seen], catalogue, default_model(), advise=False).families == ("AUK 11",)


def test_what_is_typed_stays_as_it_is_otherwise(catalogue):
    entries = ["K27418/052", "PUFFIN-2", "DATE-12/04", "12V", "S/N 27418/05"]
    assert [text.value for text in look_at_typed(entries, catalogue).texts] == entries


def test_a_suffix_that_was_typed_tells_its_variant_where_mistakes_are_dearer(catalogue):
    """At the costs that own_catalogue.md gives as an example; not E from F, which a camera takes for it."""
    for suffix, kept in (("G", {"G"}), ("E", {"E", "F"})):
        typed = look_at_typed([f"K58214/302 {suffix}"], catalogue)
        costs = Costs(wrong_accept=500)
        decision = identify([typed], catalogue, default_model(), costs=costs, advise=False)
        assert decision.families == ("KNOT 40",)
        assert set(decision.variants) == kept, decision.variant_message
        usual = identify([typed], catalogue, default_model(), advise=False)
        assert usual.variants == (suffix,)
