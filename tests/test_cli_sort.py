"""Sorting a lot: resuming, grouping, bad input, workers that die.

A stand-in looks at the photos, so that each case says in a few words what its photos show.
"""

import base64
import dataclasses
import hashlib
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from contextlib import closing
from functools import partial
from pathlib import Path

import cloudpickle
import pytest
from PIL import Image
from plugface.cli.lot import scan, sorting, worker
from plugface.cli.lot.grouped import Grouped
from plugface.cli.lot.run_folder import RunError
from plugface.cli.lot.scan import FolderError, scan_folder
from plugface.cli.present.report.page import render_report, write_report
from plugface.cli.present.report.pairing import Pair, Pairable
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import (
    Finding,
    Ledger,
    Look,
    Lot,
    add_once,
    list_units,
    now_utc,
    record_photo,
)
from plugface.cli.store.ledger import Unit as UnitRow
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.decision.answers import Candidate, Decision, VariantChance
from plugface.models.unit_choice import UnitChoice, chosen_unit
from plugface.vision.observations import Code, Connector, Observations, Quality, Text, Unit, WhiteBalance
from sqlalchemy import select

cloudpickle.register_pickle_by_value(sys.modules[__name__])  # the workers cannot import this file

CATALOGUE = demo_folder() / "marrow_finch"


def photo(**shows) -> bytes:
    """A stand-in photo: what it shows, as JSON: plugs (colours), face, ids, beside, units, act, salt."""
    return json.dumps(shows).encode()


def white_picture() -> bytes:
    """A white JPEG of half the size that the stand-in says."""
    file = io.BytesIO()
    Image.new("RGB", (200, 150), "white").save(file, "JPEG")
    return file.getvalue()


class StandIn:
    """Reads what `photo` wrote; decides by the plugs alone."""

    look_version, model_version = "stand-in 1", "stand-in model 1"

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        shows = json.loads(data)
        if "log" in shows:
            with open(shows["log"], "a") as log:
                log.write(f"{name}\n")
        if shows.get("act") == "die":
            while "after" in shows and not os.path.exists(shows["after"]):
                time.sleep(0.01)
            os.kill(os.getpid(), signal.SIGSEGV)
        if shows.get("act") == "killed" and not os.path.exists(shows["until"]):
            os.kill(os.getpid(), signal.SIGKILL)  # as a system that is out of memory does
        if shows.get("act") == "no memory" and not os.path.exists(shows["until"]):
            worker.ENOUGH_BYTES = shows["enough"]  # here, in the worker
            raise MemoryError
        if shows.get("act") == "fail" and not os.path.exists(shows["until"]):
            raise ValueError("a fault of that day")
        if shows.get("act") == "hold":
            worker.ENOUGH_BYTES = shows["enough"]
            bytearray(shows["bytes"])
        if shows.get("act") == "spin":
            until = time.process_time() + 60  # far beyond the limit; then it is no broken photo any more
            while time.process_time() < until:
                pass
        if shows.get("act") == "die once" and not os.path.exists(shows["mark"]):
            Path(shows["mark"]).touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if "needs" in shows:
            Path(shows["needs"]).read_bytes()
        time.sleep(shows.get("seconds", 0))
        units = tuple(
            _unit(plugs, shows.get("face", "front"), place)
            for place, plugs in enumerate(shows.get("units", [shows.get("plugs", "")]))
        )
        corners = ((40.0, 200.0), (360.0, 200.0), (360.0, 220.0), (40.0, 220.0))
        texts = tuple(Text(corners, value, 0.9, "printed", 20.0) for value in shows.get("beside", ()))
        codes = tuple(Code((), "QR Code", payload, "verified") for payload in shows.get("ids", ()))
        quality = Quality(400, 300, 0.5, 0.0, 1.0)
        return Observations(
            hashlib.sha256(data).hexdigest(),
            quality,
            WhiteBalance((1, 1, 1), "none", 0),
            units,
            texts,
            codes=codes,
        ), white_picture() if texts else b"thumb"

    def list_units(self, seen: Observations) -> list[int]:
        return list(range(len(seen.units)))

    def decide(self, seen: list[Observations], chosen: list[UnitChoice]) -> Decision:
        fronts = [
            unit for s, c in zip(seen, chosen, strict=True) if (unit := chosen_unit(s, c)) and unit.connectors
        ]
        plugs = " ".join(max(c.colour, key=c.colour.get) for c in fronts[0].connectors) if fronts else ""
        known = {
            "VT BU GN": ("DUNLIN 6", "first"),
            "GY": ("CURLEW 5", "automatic"),
            "OG OG BK": ("GANNET 8", "only"),
        }
        if plugs not in known:
            return Decision("not_in_catalogue", "Unknown.", (), unknown_probability=0.9)
        family, variant = known[plugs]
        best = Candidate(family, 5.0, 0.99, (), (VariantChance(variant, 1.0),))
        return Decision(
            "identified", f"{family}.", (best,), (family,), (variant,), model_version=self.model_version
        )


def _unit(plugs: str, face: str, place: int) -> Unit:
    x = 100.0 * place
    polygon = ((x, 0.0), (x + 90, 0.0), (x + 90, 80.0), (x, 80.0))
    connectors = tuple(Connector(polygon, {code: 1.0}, {"M": 1.0}, 0.3, 0.9) for code in plugs.split())
    return Unit(
        polygon,
        0.9,
        {"front": 1.0, "back": 0.0} if face == "front" else {"front": 0.0, "back": 1.0},
        connectors,
    )


