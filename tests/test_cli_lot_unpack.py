"""What a phone saved as one file, taken apart: what is in it, and what must never be written."""

import json
import random
import sys
import zipfile
from contextlib import closing
from dataclasses import dataclass, replace
from hashlib import sha256

import cloudpickle
import numpy as np
import pytest
from plugface.analysis import Settings, decide_observed
from plugface.cli.commands.sort import remarks
from plugface.cli.lot import unpack
from plugface.cli.lot.scan import FolderError, scan_folder
from plugface.cli.lot.sorting import Plan, say_typed, sort_lot
from plugface.cli.lot.unpack import Asked, unpack_photos
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.settings import demo_folder
from plugface.cli.store.learned_model import default_model
from plugface.cli.store.ledger import Ledger, Proposal, Unit
from plugface.cli.typed_label import look_at_typed
from plugface.cli.web.answering import TYPED
from plugface.codec import read_observations, write_decision, write_observations
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.pairing import Needs
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from sqlalchemy import select

cloudpickle.register_pickle_by_value(sys.modules[__name__])  # the workers cannot import this file

pytestmark = pytest.mark.usefixtures("look_once")

DEMO = demo_folder() / "marrow_finch"
NUMBER = "K31370/141"  # of the variant home of CURLEW 5


@pytest.fixture
def pack(tmp_path):
    """Make a file of names and bytes."""

    def make(files: dict[str, bytes], name="photos.zip"):
        path = tmp_path / name
        with zipfile.ZipFile(path, "w") as packed:
            for inside, data in files.items():
                packed.writestr(zipfile.ZipInfo(inside, (2026, 11, 28, 9, 30, 0)), data)
        return path

    return make


def test_each_unit_is_a_folder_and_what_was_typed_is_told(pack, tmp_path):
    said = json.dumps({"typed": ["K27 104 / 051"], "claimed": ""}).encode()
    file = pack({"unit-001/1-front.jpg": b"one", "unit-001/2-back.png": b"two!", "unit-001/unit.json": said})
    unpacked = unpack_photos(file, tmp_path / "out")
    assert {photo.path for photo in scan_folder(str(unpacked.folder)).photos} == {
        "unit-001/1-front.jpg",
        "unit-001/2-back.png",
    }
    assert (tmp_path / "out/unit-001/2-back.png").read_bytes() == b"two!"
    assert unpacked.typed == {"unit-001": ("K27 104 / 051",)}
    taken = {photo.written_at.year for photo in scan_folder(str(unpacked.folder)).photos}
    assert taken == {2026}


def test_a_second_time_nothing_is_written_anew(pack, tmp_path):
    file = pack({"a/1.jpg": b"one"})
    unpack_photos(file, tmp_path / "out")
    before = (tmp_path / "out/a/1.jpg").stat().st_ino
    unpack_photos(file, tmp_path / "out")
    assert (tmp_path / "out/a/1.jpg").stat().st_ino == before


@pytest.mark.parametrize("name", ["../x.jpg", "/x.jpg", "a/../../x.jpg", "..\\x.jpg", "C:x.jpg"])
def test_what_leads_out_is_refused_and_nothing_of_the_file_is_written(pack, tmp_path, name):
    file = pack({"a/1.jpg": b"one", name: b"two"})
    with pytest.raises(FolderError, match="leads out"):
        unpack_photos(file, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_link_in_the_file_is_written_as_what_it_holds(tmp_path):
    path = tmp_path / "photos.zip"
    link = zipfile.ZipInfo("a/1.jpg")
    link.external_attr = 0o120777 << 16  # a symbolic link, as Unix packs one
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(link, "/etc/hostname")
    unpack_photos(path, tmp_path / "out")
    assert not (tmp_path / "out/a/1.jpg").is_symlink()
    assert (tmp_path / "out/a/1.jpg").read_bytes() == b"/etc/hostname"


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda data: data[:-30], "cannot be unpacked"),
        (lambda data: data.replace(b"PICTURE", b"PICTURF"), "cannot be unpacked"),  # its checksum tells
        (lambda data: b"", "cannot be unpacked"),
        (lambda data: data.replace(b"1.jpg", b"1.txt"), "no photo"),
    ],
)
def test_a_damaged_file_is_one_line(pack, tmp_path, damage, said):
    file = pack({"a/1.jpg": b"PICTURE"})
    file.write_bytes(damage(file.read_bytes()))
    with pytest.raises(FolderError, match=said):
        unpack_photos(file, tmp_path / "out")


