"""The answer as a text to send back: what it is, how sure, what photo is still needed."""

from plugface.cli.present.message import message_text
from plugface.cli.present.terminal import fit_line
from plugface.cli.settings import demo_folder
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import (
    Candidate,
    Caution,
    Decision,
    Finding,
    NextPhoto,
    SwapFit,
    VariantChance,
)

CATALOGUE = load_catalogue(demo_folder() / "marrow_finch")
BACK = NextPhoto("back", 2.0, "Turn it round: the label tells the variants apart.")


def identified(variants=("first",), **other) -> Decision:
    """DUNLIN 6, in one variant or in both that its label alone tells apart."""
    told = (VariantChance("first", 0.93), VariantChance("second", 0.07))
    candidates = (Candidate("DUNLIN 6", 3.0, 0.994, (), told),)
    return Decision("identified", "DUNLIN 6.", candidates, ("DUNLIN 6",), variants, **other)


def test_what_it_is_and_how_sure():
    said = message_text(identified(), CATALOGUE).splitlines()
    assert said[0] == (
        "DUNLIN 6, variant first: almost certain (99.4 %). The variant given the family: 93.0 %."
    )
    assert "confirm it by the service number before fitting" in said[1]
    assert said[2] == "Invented demo catalogue: no real product is meant."


def test_what_is_missing_and_what_warns_is_said():
    said = message_text(
        identified(
            ("first", "second"),
            variant_message="Either variant has this front.",
            next_photo=BACK,
            cautions=(Caution("locked", "It may be locked."), Caution("general", "Read the number.")),
            findings=(Finding("front and back disagree", "Two units?"),),
        ),
        CATALOGUE,
    ).splitlines()
    assert said[0] == "Caution: It may be locked."  # first, and without what closes every answer
    assert said[1] == "DUNLIN 6: almost certain (99.4 %)."
    assert said[2] == "Variant first or second: Either variant has this front."
    assert said[3] == "Look at this: Two units?"
    assert said[4] == "Photo still needed: back. Turn it round: the label tells the variants apart."


def test_what_is_not_sure_says_by_how_much():
    candidates = tuple(Candidate(key, 0.0, share) for key, share in (("KNOT 40", 0.55), ("KNOT 41", 0.4)))
    unsure = Decision(
        "ambiguous", "", candidates, ("KNOT 40", "KNOT 41"), next_photo=BACK, unknown_probability=0.05
    )
    said = message_text(unsure, CATALOGUE).splitlines()
    assert said[0] == (
        "Not sure yet: KNOT 40 (55.0 %) or KNOT 41 (40.0 %), or in no family of the catalogue (5.0 %)."
    )
    assert said[1].startswith("Photo still needed: back.")


def test_what_is_surely_one_of_two_is_said_in_the_words_of_the_answer():
    keys = ("SANDERLING 9", "SANDERLING 9 marine")
    for share, closed in ((0.4985, True), (0.49, False)):
        candidates = tuple(Candidate(key, 0.0, share) for key in keys)
        two = Decision(
            "ambiguous", "One of these: ...", candidates, keys, next_photo=BACK, together=2 * share
        )
        assert two.closed == closed
        said = message_text(two, CATALOGUE).splitlines()[0]
        assert (
            said == "One of these: ..." if closed else said.startswith("Not sure yet: SANDERLING 9 (49.0 %)")
        )


def test_none_and_unreadable():
    none = Decision("not_in_catalogue", "In no family.", (), unknown_probability=0.97)
    assert message_text(none, CATALOGUE).startswith("In no family. Sure of that: 97.0 %.")
    bad = Decision("unreadable", "Too dark.", (), next_photo=NextPhoto("front", 1.0, "With more light."))
    assert message_text(bad, CATALOGUE).startswith("Too dark.\nPhoto still needed: front. With more light.")


def test_a_hazard_is_no_part_for_a_swap():
    candidates = (Candidate("PUFFIN 2", 3.0, 0.99, (), (VariantChance("only", 1.0),)),)
    said = message_text(
        Decision("identified", "", candidates, ("PUFFIN 2",), ("only",)), CATALOGUE
    ).splitlines()
    assert said[0] == "Not for swaps."


def test_whether_it_serves_the_swap_is_said_in_one_line_with_its_reasons():
    no = SwapFit("no", ("it drives a cable throttle, the swap has an electronic one", "E is locked"))
    lines = message_text(identified(fit=no), CATALOGUE).splitlines()
    assert lines[1] == (
        "Does not serve the swap: it drives a cable throttle, the swap has an electronic one; E is locked."
    )
    fits = (SwapFit("yes", ("it reads 48 crank teeth",)), SwapFit("yes", ()), SwapFit("unknown", (), ("x",)))
    assert [fit_line(fit) for fit in fits] == [
        "Serves the swap: it reads 48 crank teeth.",
        "Serves the swap.",
        "Whether it serves the swap cannot be told yet: still unknown: x.",
    ]


def test_identify_prints_it_and_no_more(run, plain_photo, seen_as) -> None:
    seen_as(faultless=True, front=("KNOT 40", "E", "front"))
    said = run("identify", plain_photo("front.jpg"), "--message")
    assert said.code == 0, said.err
    first, second, *_ = said.out.splitlines()
    assert first.startswith("Caution: KNOT 40 F is locked")
    assert second.startswith("KNOT 40: almost certain (")
    assert "Evidence" not in said.out
    assert len(said.out.splitlines()) <= 8
    assert "the swap" not in said.out
    asked = run("identify", plain_photo("front.jpg"), "--message", "--year", 2099)
    assert "Does not serve the swap: " in asked.out