def lay_out(root: Path, files: dict[str, bytes]) -> Path:
    """Write files below a folder."""
    for name, data in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(data)
    return root


def sort(photos: Path, out: Path, **options) -> sorting.Outcome:
    """Run a sort with the stand-in."""
    return sorting.sort_lot(sorting.Plan(str(photos), CATALOGUE, out, **options), analyser=StandIn())


def rows(out: Path) -> list:
    """The listed units of a run."""
    ledger = Ledger(out / "ledger.sqlite")
    with ledger.reading() as session:
        return list(list_units(session)[1])


def test_sort_groups_decides_and_places(tmp_path, a_worker_decides):
    lot = lay_out(
        tmp_path / "lot",
        {
            "crate/u1_front.jpg": photo(plugs="VT BU GN", salt=1),
            "crate/u1_back.jpg": photo(face="back", salt=2),
            "crate/u2_front.jpg": photo(plugs="GY", salt=3),
            "hazard/one.jpg": photo(plugs="OG OG BK", salt=4),
            "odd/one.jpg": photo(plugs="PK", salt=5),
            "pallet/all.jpg": photo(units=["VT BU GN", "GY"], salt=6),
        },
    )
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.files, outcome.photos, outcome.units, outcome.broken) == (6, 6, 6, 0)
    assert outcome.places == {"hazard": 1, "not in catalogue": 1, "family bin": 4}
    listed = rows(tmp_path / "run")
    assert [(row.grouped_by, row.photos, row.family) for row in listed] == [
        ("file name", 2, "DUNLIN 6"),
        ("file name", 1, "CURLEW 5"),
        ("sub-folder", 1, "GANNET 8"),
        ("sub-folder", 1, ""),
        ("one of 2 units in one photo", 1, "DUNLIN 6"),
        ("one of 2 units in one photo", 1, "CURLEW 5"),
    ]


def test_the_same_command_does_nothing_twice(tmp_path):
    log = tmp_path / "log"
    files = {f"u{n}_front.jpg": photo(plugs="VT BU GN", salt=n, log=str(log)) for n in range(6)}
    lot = lay_out(tmp_path / "lot", files)
    first = sort(lot, tmp_path / "run")
    keys = [(row.unit, row.first_photo_sha256) for row in rows(tmp_path / "run")]
    again = sort(lot, tmp_path / "run")
    assert (first.looked_now, first.decided_now, first.resumed) == (6, 6, False)
    assert (again.looked_now, again.decided_now, again.resumed) == (0, 0, True)
    assert sorted(log.read_text().split()) == sorted(files)
    assert [(row.unit, row.first_photo_sha256) for row in rows(tmp_path / "run")] == keys


def test_photos_added_later_join_their_unit_and_it_is_decided_anew(tmp_path):
    lot = lay_out(tmp_path / "lot", {"u1_back.jpg": photo(face="back"), "u2_front.jpg": photo(plugs="GY")})
    sort(lot, tmp_path / "run")
    before = {row.unit: row for row in rows(tmp_path / "run")}
    lay_out(lot, {"u1_front.jpg": photo(plugs="VT BU GN")})
    outcome = sort(lot, tmp_path / "run")
    after = {row.unit: row for row in rows(tmp_path / "run")}
    assert (outcome.looked_now, outcome.decided_now) == (1, 1)
    assert before.keys() == after.keys()
    assert sorted((row.photos, row.family) for row in after.values()) == [(1, "CURLEW 5"), (2, "DUNLIN 6")]


def test_copies_count_once(tmp_path):
    log = tmp_path / "log"
    same = photo(plugs="VT BU GN", log=str(log))
    lot = lay_out(tmp_path / "lot", {"a.jpg": same, "b/c.jpg": same, "b/d.jpg": same})
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.files, outcome.photos, outcome.duplicates, outcome.units) == (3, 1, 2, 1)
    assert len(log.read_text().split()) == 1
    lay_out(lot, {"later.jpg": same})
    assert (sort(lot, tmp_path / "run").units, len(rows(tmp_path / "run"))) == (1, 1)


@pytest.mark.parametrize("data", [b"", b"no picture at all", b"{"])
def test_a_broken_photo_is_one_row_that_says_which_file(tmp_path, data):
    lot = lay_out(tmp_path / "lot", {"u1/front.jpg": photo(plugs="VT BU GN"), "u1/back.jpg": data})
    outcome = sort(lot, tmp_path / "run")
    listed = {row.grouped_by: row for row in rows(tmp_path / "run")}
    assert (outcome.units, outcome.broken) == (2, 1)
    assert listed["sub-folder"].family == "DUNLIN 6"
    assert listed["broken photo"].destination == "retake"
    assert "u1/back.jpg" in listed["broken photo"].message


def test_a_file_that_may_not_be_read_is_one_row(tmp_path):
    lot = lay_out(tmp_path / "lot", {"good.jpg": photo(plugs="VT BU GN")})
    (lot / "gone.jpg").symlink_to(lot / "no such file.jpg")
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.units, outcome.broken) == (2, 1)
    assert "gone.jpg: could not be read" in next(r.message for r in rows(tmp_path / "run") if not r.family)
    assert sort(lot, tmp_path / "run").decided_now == 0


