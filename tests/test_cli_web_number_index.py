"""What a phone makes of a number by itself, held against what the program makes of it.

The script runs in a real browser. What it names, the program must name too, with the same variants and in the
same words; where it is not sure, the program may know more, for it weighs misreadings.
"""

import json
from itertools import pairwise

import pytest
from plugface.cli.settings import demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.cli.typed_label import look_at_typed
from plugface.cli.web.number_index import index_numbers
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.catalogue.index import compact, index_catalogue
from plugface.models.identify import identify

CATALOGUES = ("marrow_finch", "pell_works/catalogue")

ANSWERS = """async ([script, copy, entries]) => {
  const { answerNumber, openCopy } = await import(script);
  const opened = openCopy(copy);
  return entries.map((entry) => answerNumber(entry, opened));
}"""


@pytest.fixture(scope="module", params=CATALOGUES)
def catalogue(request):
    return load_catalogue(demo_folder() / request.param)


@pytest.fixture
def ask(script_page, catalogue):
    """What the phone's script says of some entries, from its copy of the catalogue."""
    made, phone = script_page
    script = f"{made.app.state.assets.path}/number_answer.js"
    copy = json.loads(index_numbers(catalogue, 30)[0])
    return lambda entries: phone.evaluate(ANSWERS, [script, copy, list(entries)])


def listed(catalogue):
    """Every number with every suffix that there is for it, as printed on a label."""
    for family in catalogue.families:
        for variant in family.variants:
            for number in variant.service_numbers:
                yield number
                for suffix in variant.suffixes:
                    yield from (f"{number} {suffix}", f"{number}{suffix}", f"{number}/{suffix}".lower())
                    yield f"[)>␞06␝1P{number}␝2P{suffix}␝S00417␞␄"
                yield from (
                    f"  {number[:3]} {number[3:6]} {number[6:]} ",
                    f"PART NO. {number}",
                    f"1P{number}",
                    f"(240){number}",
                )
        yield from (mark.text for mark in family.marks)


def near(catalogue):
    """Each number with one sign too many, too few, exchanged or doubled, in other fields, and two of them."""
    numbers = [n for f in catalogue.families for v in f.variants for n in v.service_numbers]
    for number, other in zip(numbers, [*numbers[1:], numbers[0]], strict=True):
        for at in range(len(number)):
            for sign in "0178B":
                yield number[:at] + sign + number[at + 1 :]
            yield number[:at] + number[at + 1 :]
            yield number[: at + 1] + number[at:]
            yield number[:at] + number[at + 1 : at + 2] + number[at] + number[at + 2 :]
        yield from (
            f"{number}-1",
            f"2{number}",
            f"{number} Z",
            f"{number}X",
            f"S/N {number}",
            f"Serial {number}",
        )
        yield from (f"{number} {other}", f"{number}{other}", f"(21){number}", f"[)>␞06␝S{number}␝Q1␞␄")
        yield from (
            number.replace("0", "O"),
            number.replace("1", "I"),
            f"X{number}",
            f"{number[:5]} {number[5:]}",
        )
    yield from ("", " ", "12V", "03/05", "Ä", "]d2", "[)>", "␝", "(240)", "1P", "REV", "0" * 300)


def judged(entries, catalogue):
    model = default_model()  # which photo to take next takes most of an answer's time, and is not asked here
    return [
        identify([look_at_typed([entry], catalogue)], catalogue, model, advise=False) for entry in entries
    ]


def test_what_is_listed_is_named_as_the_program_names_it(ask, catalogue, some):
    entries = some(dict.fromkeys(listed(catalogue)), 100)
    for entry, said, decision in zip(entries, ask(entries), judged(entries, catalogue), strict=True):
        if said["kind"] == "several":
            assert len(said["families"]) > 1
            fitting = {catalogue.families[place].key for place in said["families"]}
            assert decision.verdict != "identified" or decision.families[0] in fitting, entry
            continue
        assert said["kind"] == "family", entry
        family = catalogue.families[said["families"][0]]
        # The program names the same family alone. Whether it also accepts it hangs on its model and on how a
        # payload in its envelope reads as a line; the phone claims no more than "by its number alone".
        assert decision.families == (family.key,), (entry, decision.message)
        if "␝" not in entry:
            named = {family.variants[place].key for place in said["variants"]}
            assert named == set(decision.variants), (entry, named, decision.variants)


