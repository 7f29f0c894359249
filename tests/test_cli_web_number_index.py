"""What a phone makes of a number by itself, held against what the program makes of it.

The script runs in a real browser. What it names, the program must name too, with the same variants and in the
same words; where it is not sure, the program may know more, for it weighs misreadings.
"""

import json
import re
from itertools import combinations, pairwise

import pytest
from plugface.cli.settings import demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.cli.typed_label import look_at_typed, typed_label
from plugface.cli.web import number_index
from plugface.cli.web.number_index import index_numbers
from plugface.models.catalogue.entries import Catalogue, CostTable, load_catalogue
from plugface.models.catalogue.index import compact, index_catalogue
from plugface.models.identify import identify
from plugface.models.learning.invent import invent_catalogue

CATALOGUES = ("marrow_finch", "pell_works/catalogue")

#: Signs between two numbers that were typed in one field.
JOINS = ("/", ",", "-", ", ")

ANSWERS = """async ([script, copy, entries]) => {
  const { answerNumber, openCopy } = await import(script);
  const opened = openCopy(copy);
  return entries.map((entry) => answerNumber(entry, opened));
}"""


@pytest.fixture(scope="module", params=CATALOGUES)
def catalogue(request):
    return load_catalogue(demo_folder() / request.param)


@pytest.fixture(scope="module")
def copies():
    """Copies of catalogues by their identity; each takes a tenth of a second."""
    return {}


@pytest.fixture
def ask_of(script_page, copies):
    """What the phone's script says of some entries, from its copy of a catalogue."""
    made, phone = script_page
    script = f"{made.app.state.assets.path}/number_answer.js"

    def ask_of(catalogue, entries):
        if id(catalogue) not in copies:
            copies[id(catalogue)] = catalogue, json.loads(index_numbers(catalogue, 30)[0])
        _, copy = copies[id(catalogue)]
        return phone.evaluate(ANSWERS, [script, copy, list(entries)])

    return ask_of


@pytest.fixture
def ask(ask_of, catalogue):
    return lambda entries: ask_of(catalogue, entries)


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
    entries = some(dict.fromkeys(listed(catalogue)), 100, 100)
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
    entries = some(dict.fromkeys(near(catalogue)), 800, 1600)
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
            f"DATE {number}",
            f"DATE OF MFG. {number}",
            f"21{number}<GS>10X",
            f"01{'7' * 14}21{number}␝10X",
            f"[)>␞05␝21{number}␝10X␞␄",
        ]
        entries += [f"{number}-1", f"1-{number}", f"{number}/2"]
        assert {said["kind"] for said in ask(entries)} <= {"none", "form"}, number


def test_a_number_behind_a_field_of_something_else_is_named_as_the_program_names_it(ask, catalogue, some):
    """So its cautions are not lost: a date or serial ends where its own value does."""
    for family in some(catalogue.families, 3, 7):
        number = family.variants[0].service_numbers[0]
        entries = [f"S/N 00417 {number}", f"DATE 03/05 {number}", f"MADE IN X {number}", f"{number} LOT 7"]
        entries += [
            f"{number}␝10X",  # not where its first letters are an identifier
            f"21X␝240{number}",
            f"01{'7' * 14}240{number}␝10X",
            f"[)>␞05␝21X␝240{number}␞␄",
        ]
        for entry, said, decision in zip(entries, ask(entries), judged(entries, catalogue), strict=True):
            named = [catalogue.families[place].key for place in said["families"]]
            assert named == list(decision.families), entry
            assert said["kind"] == ("family" if named else "none"), entry
            assert named or entry.endswith("␝10X"), entry


#: What begins a serial, a lot, a quantity or a date in a code.
IDENTIFIERS = "S 1S Q T 1T D SN S/N S/N: SN.- SN:S SER SER- SERIAL SERIAL= s sn".split()  # noqa: SIM905


def begun_with(catalogue, first: str):
    """A catalogue whose numbers begin with this in place of their letters."""

    def begin(number: str) -> str:
        return first + number.lstrip("KP")

    def change(family):
        variants = [
            variant.model_copy(update={"service_numbers": tuple(map(begin, variant.service_numbers))})
            for variant in family.variants
        ]
        form = re.sub("[A-Z]", "[A-Z]", re.sub("[0-9]", "[0-9]", variants[0].service_numbers[0]))
        label = family.label.model_copy(update={"service_number": f"^{form}$"})
        return family.model_copy(update={"label": label, "variants": tuple(variants)})

    return catalogue.model_copy(update={"families": tuple(map(change, catalogue.families))})