def test_pipes_are_no_photos_and_an_odd_time_is_none(tmp_path):
    lot = lay_out(
        tmp_path / "lot", {"u1_front.jpg": photo(plugs="GY"), "u2_front.jpg": photo(plugs="VT BU GN")}
    )
    os.mkfifo(lot / "pipe.jpg")
    (lot / "link.jpg").symlink_to(lot / "pipe.jpg")
    os.utime(lot / "u1_front.jpg", ns=(0, 2**62))
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.files, outcome.units, outcome.others) == (2, 2, 2)
    pipe = scan.Found(str(lot), "pipe.jpg", 0, 0)
    with pytest.raises(OSError, match="no regular file"):
        scan.read_bytes(pipe)
    assert scan.Found("", "", 0, 2**80).written_at is None


def test_a_drive_that_is_gone_breaks_no_photo(tmp_path, monkeypatch):
    files = {f"u{n}_front.jpg": photo(plugs="VT BU GN", salt=n) for n in range(6)}
    lot = lay_out(tmp_path / "lot", files)
    listed = sorting.scan_folder(str(lot))
    monkeypatch.setattr(sorting, "scan_folder", lambda _: listed)
    for name in list(files)[2:]:
        (lot / name).rename(tmp_path / name)  # the stick was pulled out after the folder was listed
    with pytest.raises(RunError, match="4 of 6 photos could not be read: no such file"):
        sort(lot, tmp_path / "run")
    assert rows(tmp_path / "run") == []
    for name in list(files)[2:]:
        (tmp_path / name).rename(lot / name)
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.looked_now, outcome.broken, outcome.places) == (4, 0, {"family bin": 6})


def test_a_photo_that_no_memory_is_enough_for_is_one_row(tmp_path, a_worker):
    files = {"u1.jpg": photo(act="no memory", until="nowhere", enough=0), "u2.jpg": photo(plugs="GY")}
    outcome = sort(lay_out(tmp_path / "lot", files), tmp_path / "run")
    assert (outcome.broken, outcome.put_off) == (1, ())


def test_a_photo_that_takes_more_memory_than_a_worker_may_is_one_row(tmp_path, monkeypatch, a_worker):
    monkeypatch.setattr(sorting, "LOOK_BYTES", 2_000_000_000)
    files = {
        "u1.jpg": photo(act="hold", bytes=8_000_000_000, enough=0),
        "u2.jpg": photo(plugs="GY", act="hold", bytes=100_000_000, enough=0),
    }
    outcome = sort(lay_out(tmp_path / "lot", files), tmp_path / "run")
    assert (outcome.units, outcome.broken, outcome.put_off) == (2, 1, ())
    assert "more memory to look at than any photo" in next(
        row.message for row in rows(tmp_path / "run") if row.destination == "retake"
    )


@pytest.mark.parametrize("act", ["killed", "no memory"])
def test_a_machine_out_of_memory_breaks_no_photo_and_is_said(tmp_path, act):
    until = tmp_path / "until"
    files = {"u1_front.jpg": photo(plugs="VT BU GN")}  # each that was in hand gets a worker of its own
    files["odd_front.jpg"] = photo(plugs="GY", act=act, until=str(until), enough=10**18)
    lot = lay_out(tmp_path / "lot", files)
    outcome = sort(lot, tmp_path / "run", workers=2)
    if act == "killed":
        assert "was ended, for lack of memory perhaps" in outcome.put_off[0]
    assert (outcome.units, outcome.broken, len(outcome.put_off)) == (1, 0, 1)
    assert outcome.put_off[0].startswith("odd_front.jpg: ")
    until.touch()
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.looked_now, outcome.units, outcome.broken, outcome.put_off) == (1, 2, 0, ())


def test_a_photo_that_takes_for_ever_is_one_row(tmp_path, monkeypatch, a_worker):
    # Enough for the other photo on a machine that is busy: what a worker loads with it counts, too.
    monkeypatch.setattr(sorting, "LOOK_S", 2.0)
    files = {"u1_front.jpg": photo(plugs="GY"), "slow_front.jpg": photo(act="spin")}
    outcome = sort(lay_out(tmp_path / "lot", files), tmp_path / "run")
    assert (outcome.units, outcome.broken, outcome.put_off) == (2, 1, ())
    assert "slow_front.jpg: it took longer" in next(
        row.message for row in rows(tmp_path / "run") if row.destination == "retake"
    )


def test_broken_photos_are_looked_at_again_when_asked(tmp_path):
    until = tmp_path / "until"
    back = photo(face="back", act="fail", until=str(until))
    lot = lay_out(
        tmp_path / "lot", {"u1_front.jpg": photo(plugs="GY"), "u1_back.jpg": back, "u2_front.jpg": b"torn"}
    )
    (lot / "u3_front.jpg").symlink_to(lot / "later.jpg")
    first = sort(lot, tmp_path / "run")
    assert (first.units, first.broken) == (4, 3)
    until.touch()
    assert sort(lot, tmp_path / "run").looked_now == 0
    again = sort(lot, tmp_path / "run", retry_broken=True)
    assert (again.looked_now, again.units, again.broken) == (3, 3, 2)
    listed = {row.unit: row for row in rows(tmp_path / "run")}
    assert sorted(row.photos for row in listed.values()) == [0, 1, 2]  # front and back are one unit now
    assert sum(again.places.values()) == 3
    assert sort(lot, tmp_path / "run", retry_broken=True).units == 3


