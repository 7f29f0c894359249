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

    wide, narrow = listed("--throttle", "electronic"), listed("--throttle", "electronic", "--crank-teeth", 58)
    assert narrow < wide


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
    rows = json.loads(run("needs", "--partner", "TERN 2", "--json").out)["serving"]
    assert rows
    assert "engine" not in {row["controls"] for row in rows}
    assert not json.loads(run("needs", "--partner", "GANNET 8", "--json").out)["serving"]


def test_what_holds_for_some_variants_is_said_with_their_names(run, plain_photo, seen_as) -> None:
    """PETREL 5 has a cable variant with 36 teeth and an electronic one with 60; the front tells neither."""
    seen_as(faultless=True, front=("PETREL 5", "cable", "front"))
    photo = plain_photo("front.jpg")
    said = " ".join(run("identify", photo, "--crank-teeth", 36, "--throttle", "electronic").out.split())
    assert "cable: it drives a cable throttle, the swap has an electronic one" in said
    assert "electronic: it wants 60 crank teeth, the swap has 36" in said
    assert " a electronic" not in said