@pytest.mark.parametrize("first", ["as listed", "", "S", "B"])
def test_a_serial_a_lot_a_quantity_or_a_date_by_its_identifier_is_no_number(
    script_page, catalogue, first, some
):
    made, phone = script_page
    kept = catalogue if first == "as listed" else begun_with(catalogue, first)
    numbers = [family.variants[0].service_numbers[0] for family in kept.families]
    tried = some([(number, mark) for number in numbers for mark in IDENTIFIERS], 10, 36)  # each mark twice
    entries = [
        entry
        for number, mark in tried
        for entry in (f"{mark}{number}", f"A-{mark}{number}", f"12/{mark}{number} X", f"{number} {mark}00417")
    ]
    unlisted = f"S{numbers[0].lstrip('BKPS')[:-1]}0"  # a serial, but where a listed number begins so
    script = f"{made.app.state.assets.path}/number_answer.js"
    copy = json.loads(index_numbers(kept, 30)[0])
    *said, form = phone.evaluate(ANSWERS, [script, copy, [*entries, unlisted]])
    for entry, told in zip(entries, said, strict=True):
        if told["kind"] == "none":
            continue
        for seen in (look_at_typed([entry], kept), typed_label([], [entry])):  # typed, and from a photo
            decision = identify([seen], kept, default_model(), advise=False)
            named = {kept.families[place].key for place in told["families"]}
            assert named & set(decision.families), (entry, told, decision.message)
    assert {told["kind"] for told in said[3::4]} == {"family"}  # a number before it stays one
    assert form["kind"] == ("form" if first == "S" else "none"), (unlisted, form)


def test_a_listed_suffix_before_its_number_names_no_other_variant(ask, catalogue):
    labels = [
        (variant, f"{before}{suffix}{sign}{number}")
        for family in catalogue.families
        for variant in family.variants
        for suffix in variant.suffixes
        for number in variant.service_numbers
        for sign in (" ", "-", "/")
        for before in ("", "UNIT ")
    ]
    entries = [entry for _, entry in labels]
    for (variant, entry), said, decision in zip(
        labels, ask(entries), judged(entries, catalogue), strict=True
    ):
        family = catalogue.families[said["families"][0]]
        kept = {family.variants[place].key for place in said["variants"]}
        assert decision.families == (family.key,), entry
        assert kept >= {variant.key, *decision.variants}, (entry, kept, decision.variants)


def test_two_numbers_of_two_families_are_not_sure(ask, catalogue):
    numbers = [family.variants[0].service_numbers[0] for family in catalogue.families]
    for pair in pairwise(numbers):
        entries = [*(sign.join(pair) for sign in (" ", *JOINS)), ["S/N 7", *pair]]  # codes of one picture
        for entry, said in zip(entries, ask(entries), strict=True):
            assert said["kind"] == "several", entry
            assert len(said["families"]) == 2, entry


def alike_suffixes(**costs: float) -> Catalogue:
    """A catalogue of variants that are told apart by signs which a camera takes for one another: S was once
    read for R, and 8 and 3 are look-alikes. One of them is locked."""
    demo = load_catalogue(demo_folder() / "marrow_finch")
    model = next(family for family in demo.families if family.key == "KNOT 40")

    def make(key: str, number: str, pattern: str, *variants: tuple[str, str, str]):
        label = model.label.model_copy(update={"service_number": number, "suffix": pattern})
        made = [
            model.variants[0].model_copy(
                update={
                    "key": f"{n} {s}",
                    "service_numbers": (n,),
                    "suffixes": (s,) if s else (),
                    "status": status,
                }
            )
            for n, s, status in variants
        ]
        return model.model_copy(update={"key": key, "label": label, "variants": tuple(made)})

    families = (
        make(
            "BANNOCK",
            r"^OD17\.2\d{2}$",
            "^[A-Z]$",
            ("OD17.204", "R", "usable"),
            ("OD17.204", "S", "locked"),
            ("OD17.291", "R", "locked"),
        ),
        make("FARL", r"^OD40\.1\d{2}$", "^[A-Z]$", ("OD40.118", "A", "usable"), ("OD40.113", "A", "locked")),
        make(
            "BAP",
            r"^OD52\.3\d{2}$",
            "^[A-Z]$",
            ("OD52.366", "", "usable"),  # of any suffix
            ("OD52.366", "T", "locked"),
            ("OD52.391", "", "usable"),
        ),
        make("COB", r"^OD88\.7\d{2}$", "^[A-Z]$", ("OD88.704", "K", "usable")),
    )
    head = demo.head.model_copy(update={"costs": CostTable(**costs) if costs else None})
    return Catalogue(head=head, families=families, sha256="alike")


@pytest.mark.parametrize(
    ("costs", "any_told"),
    [
        ({}, True),
        ({"wrong_accept": 500.0}, True),
        ({"wrong_accept": 520.0, "wrong_refusal": 50.0}, True),
        ({"wrong_refusal": 100.0}, False),  # a number that is not listed is never ruled out
        ({"wrong_accept": 5000.0}, False),
        ({"wrong_accept": 100_000.0}, False),
    ],
)
def test_the_phone_is_never_surer_of_a_variant_than_the_program(ask_of, costs, any_told, some):
    """Whatever the catalogue and its costs: what stays open there stays open here, and its locks are said."""
    catalogue = alike_suffixes(**costs)
    labels = {n: None for f in catalogue.families for v in f.variants for n in v.service_numbers}
    entries = [
        entry
        for number in labels
        for entry in (
            number,
            f"(240){number}",
            *(
                f"{number}{sign}{suffix}"
                for sign in (" ", "-", " REV ", "")
                for suffix in ("R", "S", "A", "T", "K", "X")
            ),
        )
    ]
    entries = some(entries, 83, 83)  # each sign before each suffix, of one number or another
    named = 0
    for entry, said, decision in zip(
        entries, ask_of(catalogue, entries), judged(entries, catalogue), strict=True
    ):
        if said["kind"] != "family" or not decision.families:
            continue
        family = catalogue.families[said["families"][0]]
        kept = {family.variants[place].key for place in said["variants"]}
        assert family.key in decision.families, (entry, decision.message)
        if decision.families[0] == family.key:
            assert kept >= set(decision.variants), (entry, kept, decision.variants, decision.variant_message)
        named += len(kept) == 1 and len(family.variants) > 1
    assert (named > 0) == any_told, named