def test_two_units_under_one_id_are_a_finding_and_not_an_answer(tmp_path):
    lot = lay_out(
        tmp_path / "lot",
        {
            "x.jpg": photo(plugs="VT BU GN", ids=["CARD-7"]),
            "y.jpg": photo(plugs="GY", ids=["CARD-7"]),
            "z.jpg": photo(plugs="GY", ids=["CARD-8"]),
        },
    )
    outcome = sort(lot, tmp_path / "run")
    listed = {row.photos: row for row in rows(tmp_path / "run")}
    assert outcome.places == {"look-alike bench": 1, "family bin": 1}
    assert "Two different units under one id (CARD-7)" in listed[2].findings


def test_the_code_of_a_label_is_no_id_card_with_its_suffix_either(tmp_path):
    """Two units of one variant carry the same code; taken for an id card, it would make one unit of them."""
    same = {"plugs": "VT BU GN", "ids": ["K44577/262", "K44577/262 B"]}
    lot = lay_out(tmp_path / "lot", {"x.jpg": photo(**same, salt=1), "y.jpg": photo(**same, salt=2)})
    for payload in ("K44577/262", "K44577/262B"):
        assert sorting._service_number_test(load_catalogue(CATALOGUE))(payload)
    assert not sorting._service_number_test(load_catalogue(CATALOGUE))("CARD-7")
    assert sort(lot, tmp_path / "run").units == 2


def test_a_copy_takes_no_photo_away_from_its_unit(tmp_path):
    front, back = photo(plugs="GY"), photo(face="back")
    photos = lay_out(tmp_path / "photos", {"a copy.jpg": front, "u7_front.jpg": front, "u7_back.jpg": back})
    outcome = sort(photos, tmp_path / "run")
    assert (outcome.units, outcome.photos, outcome.duplicates) == (1, 2, 1)
    assert [row.grouped_by for row in rows(tmp_path / "run")] == ["file name"]


class NewVersion(StandIn):
    """The same after plugface was updated; sees no unit any more."""

    look_version, model_version = "stand-in 2", "stand-in model 2"

    def observe(self, data: bytes, name: str) -> tuple[Observations, bytes]:
        seen, thumb = super().observe(data, name)
        return dataclasses.replace(seen, units=()), thumb


def test_a_run_goes_on_after_plugface_was_updated(tmp_path):
    log = str(tmp_path / "log")
    photos = lay_out(tmp_path / "photos", {"a/1.jpg": photo(plugs="GY", log=log), "c/1.jpg": b"broken"})
    sort(photos, tmp_path / "run")
    lay_out(photos, {"b/1.jpg": photo(plugs="GY", salt=1)})
    plan = sorting.Plan(str(photos), CATALOGUE, tmp_path / "run")
    outcome = sorting.sort_lot(plan, analyser=NewVersion())
    assert (outcome.looked_now, outcome.photos, outcome.units) == (1, 3, 3)
    assert len(Path(log).read_text().splitlines()) == 1  # what was seen is not looked at again
    old, _broken, _new = rows(tmp_path / "run")
    assert (old.family, old.model_version) == ("CURLEW 5", "stand-in model 2")


class NewModel(StandIn):
    """The same after `plugface learn`: only the model is another."""

    model_version = "stand-in model 2"


def test_after_learning_every_unit_is_decided_anew(tmp_path):
    photos = lay_out(
        tmp_path / "photos", {"a/1.jpg": photo(plugs="GY"), "b/1.jpg": photo(plugs="GY", salt=1)}
    )
    sort(photos, tmp_path / "run")
    plan = sorting.Plan(str(photos), CATALOGUE, tmp_path / "run")
    assert sorting.sort_lot(plan, analyser=NewModel()).decided_now == 2
    assert {row.model_version for row in rows(tmp_path / "run")} == {"stand-in model 2"}
    assert sorting.sort_lot(plan, analyser=NewModel()).decided_now == 0


