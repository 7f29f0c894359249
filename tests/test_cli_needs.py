import json


def test_only_what_serves_or_may_is_listed(run) -> None:
    document = json.loads(run("needs", "--throttle", "cable", "--json").out)
    assert document["kind"] == "needs"
    assert document["serving"]
    assert all(row["fit"]["serves"] in {"yes", "unknown"} for row in document["serving"])
    # The demo's hazard families serve no swap, whatever it needs.
    assert not {row["family"] for row in document["serving"]} & {"GANNET 8", "PUFFIN 2"}


def test_needs_narrow_the_list(run) -> None:
    def listed(*words: object) -> set[tuple[str, str]]:
        rows = json.loads(run("needs", *words, "--json").out)["serving"]
        return {(row["family"], row["variant"]) for row in rows}

    wide, narrow = listed("--throttle", "electronic"), listed("--throttle", "electronic", "--crank-teeth", 24)
    assert narrow < wide
    assert ("SANDERLING 9", "early") in narrow
    assert ("SANDERLING 9", "late") in wide - narrow  # 48 teeth


def test_partners_are_named(run) -> None:
    said = run("needs", "--gearbox", "automatic", "--throttle", "electronic")
    assert said.code == 0
    assert "Pair with" in said.out
    assert max(map(len, said.out.splitlines())) <= 80


def test_nothing_serves_is_said(run) -> None:
    assert "Nothing in this catalogue serves" in run("needs", "--year", 2099).out


def test_asking_for_nothing_is_refused(run) -> None:
    said = run("needs")
    assert said.code == 2
    assert "--throttle" in said.err


def test_an_engine_unit_is_no_partner_of_an_engine_unit(run) -> None:
    rows = json.loads(run("needs", "--partner", "AUK 11", "--json").out)["serving"]
    assert rows
    assert json.loads(run("needs", "--partner", "auk 11", "--json").out)["serving"] == rows
    assert "engine" not in {row["controls"] for row in rows}
    assert not json.loads(run("needs", "--partner", "GANNET 8", "--json").out)["serving"]


def test_what_holds_for_some_variants_is_said_with_their_names(run, plain_photo, seen_as) -> None:
    """AUK 11 has a cable variant and an electronic one, CURLEW 3 wheels of 24 and 32; no front tells them."""
    seen_as(faultless=True, throttles=("AUK 11", "early", "front"), wheels=("CURLEW 3", "early", "front"))
    words = ("--throttle", "electronic", "--year", 1998)
    said = " ".join(run("identify", plain_photo("throttles.jpg"), *words).out.split())
    assert "early: it drives a cable throttle, the swap has an electronic one" in said
    assert "late: it comes from 2000 to 2004, the swap is for 1998" in said
    assert " a electronic" not in said
    said = " ".join(run("identify", plain_photo("wheels.jpg"), "--crank-teeth", 24).out.split())
    assert "late: it wants 32 crank teeth, the swap has 24" in said
    assert "early: it wants" not in said


def test_help_says_whether_missing_teeth_count(run) -> None:
    assert "missing ones count" in " ".join(run("needs", "--help").out.replace("│", " ").split())


def test_what_would_serve_and_is_locked_is_named(run):
    said = " ".join(run("needs", "--gearbox", "automatic").out.split())
    assert "Left out, for they are locked: " in said
    assert "DUNLIN 6 second" in said.partition("they are locked: ")[2]
    nothing = run("needs", "--crank-teeth", 399).out
    assert "locked" not in nothing
    assert "photos narrow" not in " ".join(nothing.split())