def test_only_what_a_camera_takes_for_another_stays_open(ask_of):
    catalogue = alike_suffixes()
    said = ask_of(catalogue, ["OD 17.204-R", "OD 17.204-S", "OD 17.204-X", "OD 88.704-X"])
    assert [(one["variants"], one["listed"], one["unlisted"]) for one in said] == [
        ([0], [0], False),
        ([0, 1], [1], False),
        ([0, 1, 2], [0, 1], True),  # it may be of none, and of which else nobody knows
        ([0], [0], True),
    ]


def test_families_that_share_numbers_alike_are_judged_once(monkeypatch):
    """So the copy of a large catalogue takes no more than twice the time that it took without."""
    asked = []
    monkeypatch.setattr(
        number_index, "identify", lambda *given, **named: asked.append(given) or identify(*given, **named)
    )
    index_numbers(invent_catalogue(400, 5), 30)
    assert 0 < len(asked) <= 40


def labels_of_two_variants(catalogue):
    """Pairs of what labels of one family bear, of which no variant has both, with the variants of either."""
    for family in catalogue.families:
        labels = {}
        for variant in family.variants:
            for number in variant.service_numbers:
                for suffix in variant.suffixes or ("",):
                    labels.setdefault(f"{number} {suffix}".strip(), set()).add(variant.key)
        for (first, one), (second, other) in combinations(labels.items(), 2):
            if one.isdisjoint(other):
                yield family, first, second, one | other


def test_two_numbers_or_suffixes_of_one_family_leave_the_variants_of_both(ask, catalogue, some):
    for family, first, second, both in some(list(labels_of_two_variants(catalogue)), 8, 12):
        pairs = [(first, second), (second, first)]
        entries = [sign.join(pair) for pair in pairs for sign in (" ", *JOINS)]
        for entry, said, decision in zip(entries, ask(entries), judged(entries, catalogue), strict=True):
            if said["kind"] != "family":  # figures on both sides of the sign: neither is named
                assert said["kind"] == "form", entry
                continue
            kept = {family.variants[place].key for place in said["variants"]}
            assert said["rivals"], entry
            assert kept >= both, (entry, kept)
            assert decision.verdict != "identified" or kept >= set(decision.variants), (entry, kept)


def test_labels_of_two_variants_are_no_green_light(serve, phone):
    made = serve()
    phone.goto(made.url)
    for entry, shown in (
        ("K31370/141 K31377/146", "K31370/141, K31377/146"),  # which differ in nothing that a swap hangs on
        ("K44510/261A/K44510/261C", "K44510/261 A, K44510/261 C"),
    ):
        phone.fill("#capture [name=typed]", entry)
        phone.get_by_text(f"Told by {shown} alone").wait_for()
        assert phone.inner_text("#by-number .badge") == "By its number alone: variant open"
        assert f"has all of {shown}: re-labelled" in phone.inner_text("#by-number")
    assert "locked" in phone.inner_text("#by-number .caution")


def test_cautions_pairing_and_lock_are_in_the_words_of_an_answer(serve, phone, catalogue, some):
    made = serve()
    made.yard.catalogue = catalogue
    vars(made.yard).pop("numbers", None)
    phone.goto(made.url)
    entries = {n: v for f in catalogue.families for v in f.variants for n in v.service_numbers}
    heard = set()
    for entry in some(entries, 8, 14):
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


def test_what_stays_open_is_shown_open_with_its_lock(serve, phone):
    made = serve()
    made.yard.catalogue = alike_suffixes()
    vars(made.yard).pop("numbers", None)
    phone.goto(made.url)
    for entry, read, words, locked in (
        ("OD 17.204-S", "OD 17.204 S", "does not tell them apart surely enough", True),
        ("OD 17.204-X", "OD 17.204", "is listed for none of the variants", True),
        ("OD 88.704-X", "OD 88.704", "is listed for none of the variants", False),
    ):
        phone.fill("#capture [name=typed]", entry)
        phone.get_by_text(f"Told by {read} alone").wait_for()
        assert phone.inner_text("#by-number .badge") == "By its number alone: variant open"
        assert ("is not ruled out" in phone.inner_text("#by-number")) == locked
        assert words in phone.inner_text("#by-number")
        (decision,) = judged([entry], made.yard.catalogue)
        assert decision.variant_message in " ".join(phone.inner_text("#by-number").split())


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