def test_a_unit_with_a_new_finding_is_decided_anew(tmp_path):
    photos = lay_out(tmp_path / "photos", {"a/1.jpg": photo(plugs="GY")})
    sort(photos, tmp_path / "run")
    with closing(Ledger(tmp_path / "run" / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        unit_id = session.scalar(select(UnitRow.id))
        session.add(Finding(unit_id=unit_id, message="Two units?", made_at=now_utc()))
    outcome = sort(photos, tmp_path / "run")
    assert (outcome.decided_now, outcome.places) == (1, {"look-alike bench": 1})


def test_a_look_of_an_older_version_is_named_as_such_and_decided_once(tmp_path):
    photos = lay_out(tmp_path / "photos", {"a/1.jpg": photo(plugs="GY")})
    sort(photos, tmp_path / "run")
    newer = type("Newer", (StandIn,), {"look_version": "stand-in 2"})()
    plan = sorting.Plan(str(photos), CATALOGUE, tmp_path / "run")
    # Nothing was looked at by the newer one, so what it would answer is what the older one's look gave.
    assert sorting.sort_lot(plan, analyser=newer).decided_now == 0


def test_a_photo_that_two_versions_looked_at_is_shown_once(tmp_path):
    photos = lay_out(tmp_path / "photos", {"a/1.jpg": photo(plugs="GY")})
    shared = {"ledger": str(tmp_path / "shared.sqlite")}
    first = sort(photos, tmp_path / "run", **shared)
    plan = sorting.Plan(str(photos), CATALOGUE, tmp_path / "other", **shared)
    sorting.sort_lot(plan, analyser=NewVersion())  # another yard, another version, the same photo
    sort(photos, tmp_path / "run", **shared)
    with closing(Ledger(shared["ledger"])) as ledger:
        write_report(tmp_path / "run", ledger, first.lot, remarks=[], pdf=False)
    assert (tmp_path / "run" / "report.html").read_text().count("<figcaption>a/1.jpg") == 1


def test_a_report_reads_each_decision_once(tmp_path, monkeypatch):
    from plugface.cli.lot import grouped
    from plugface.cli.present.report import rows

    photos = lay_out(tmp_path / "photos", {f"{name}.jpg": photo(plugs=name) for name in ("GY", "BN", "BK")})
    outcome = sort(photos, tmp_path / "run")
    read = []

    def note(text, real=rows.read_decision):
        read.append(text)
        return real(text)

    for module in (rows, grouped):
        monkeypatch.setattr(module, "read_decision", note)
    with closing(Ledger(tmp_path / "run" / "ledger.sqlite")) as book:
        written = write_report(tmp_path / "run", book, outcome.lot, remarks=[], pdf=False)
    assert outcome.grouped.alone == len(read) == outcome.units == 3
    assert set(written.files) == {"report", "labels", "sheet"}


def test_links_that_lead_outside_are_named_and_not_followed(tmp_path):
    secret = lay_out(tmp_path / "elsewhere", {"secret.jpg": photo(plugs="VT BU GN")})
    lot = lay_out(tmp_path / "lot", {"a.jpg": photo(plugs="GY")})
    (lot / "link.jpg").symlink_to(secret / "secret.jpg")
    (lot / "folder").symlink_to(secret)
    (lot / "round").symlink_to(lot)
    outcome = sort(lot, tmp_path / "run")
    assert outcome.outside == ("folder", "link.jpg", "round")
    assert (outcome.files, outcome.units) == (1, 1)


def test_a_pipe_named_like_a_photo_is_not_opened_and_an_impossible_time_is_none(tmp_path):
    lot = lay_out(tmp_path / "lot", {"a/1.jpg": photo(plugs="GY")})
    os.mkfifo(lot / "b.jpg")  # to open it would wait for a writer for ever
    scan = scan_folder(str(lot))
    assert ([found.path for found in scan.photos], scan.others) == (["a/1.jpg"], 1)
    for time_ns in (10**21, -(10**21)):
        assert dataclasses.replace(scan.photos[0], mtime_ns=time_ns).written_at is None


def test_names_of_any_kind(tmp_path):
    lot = lay_out(
        tmp_path / "lot",
        {
            "Größe 轮机 ⚓_front.jpg": photo(plugs="VT BU GN", salt=1),
            "x" * 240 + "_front.JPG": photo(plugs="GY", salt=2),
            "/".join(["deep" * 20] * 12) + "/a.jpg": photo(plugs="GY", salt=3),
            "=cmd|' &<b>.jpg": photo(plugs="GY", salt=4),
        },
    )
    Path(os.fsdecode(os.fsencode(lot) + b"/not-utf8-\xff\xfe.jpg")).write_bytes(photo(plugs="GY", salt=5))
    outcome = sort(lot, tmp_path / "run")
    assert (outcome.files, outcome.units, outcome.places) == (5, 5, {"family bin": 5})


def test_a_worker_that_dies_takes_nothing_with_it(tmp_path):
    # Each of the four that are in hand then gets a worker of its own, and the rest new ones.
    files = {f"u{n}_front.jpg": photo(plugs="VT BU GN", salt=n) for n in range(3)}
    mark = str(tmp_path / "mark")
    files["once_front.jpg"] = photo(plugs="GY", act="die once", mark=mark)
    # Not before the other did: that would die when it is alone, and be put off.
    files["poison_front.jpg"] = photo(plugs="GY", act="die", after=mark)
    outcome = sort(lay_out(tmp_path / "lot", files), tmp_path / "run", workers=2)
    listed = rows(tmp_path / "run")
    assert (outcome.units, outcome.broken) == (5, 1)
    assert [row.message.split(":")[0] for row in listed if row.destination == "retake"] == [
        "poison_front.jpg"
    ]


def test_a_part_missing_on_the_machine_stops_the_run_and_blames_no_photo(tmp_path):
    weights = tmp_path / "weights"
    files = {f"u{n}_front.jpg": photo(plugs="VT BU GN", salt=n, needs=str(weights)) for n in range(6)}
    lot = lay_out(tmp_path / "lot", files)
    with pytest.raises(FileNotFoundError):
        sort(lot, tmp_path / "run", workers=2)
    assert rows(tmp_path / "run") == []
    weights.touch()
    assert sort(lot, tmp_path / "run").places == {"family bin": 6}


def test_the_run_keeps_the_catalogue_it_started_with(tmp_path):
    lot = lay_out(tmp_path / "lot", {"a.jpg": photo(plugs="VT BU GN")})
    own = lay_out(tmp_path / "own", {file.name: file.read_bytes() for file in CATALOGUE.glob("*.toml")})
    plan = sorting.Plan(str(lot), own, tmp_path / "run")
    first = sorting.sort_lot(plan, analyser=StandIn())
    (own / "catalogue.toml").write_text("broken = [")
    lay_out(lot, {"b.jpg": photo(plugs="GY")})
    again = sorting.sort_lot(plan, analyser=StandIn())
    assert (first.catalogue_changed, again.catalogue_changed) == (False, True)
    assert len({row.catalogue_sha256 for row in rows(tmp_path / "run")}) == 1


def test_a_run_whose_own_catalogue_was_edited_stops(tmp_path):
    lot = lay_out(tmp_path / "lot", {"a.jpg": photo(plugs="VT BU GN")})
    sort(lot, tmp_path / "run")
    head = tmp_path / "run" / "catalogue" / "catalogue.toml"
    head.write_text(head.read_text() + "# edited\n")
    with pytest.raises(RunError, match="own catalogue was changed"):
        sort(lot, tmp_path / "run")


def test_what_cannot_be_a_run_is_refused(tmp_path):
    lot = lay_out(tmp_path / "lot", {"a.jpg": photo(plugs="VT BU GN")})
    foreign = lay_out(tmp_path / "foreign", {"catalogue/mine.toml": b"x"})
    with pytest.raises(RunError, match="inside the folder of photos"):
        sort(lot, lot / "run")
    with pytest.raises(RunError, match="holds no run"):
        sort(lot, foreign)
    assert (foreign / "catalogue" / "mine.toml").exists()
    with pytest.raises(FolderError, match="no such folder"):
        sort(tmp_path / "nowhere", tmp_path / "run")
    pytest.importorskip("fsspec").register_implementation("odd", "no_such_package.System", clobber=True)
    odd = sorting.Plan("odd://lot", CATALOGUE, tmp_path / "run")
    with pytest.raises(FolderError, match=r"fsspec cannot reach .*no_such_package.* Install what it names"):
        sorting.sort_lot(odd, analyser=StandIn())
    sort(lot, tmp_path / "run")
    with pytest.raises(RunError, match="other market"):
        sort(lot, tmp_path / "run", market="north")
    assert sort(lay_out(tmp_path / "empty", {"notes.txt": b""}), tmp_path / "run2").units == 0


def test_photos_at_an_address_that_fsspec_knows(tmp_path):
    pytest.importorskip("fsspec")
    lot = lay_out(tmp_path / "lot", {"a/1.jpg": photo(plugs="GY"), "a/ü 2.jpg": photo(face="back")})
    plan = sorting.Plan(lot.as_uri(), CATALOGUE, tmp_path / "run")
    outcome = sorting.sort_lot(plan, analyser=StandIn())
    assert (outcome.photos, outcome.broken, outcome.units) == (2, 0, 1)
    assert sorting.sort_lot(plan, analyser=StandIn()).looked_now == 0
    assert [row.grouped_by for row in rows(tmp_path / "run")] == ["sub-folder"]


def test_nine_broken_in_fifty_are_nine_rows_and_stop_nothing(tmp_path):
    """What the bench of sorting does with ten thousand photos, on fifty."""
    good = {f"u{n:03d}_front.jpg": photo(plugs="VT BU GN", salt=n) for n in range(41)}
    broken = {f"torn {n}.jpg": (b"", b"\xff\xd8 torn", photo()[:1])[n % 3] * (n + 1) for n in range(1, 9)}
    lot = lay_out(tmp_path / "lot", good | broken)
    (lot / "gone.jpg").symlink_to(lot / "nothing.jpg")
    outcome = sort(lot, tmp_path / "run")
    listed = rows(tmp_path / "run")
    assert (outcome.files, outcome.units, len(listed)) == (50, len(listed), outcome.units)
    assert sum(row.family == "DUNLIN 6" for row in listed) == 41
    alike = outcome.duplicates  # the empty ones are one photo
    assert (outcome.broken, alike) == (9 - alike, sum(not data for data in broken.values()) - 1)
    named = " ".join(row.message for row in listed if row.destination == "retake")
    assert all(name in named for name, data in broken.items() if data)
    assert "gone.jpg" in named
    assert sort(lot, tmp_path / "run").decided_now == 0


# Who looks does so in the same process, as in all tests that start no worker: it writes nothing.
_DISK = """
import importlib.util, json, subprocess, sys
from plugface.cli.lot import parallel
parallel._on_this_machine = lambda work, items, _: ((item, work.args[0](item)) for item in items)
spec = importlib.util.spec_from_file_location("stand_in", sys.argv[1])
module = sys.modules["stand_in"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
lot, disk = map(module.Path, sys.argv[2:4])
for remount in (None, "size=64m", "ro"):
    if remount:
        subprocess.run(["mount", "-o", f"remount,{remount}", str(disk)], check=True)
    for run in (disk / "run", *([disk / "other"] if remount == "ro" else [])):
        try:
            outcome = module.sort(lot, run)
            said = [outcome.looked_now, outcome.units, outcome.photos]
        except Exception as error:
            said = [type(error).__name__, str(error)]
        print(json.dumps(said))
"""


def test_a_full_disk_stops_the_run_in_words_and_room_lets_it_go_on(tmp_path):
    """On a small disk in memory: full, then larger, then read-only."""
    log, disk = tmp_path / "log", tmp_path / "disk"
    disk.mkdir()
    files = {f"u{n:02d}_front.jpg": photo(plugs="VT BU GN", salt=n, log=str(log)) for n in range(60)}
    lot = lay_out(tmp_path / "lot", files)
    mount = 'mount -t tmpfs -o size=1400k none "$1" && shift && exec "$@"'
    words = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", mount, "sh", disk]
    if shutil.which("unshare") is None or subprocess.run([*words, "true"], capture_output=True).returncode:
        pytest.skip("a disk in memory cannot be mounted here")
    child = [sys.executable, "-c", _DISK, __file__, lot, disk]
    done = subprocess.run([*words, *child], capture_output=True, text=True, check=True)
    full, room, locked, nowhere = map(json.loads, done.stdout.splitlines())
    assert full[0] in ("LedgerError", "RunError"), full
    assert "disk is full" in full[1] or "no space left" in full[1]
    assert "run the same command again" in full[1]
    assert 0 < room[0] < 60  # what was done before the disk was full was kept
    assert room[1:] == [60, 60]
    assert sorted(set(log.read_text().split())) == sorted(files)
    assert locked[0] in ("LedgerError", "RunError"), locked
    assert nowhere[0] == "RunError"
    assert "read-only" in locked[1] + nowhere[1]


# A shell lets what it starts in the background ignore the signal; a run in a terminal does not.
_CHILD = """
import importlib.util, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
spec = importlib.util.spec_from_file_location("stand_in", sys.argv[1])
module = sys.modules["stand_in"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
module.sort(module.Path(sys.argv[2]), module.Path(sys.argv[3]), workers=2)
"""


@pytest.mark.parametrize("signal_number", [signal.SIGKILL, signal.SIGINT])
def test_a_run_that_is_cut_off_goes_on(tmp_path, signal_number):
    log = tmp_path / "log"
    log.touch()
    files = {f"u{n}_front.jpg": photo(plugs="VT BU GN", salt=n, log=str(log), seconds=0.1) for n in range(40)}
    lot, run = lay_out(tmp_path / "lot", files), tmp_path / "run"
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, __file__, str(lot), str(run)], stderr=subprocess.DEVNULL
    )
    while len(log.read_text().split()) < 12:
        assert child.poll() is None
        time.sleep(0.02)
    child.send_signal(signal_number)
    child.wait(30)
    time.sleep(1.0)  # the workers notice that they are alone
    looked_before = len(log.read_text().split())
    assert looked_before < 40
    outcome = sort(lot, run)
    assert (outcome.units, outcome.photos) == (40, 40)
    assert 40 - outcome.looked_now >= looked_before - 6  # lost: at most what two workers had in hand
    assert len(set(log.read_text().split())) == 40