def test_what_is_not_listed_is_never_named_and_nothing_contradicts_the_program(ask, catalogue, some):
    entries = some(dict.fromkeys(near(catalogue)), 800)
    numbers = set(index_catalogue(catalogue).number_rows)
    named = 0
    for entry, said in zip(entries, ask(entries), strict=True):
        if said["kind"] != "family":
            continue
        named += 1
        family = catalogue.families[said["families"][0]]
        own = {compact(n) for v in family.variants for n in v.service_numbers}
        assert any(number in compact(entry) for number in own & numbers), (entry, said)
        decision = judged([entry], catalogue)[0]
        if decision.verdict == "identified":
            assert decision.families == (family.key,), (entry, decision.message)
            kept = {family.variants[place].key for place in said["variants"]}
            assert kept & set(decision.variants), (entry, kept, decision.variants)
    assert 0 < named < len(entries) / 3  # some have a whole number in them; most have none


def test_a_number_in_a_field_of_something_else_names_nothing(ask, catalogue):
    for family in catalogue.families:
        number = family.variants[0].service_numbers[0]
        entries = [
            f"S/N {number}",
            f"SERIAL: {number}",
            f"(21){number}",
            f"[)>␞06␝S{number}␝Q1␞␄",
            f"LOT {number}",
        ]
        entries += [f"{number}-1", f"1-{number}", f"{number}/2"]
        assert {said["kind"] for said in ask(entries)} <= {"none", "form"}, number


def test_two_numbers_of_two_families_are_not_sure(ask, catalogue):
    numbers = [family.variants[0].service_numbers[0] for family in catalogue.families]
    for first, second in pairwise(numbers):
        (said,) = ask([f"{first} {second}"])
        assert said["kind"] == "several"
        assert len(said["families"]) == 2


def test_cautions_pairing_and_lock_are_in_the_words_of_an_answer(serve, phone, catalogue, some):
    made = serve()
    made.yard.catalogue = catalogue
    vars(made.yard).pop("numbers", None)
    phone.goto(made.url)
    entries = {n: v for f in catalogue.families for v in f.variants for n in v.service_numbers}
    heard = set()
    for entry in some(entries, 8):
        decision = judged([entry], catalogue)[0]
        phone.fill("#capture [name=typed]", entry)
        phone.get_by_text(f"Told by {entry} alone").wait_for()
        shown = " ".join(phone.inner_text("#by-number").split())
        for caution in decision.cautions:
            assert " ".join(caution.message.removeprefix(f"{decision.families[0]}: ").split()) in shown, (
                caution
            )
        for partner in decision.partners:
            assert " ".join(partner.message.split()) in shown
        assert decision.families[0] in shown
        assert "No photo was looked at" in shown
        first = phone.locator("#by-number > *").first
        loud = [c for c in decision.cautions if c.name in ("high voltage", "restraint", "locked")]
        assert ("caution" in (first.get_attribute("class") or "")) == bool(loud)
        heard.add(bool(loud))
    assert heard == {True, False}


def label_entries(unit: dict) -> list[str]:
    """What may be typed or scanned from a label: its number, with its suffix, each line, each barcode."""
    number, suffix = unit["service_number"], unit["suffix"]
    printed = [text["value"] for text in unit["texts"] if text["kind"] == "printed"]
    codes = [code["payload"] for code in unit["codes"]]
    return list(dict.fromkeys([number, f"{number} {suffix}", *printed, *codes]))


def test_the_labels_of_the_demos_photos_are_named_right_or_not_at_all(serve, phone):
    """Every label of the demo's photos, those of units that the catalogue does not have among them."""
    catalogue = load_catalogue(demo_folder() / "marrow_finch")
    made = serve()
    phone.goto(made.url)
    rows = [json.loads(line) for line in (demo_folder() / "truth.jsonl").read_text("utf-8").splitlines()]
    units = [unit for row in rows for unit in row["units"]]
    asked = {
        (entry, unit["family"], unit["variant"], unit["known"])
        for unit in units
        for entry in label_entries(unit)
    }
    asked = sorted(asked)
    script = f"{made.app.state.assets.path}/number_answer.js"
    copy = json.loads(index_numbers(catalogue, 30)[0])
    said = phone.evaluate(ANSWERS, [script, copy, [entry for entry, *_ in asked]])
    numbers = {unit["service_number"] for unit in units}
    right = {True: 0, False: 0}  # of whole numbers and of all else
    for (entry, key, variant, known), answer in zip(asked, said, strict=True):
        if answer["kind"] != "family":
            assert entry not in numbers or not known, entry
            continue
        family = catalogue.families[answer["families"][0]]
        kept = [family.variants[place].key for place in answer["variants"]]
        assert known, (entry, key, family.key)
        assert family.key == key, (entry, key, family.key)
        assert variant in kept, (entry, variant, kept)
        right[entry in numbers] += 1
    print(f"labels of {len(units)} units, {len(asked)} entries: named {right}, wrong 0")
    assert right[True] >= 20
    assert right[False] >= 30