def test_too_much_is_refused_before_any_is_written(pack, tmp_path, monkeypatch):
    monkeypatch.setattr(unpack, "MAX_PHOTOS", 1)
    with pytest.raises(FolderError, match="at most 1"):
        unpack_photos(pack({"1.jpg": b"1", "2.jpg": b"2"}), tmp_path / "out")
    monkeypatch.setattr(unpack, "MAX_BYTES", 3)
    with pytest.raises(FolderError, match="4 bytes"):
        unpack_photos(pack({"1.jpg": b"1234"}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_file_that_unpacks_to_far_more_than_its_size_is_refused(tmp_path):
    file = tmp_path / "photos.zip"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_BZIP2) as packed:
        packed.writestr("a/1.jpg", bytes(5_000_000))
    with pytest.raises(FolderError, match="5,000,000 bytes, more than 20 times its size"):
        unpack_photos(file, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("way", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_damage_in_any_way_of_packing_is_one_line(tmp_path, way):
    file = tmp_path / "photos.zip"
    with zipfile.ZipFile(file, "w", way) as packed:
        packed.writestr("a/1.jpg", random.Random(7).randbytes(3000))
    data = bytearray(file.read_bytes())
    data[50:90] = b"\xff" * 40
    file.write_bytes(data)
    with pytest.raises(FolderError, match="cannot be unpacked"):
        unpack_photos(file, tmp_path / "out")


@pytest.mark.parametrize(
    "names", [("a/1.jpg", "a/1.JPG"), ("a/1.jpg", "a/./1.jpg"), ("a.jpg/1.jpg", "a.jpg")]
)
def test_no_photo_takes_the_place_of_another(pack, tmp_path, names):
    with pytest.raises(FolderError, match=r"twice|folder"):
        unpack_photos(pack({name: name.encode() for name in names}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_name_that_no_disk_takes_is_said_before_anything_is_written(pack, tmp_path):
    with pytest.raises(FolderError, match="too long"):
        unpack_photos(pack({"b.jpg": b"1", "a/" + "x" * 300 + ".jpg": b"2"}), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_another_photo_of_the_same_name_and_size_is_written(pack, tmp_path):
    unpack_photos(pack({"a/1.jpg": b"one"}), tmp_path / "out")
    unpack_photos(pack({"a/1.jpg": b"two"}), tmp_path / "out")
    assert (tmp_path / "out/a/1.jpg").read_bytes() == b"two"


@pytest.mark.parametrize("said", [b"[", b"[" * 5000, b"[]", b'{"typed": 3}', b'{"typed": [3]}'])
def test_what_cannot_be_read_beside_a_unit_is_left(pack, tmp_path, said):
    assert unpack_photos(pack({"a/1.jpg": b"1", "a/unit.json": said}), tmp_path / "out").typed == {}


@dataclass(frozen=True)
class KnowsWhatIsSeen(PipelineAnalyser):
    """Decides as ever; what it sees in a photo stands in its bytes."""

    def observe(self, data: bytes, name: str):
        return replace(read_observations(data.decode()), photo_sha256=sha256(data).hexdigest()), b""


def drawn(family: str, variant: str, view: str, seed: int = 0) -> bytes:
    """What is seen in a photo of a unit of the demo, drawn by chance."""
    entry = load_catalogue(DEMO).by_key[family]
    which = next(each for each in entry.variants if each.key == variant)
    seen = draw_observations(entry, which, view, ErrorModel(), np.random.default_rng(seed))
    return write_observations(seen).encode()


@pytest.fixture
def sort_saved(pack, tmp_path):
    """Sort what a phone saved: the outcome, and the latest proposal of each unit by its key."""

    def sort(files: dict[str, bytes], out: str = "run"):
        unpacked = unpack_photos(pack(files, f"{out}.zip"), tmp_path / f"{out}-photos")
        plan = Plan(str(unpacked.folder), DEMO, tmp_path / out, typed=unpacked.typed, asked=unpacked.asked)
        outcome = sort_lot(plan, analyser=KnowsWhatIsSeen(DEMO))
        with closing(Ledger(tmp_path / out / "ledger.sqlite")) as book, book.reading() as session:
            query = (
                select(Unit.key, Proposal).join(Proposal, Proposal.unit_id == Unit.id).order_by(Proposal.id)
            )
            rows = dict(session.execute(query).all())
            session.expunge_all()
        return outcome, list(rows.values())

    return sort


def said(*typed: str, **more: object) -> bytes:
    return json.dumps({"typed": typed, **more}).encode()


def test_what_was_typed_on_the_phone_counts_as_on_the_yard_page(sort_saved):
    front = drawn("CURLEW 5", "home", "front")
    _, (without,) = sort_saved({"unit-001/a-front-1.jpg": front}, "without")
    outcome, (proposal,) = sort_saved({"unit-001/a-front-1.jpg": front, "unit-001/unit.json": said(NUMBER)})
    assert (outcome.typed, outcome.typed_left) == (1, ())
    assert without.variant == ""
    assert (proposal.family, proposal.variant) == ("CURLEW 5", "home")
    assert "typed" not in without.message
    assert f'"{NUMBER}" was typed or scanned on the phone' in proposal.message
    catalogue = load_catalogue(DEMO)
    seen = [read_observations(front.decode()), look_at_typed([NUMBER], catalogue)]
    on_page = decide_observed(["front.jpg", TYPED], seen, catalogue, model=default_model()).decision
    sorted_so, shown_so = json.loads(proposal.decision), json.loads(write_decision(on_page))
    assert len(sorted_so.pop("turned")) == len(
        shown_so.pop("turned")
    )  # photos by their hash: here drawn ones
    assert sorted_so == shown_so
    again, _ = sort_saved({"unit-001/a-front-1.jpg": front, "unit-001/unit.json": said(NUMBER)})
    assert (again.decided_now, again.typed) == (0, 1)
    anew, rows = sort_saved({"unit-001/a-front-1.jpg": front, "unit-001/unit.json": said("K31377/146")})
    assert (anew.decided_now, len(rows)) == (1, 1)  # another number is another question


def test_a_typed_number_that_contradicts_the_photos_is_a_finding(sort_saved):
    photos = {f"unit-001/a-{view}-1.jpg": drawn("CURLEW 5", "home", view) for view in ("front", "back")}
    _, (without,) = sort_saved(photos, "without")
    _, (proposal,) = sort_saved({**photos, "unit-001/unit.json": said("K90515/884")})
    assert (without.verdict, without.findings) == ("identified", "")
    assert proposal.verdict == "ambiguous"
    assert proposal.findings


def test_a_number_typed_for_a_folder_of_several_units_counts_for_none(sort_saved):
    files = {
        "unit-001/u1_front.jpg": drawn("CURLEW 5", "home", "front"),
        "unit-001/u2_front.jpg": drawn(
            "AUK 11", load_catalogue(DEMO).by_key["AUK 11"].variants[0].key, "front"
        ),
        "unit-001/unit.json": said(NUMBER),
        "unit-002/unit.json": said("K90515/884"),
    }
    outcome, rows = sort_saved(files)
    assert len(rows) == 2
    assert (outcome.typed, outcome.typed_left) == (0, ("unit-001", "unit-002"))
    assert not any("typed" in row.message for row in rows)
    assert "typed for unit-001, unit-002 counted for none" in " ".join(remarks(outcome))


def test_a_photo_that_cannot_be_read_takes_no_number_from_the_other(sort_saved):
    files = {"unit-001/a-front-1.jpg": drawn("CURLEW 5", "home", "front"), "unit-001/a-back-2.jpg": b"{"}
    outcome, rows = sort_saved({**files, "unit-001/unit.json": said(NUMBER)})
    assert outcome.broken == 1
    assert sorted("typed" in row.message for row in rows) == [False, True]


def test_a_claim_made_on_the_phone_is_judged_as_on_the_yard_page(sort_saved):
    photos = {f"unit-001/a-{view}-1.jpg": drawn("CURLEW 5", "home", view) for view in ("front", "back")}
    _, (without,) = sort_saved(photos, "without")
    told = {"unit-001/unit.json": said(claimed="curlew 5")}
    outcome, (right,) = sort_saved({**photos, **told}, "right")
    assert (outcome.asked, outcome.asked_left, outcome.typed) == (1, (), 0)
    assert "It was claimed to be CURLEW 5: agrees." in right.message
    assert right.message.startswith(without.message)
    assert (right.family, right.variant, right.bin) == (without.family, without.variant, without.bin)
    assert json.loads(right.decision)["verdict"] == "identified"
    catalogue = load_catalogue(DEMO)
    seen = [KnowsWhatIsSeen(DEMO).observe(data, "")[0] for data in photos.values()]
    page = decide_observed(
        list(photos), seen, catalogue, settings=Settings(claimed="CURLEW 5"), model=default_model()
    )
    assert page.opinion.message in right.message
    _, (wrong,) = sort_saved({**photos, "unit-001/unit.json": said(claimed="AUK 11")}, "wrong")
    assert "It was claimed to be AUK 11: disagrees." in wrong.message
    assert (wrong.family, wrong.bin) == (without.family, without.bin)  # a seller's word moves no unit
    assert "1 unit held against what was claimed" in " ".join(remarks(outcome))


def test_what_a_swap_needs_is_checked(sort_saved):
    photos = {f"unit-001/a-{view}-1.jpg": drawn("CURLEW 5", "home", view) for view in ("front", "back")}
    answers = {}
    for kind in ("cable", "electronic"):
        told = {"unit-001/unit.json": said(needs={"throttle": kind, "year": ""})}
        outcome, (proposal,) = sort_saved({**photos, **told}, kind)
        assert (outcome.asked, outcome.asked_left) == (1, ())
        fit = json.loads(proposal.decision)["fit"]
        assert fit["reasons"]
        assert all(reason in proposal.message for reason in fit["reasons"])
        answers[fit["serves"]] = proposal.message
    assert answers.keys() - {"no"}
    assert "For the swap that was described: it does not serve." in answers["no"]
    again, _ = sort_saved({**photos, **told}, kind)
    assert again.decided_now == 0
    changed, _ = sort_saved({**photos, "unit-001/unit.json": said(needs={"throttle": "cable"})}, kind)
    assert changed.decided_now == 1  # what is said anew is decided anew


def test_what_the_catalogue_cannot_judge_is_said_in_the_row(sort_saved):
    front = {"unit-001/a-front-1.jpg": drawn("CURLEW 5", "home", "front")}
    told = said(claimed="GREBE 99", needs={"partner": "GREBE 98", "gearbox": "manual"})
    outcome, (proposal,) = sort_saved({**front, "unit-001/unit.json": told}, "unknown")
    assert 'It was claimed to be "GREBE 99", which the catalogue does not have.' in proposal.message
    assert 'It is wanted for "GREBE 98", which the catalogue does not have.' in proposal.message
    assert "For the swap that was described" in proposal.message  # the gearbox is judged all the same
    assert (outcome.asked, outcome.asked_left) == (1, ("unit-001",))
    assert "for unit-001 not all was judged" in " ".join(remarks(outcome))
    outcome, (proposal,) = sort_saved({**front, "unit-001/unit.json": said(needs={"year": "soon"})}, "year")
    assert "Something that was said of it on the phone cannot be read." in proposal.message
    assert (outcome.asked, outcome.asked_left) == (0, ("unit-001",))


@pytest.mark.parametrize(
    ("more", "asked"),
    [
        ({"claimed": " AUK 11 ", "needs": {}}, Asked("AUK 11")),
        (
            {"needs": {"gearbox": "manual", "crank_teeth": 60}},
            Asked(needs=Needs(gearbox="manual", crank_teeth=60)),
        ),
        ({"claimed": 3}, Asked(unclear=True)),
        ({"claimed": "x" * 81}, Asked(unclear=True)),
        ({"needs": {"gearbox": "both"}}, Asked(unclear=True)),
        ({"needs": {"crank_teeth": 401}}, Asked(unclear=True)),
        ({"needs": {"year": True}}, Asked(unclear=True)),
        ({"needs": {"colour": "red"}}, Asked(unclear=True)),
        ({"needs": [1]}, Asked(unclear=True)),
        ({"claimed": "AUK 11", "needs": {"year": 1949}}, Asked("AUK 11", unclear=True)),
        ({"claimed": None, "needs": None}, None),
    ],
)
def test_what_was_claimed_and_needed_is_read_as_the_page_takes_it(pack, tmp_path, more, asked):
    unpacked = unpack_photos(pack({"a/1.jpg": b"1", "a/unit.json": said(**more)}), tmp_path / "out")
    assert unpacked.asked == ({"a": asked} if asked else {})
    assert unpacked.typed == {}


def test_a_claim_for_a_folder_of_several_units_is_judged_for_none(sort_saved):
    files = {
        "unit-001/u1_front.jpg": drawn("CURLEW 5", "home", "front"),
        "unit-001/u2_front.jpg": drawn("CURLEW 5", "home", "front", 1),
        "unit-001/unit.json": said(claimed="CURLEW 5"),
    }
    outcome, rows = sort_saved(files)
    assert (len(rows), outcome.asked, outcome.asked_left) == (2, 0, ("unit-001",))
    assert not any("claimed" in row.message for row in rows)


def test_a_donors_number_is_not_said():
    assert "1M8GDM9AXKP042788" not in say_typed(("1M8GDM9AXKP042788",))


def test_the_command_takes_what_was_typed_from_the_file(run, pack, plain_photo, seen_as, tmp_path):
    seen_as(**{"a-front-1": ("AUK 11", "early", "front")})
    photos = {f"unit-001/a-front-{k}.jpg": plain_photo(f"{k}.jpg").read_bytes() for k in ("1", "2222222")}
    file = pack({**photos, "unit-001/unit.json": said(NUMBER)})
    ran = run("sort", file, "--out", tmp_path / "run", "--no-pdf", "--workers", 1, "--json")
    assert ran.code == 0, ran.err
    out = json.loads(ran.out)
    assert (out["photos"], out["typed"], out["typed_left"]) == (2, 1, [])
    assert (tmp_path / "run-photos/unit-001/a-front-1.jpg").is_file()
    again = run("sort", file, "--out", tmp_path / "run", "--no-pdf", "--workers", 1)
    assert again.code == 0, again.err
    assert "For 1 unit what was typed" in " ".join(again.out.split())