def test_a_folder_named_like_markup_is_sorted_to_the_end(tmp_path, run, monkeypatch):
    lot = lay_out(tmp_path / "lot", {"u1_front.jpg": b"torn"})
    out = tmp_path / "run[" / "north]"
    said = run("sort", lot, "--out", out, "--no-pdf", "--workers", 1)
    assert (said.code, said.err) == (0, "")
    assert "/run[/north]/report.html" in said.out.replace("\n", "")


def sorted_in_words(run, monkeypatch, lot: Path, out: Path, *words: str):
    """`plugface sort` itself, with the stand-in for whoever looks."""
    monkeypatch.setattr("plugface.cli.lot.sorting.sort_lot", partial(sorting.sort_lot, analyser=StandIn()))
    said = run("sort", lot, "--out", out, "--no-pdf", "--workers", 1, *words)
    assert said.code == 0, said.err
    return said


def test_a_hazard_is_named_on_the_terminal_and_its_label_says_hands_off(tmp_path, run, monkeypatch):
    files = {"u1_front.jpg": photo(plugs="OG OG BK"), "u2_front.jpg": photo(plugs="GY")}
    lot, out = lay_out(tmp_path / "lot", files), tmp_path / "run"
    said = " ".join(sorted_in_words(run, monkeypatch, lot, out).out.split())
    assert "1 unit can hurt someone, set aside first" in said
    assert "Do not open, probe, unplug or drop." in said
    labels = (out / "labels.html").read_text()
    assert labels.count("Do not open, probe, unplug or drop.") == 1
    assert labels.index("HAZARD high voltage") < labels.index("Do not open, probe")
    harmless = lay_out(tmp_path / "other", {"u2_front.jpg": photo(plugs="GY")})
    assert "can hurt" not in sorted_in_words(run, monkeypatch, harmless, tmp_path / "run2").out


DONOR = "DONOR77X4K29"  # no vehicle's


@pytest.mark.parametrize("asked", [False, True])
def test_a_donors_number_is_in_the_report_only_when_asked_for(tmp_path, run, monkeypatch, asked):
    files = {
        "u1_front.jpg": photo(plugs="VT BU GN", beside=[DONOR]),
        "u2_front.jpg": photo(plugs="GY", beside=[DONOR]),
    }
    lot, out = lay_out(tmp_path / "lot", files), tmp_path / "run"
    sorted_in_words(run, monkeypatch, lot, out, *(["--donor-numbers"] if asked else []))
    page = (out / "report.html").read_text()
    assert (DONOR in page) == asked
    assert "number plate" not in page
    pictures = re.findall(r"data:image/jpeg;base64,([^\"]+)", page)
    assert len(pictures) == 2
    for picture in pictures:
        with Image.open(io.BytesIO(base64.b64decode(picture))) as shown:
            assert (shown.convert("L").getpixel((100, 105)) > 200) == asked  # in the middle of the number
            assert shown.convert("L").getpixel((100, 20)) > 200


def test_an_observation_that_cannot_be_read_is_one_row(tmp_path):
    lot = lay_out(
        tmp_path / "lot", {"u1_front.jpg": photo(plugs="GY"), "u2_front.jpg": photo(plugs="VT BU GN")}
    )
    sort(lot, tmp_path / "run")
    first = rows(tmp_path / "run")
    assert len(first) == 2
    other = lay_out(tmp_path / "more", {"u3_front.jpg": photo(plugs="GY", salt=3)})
    shutil.copytree(tmp_path / "lot", other, dirs_exist_ok=True)
    ledger = Ledger(tmp_path / "shared.sqlite")
    with ledger.transaction() as session:
        sha256 = hashlib.sha256((lot / "u1_front.jpg").read_bytes()).hexdigest()
        photo_id = record_photo(session, sha256, 10)
        add_once(
            session, Look, photo_id=photo_id, version="stand-in 1", fault="", observations="{", taken_at="",
            seconds=0.0, made_at="",
        )  # fmt: skip
    ledger.close()
    outcome = sort(other, tmp_path / "again", ledger=str(tmp_path / "shared.sqlite"))
    assert (outcome.units, outcome.broken) == (3, 1)
    with closing(Ledger(tmp_path / "shared.sqlite")) as book:
        write_report(tmp_path / "again", book, outcome.lot, remarks=[], pdf=False)


def test_workers_end_when_the_sort_is_killed_while_they_start():
    code = """
import os, time
from plugface.cli.lot import parallel
parallel.os.getpid = lambda: 2**22 + 1  # as if the master had gone before its workers were ready
for item, result in parallel.map_unordered(time.sleep, iter([60.0])):
    print(type(result).__name__)
"""
    started = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert time.monotonic() - started < 50
    assert "WorkerFailed" in done.stdout


def test_forwarded_photos_are_paired_by_name_and_what_may_count_twice_is_said(tmp_path, run, monkeypatch):
    monkeypatch.setattr(worker, "PipelineAnalyser", lambda _: StandIn())
    shows = [
        *(("VT BU GN", "front"), ("", "back"), ("VT BU GN", "front"), ("", "back")),  # two units by turns
        *(("GY", "front"), ("GY", "back"), ("GY", "front")),  # one too many, and nothing says at which end
    ]
    names = [f"IMG-20261128-WA{n:04}.jpg" for n in (1, 2, 3, 4, 20, 21, 22)]
    files = {
        name: photo(plugs=plugs, face=face, salt=name)
        for name, (plugs, face) in zip(names, shows, strict=True)
    }
    lot, out = lay_out(tmp_path / "lot", files), tmp_path / "run"
    for name in names:  # a messenger keeps no time; the file's is that of the download
        os.utime(lot / name, (1_700_000_000, 1_700_000_000))
    said = run("sort", lot, "--out", out, "--no-pdf", "--workers", 1)
    assert said.code == 0
    words = " ".join(said.out.split())
    assert words.startswith("How photos were put together: 2 by order of names and appearance.")
    assert "3 photos stand alone" in words
    assert "u7_front.jpg" in words  # the mend
    alone = [row.unit for row in rows(out) if row.family == "CURLEW 5"]
    assert len(alone) == 3
    assert (
        "3 of the units may count twice, by another face or an overview in another photo: "
        f"{', '.join(alone)}" in words
    )
    assert words.index("count twice") < words.index("family bin")
    page = (out / "report.html").read_text("utf-8")
    assert page.index("How photos were put together") < page.index("What goes where")
    assert "(3 of them may be a unit that counts already)" in page
    assert page.count("then it counts twice") == 3
    assert run("sort", lot, "--out", out, "--no-pdf", "--workers", 1, "--json").code == 0
    grouped = json.loads(run("sort", lot, "--out", out, "--no-pdf", "--workers", 1, "--json").out)["grouped"]
    assert grouped["methods"] == {"order of names and appearance": 2, "single photo (no usable time)": 3}
    assert grouped["doubles"][alone[0]] == [alone[1]]  # not the other front: that is another unit
    assert grouped["doubles"][alone[1]] == [alone[0], alone[2]]  # the back, of either front


def test_units_of_an_overview_may_have_photos_of_their_own(tmp_path):
    lot = lay_out(
        tmp_path / "lot",
        {
            "pallet.jpg": photo(units=["VT BU GN", "GY"], salt=1),
            "u1_front.jpg": photo(plugs="VT BU GN", salt=2),
            "u1_back.jpg": photo(face="back", salt=3),
        },
    )
    outcome = sort(lot, tmp_path / "run")
    named, *crowd = sorted(rows(tmp_path / "run"), key=lambda row: row.grouped_by)
    assert named.grouped_by == "file name"
    (same,) = (row.unit for row in crowd if row.family == "DUNLIN 6")
    assert outcome.grouped.doubles == {same: (named.unit,)}  # and not the one of another family


def test_pairs_say_what_may_be_one_unit(tmp_path):
    engine, gearbox = (
        Pairable("E1", "CURLEW 5", ("automatic",), ""),
        Pairable("G1", "DUNLIN 6", ("first",), ""),
    )
    pair = Pair(engine, gearbox, False, ("model years meet",), 1.0)
    catalogue = load_catalogue(CATALOGUE)
    lot = Lot(id=1, key="L", name="lot", source="", market="", created_at="")
    page = render_report(lot, catalogue, [], [pair], [], Grouped({}, 2, {"E1": ("E2",), "E2": ("E1",)}))
    assert "<strong>E1 may be the same unit as E2</strong>" in page
    assert "may be the same unit" not in render_report(lot, catalogue, [], [pair], [])
