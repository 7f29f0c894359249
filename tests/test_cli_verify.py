"""A report or an export beside its ledger: what agrees is said, what differs is named."""

import csv
import hashlib
import json
import re
import shutil
import sqlite3
from contextlib import closing

import pytest
from plugface.cli.present.report.provenance import (
    make_manifest,
    read_page,
    rows_of,
    seal_page,
    weights_hashes,
)
from plugface.cli.store.acts import list_acts
from plugface.cli.store.ledger import Ledger, Proposal, Unit, default_ledger, now_utc
from sqlalchemy import select


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Where the first test that asks for a run puts it, for all tests of this file."""
    return tmp_path_factory.mktemp("sorted")


@pytest.fixture
def sorted_lot(tmp_path, place, run, seen_as, plain_photo):
    """The folder of a run of two units and one torn photo."""
    if not (place / "run").exists():
        sort_lot(place, run, seen_as, plain_photo)
    return shutil.copytree(place / "run", tmp_path / "run")


def sort_lot(place, run, seen_as, plain_photo) -> None:
    lot = place / "lot"
    lot.mkdir()
    for name in ("u1_front", "u22_front"):
        plain_photo(f"{name}.jpg").rename(lot / f"{name}.jpg")
    (lot / "torn.jpg").write_bytes(b"no picture")
    seen_as(
        faultless=True, u1_front=("AUK 11", "early", "front"), u22_front=("DUNLIN 1", "four-speed", "front")
    )
    assert run("sort", lot, "--out", place / "run", "--workers", 1, "--no-pdf").code == 0


def checked(run, file, *words):
    """Exit code, and the lines that differ."""
    said = run("verify", file, "--json", *words)
    return said.code, json.loads(said.out)["differs"]


def test_a_report_as_it_was_written_agrees(sorted_lot, run):
    report = sorted_lot / "report.html"
    said = run("verify", report)
    assert said.code == 0, said.out
    assert "agrees   the page is byte for byte" in said.out
    assert "agrees   3 units are shown as the ledger has them" in said.out
    assert "DIFFERS" not in said.out
    assert "change, not authorship" in said.out
    assert checked(run, report) == (0, [])
    manifest = manifest_of(report)
    assert manifest["weights"] == weights_hashes()
    assert set(manifest["weights"]) == {"segmenter.onnx", "verifier.onnx", "cast_reader.onnx"}
    assert len(manifest["catalogues"]) == len(manifest["models"]) == 1
    assert all(
        re.fullmatch("[0-9a-f]{64}", manifest[name]) for name in ("head", "model_sha256", "page_sha256")
    )


def manifest_of(report) -> dict:
    """The manifest inside a report."""
    return json.loads(re.search(r'id="plugface-manifest">(.*?)</script>', report.read_text())[1])


def rewrite(report, change) -> None:
    """Change a report and forge its manifest, so that the page fits it again."""
    page, manifest = report.read_text(), manifest_of(report)
    bare = re.sub(r'<script type="application/json" id="plugface-manifest">.*?</script>\n', "", page)
    rows = manifest.pop("rows")
    report.write_text(seal_page(change(bare), manifest, rows))


def test_a_changed_byte_is_told(sorted_lot, run):
    report = sorted_lot / "report.html"
    report.write_text(report.read_text().replace("Check by hand first", "No need to check", 1))
    assert checked(run, report) == (1, ["the page was changed after it was written"])


@pytest.mark.parametrize(
    ("before", "after", "named"),
    [
        (r'(id="([^"]+)">\s*<header><h3><span class="sign">.</span>) [^<]+', r"\1 WREN 9", "bin"),
        (r'<p class="answer">[^<]+<', '<p class="answer">WREN 9 <', "WREN 9"),
        (r"\([^(]* sure of the family\)", "(12.0 % sure of the family)", "12.0 %"),
    ],
)
def test_a_forged_page_with_a_manifest_to_fit_is_told_by_the_ledger(sorted_lot, run, before, after, named):
    report = sorted_lot / "report.html"
    assert re.search(before, report.read_text())
    rewrite(report, lambda page: re.sub(before, after, page, count=1))
    code, differs = checked(run, report)
    assert code == 1
    assert len(differs) == 1
    assert differs[0].startswith("unit ")
    assert named in differs[0]


def test_a_card_taken_out_is_told(sorted_lot, run):
    report = sorted_lot / "report.html"
    rewrite(report, lambda page: re.sub(r'<article class="card".*?</article>', "", page, count=1, flags=re.S))
    code, differs = checked(run, report)
    assert (code, len(differs)) == (1, 1)
    assert "the page does not show it" in differs[0]


def test_a_card_put_in_is_told(sorted_lot, run):
    report = sorted_lot / "report.html"
    card = re.search(r'<article class="card".*?</article>', report.read_text(), re.S)[0]
    more = re.sub(r'id="[^"]+"', 'id="FORGED-0001"', card, count=1)
    rewrite(report, lambda page: page.replace(card, card + more))
    code, differs = checked(run, report)
    assert (code, differs) == (1, ["unit FORGED-0001 is not in the ledger (any more)"])


def test_a_report_beside_another_ledger_is_told(sorted_lot, tmp_path, run):
    Ledger(tmp_path / "other.sqlite").close()
    code, differs = checked(run, sorted_lot / "report.html", "--ledger", tmp_path / "other.sqlite")
    assert code == 1
    assert "not in this ledger's chain" in differs[0]
    assert len([line for line in differs if "not in the ledger (any more)" in line]) == 3


def test_a_ledger_changed_behind_the_programs_back_is_told(sorted_lot, run):
    with closing(sqlite3.connect(sorted_lot / "ledger.sqlite")) as db:
        db.execute("DROP TRIGGER proposals_no_update")
        db.execute("UPDATE proposals SET bin = 'WREN 9' WHERE id = 1")
        db.commit()
    code, differs = checked(run, sorted_lot / "report.html")
    assert code == 1
    assert any("not as plugface wrote it" in line for line in differs)
    assert any("WREN 9" in line for line in differs)


def test_what_was_proposed_since_is_a_note_and_no_fault(sorted_lot, run):
    with closing(Ledger(sorted_lot / "ledger.sqlite")) as ledger, ledger.transaction() as session:
        unit = session.scalars(select(Unit)).first()
        former = session.scalars(select(Proposal).filter_by(unit_id=unit.id)).one()
        kept = {name: getattr(former, name) for name in Proposal.__mapper__.attrs.keys() if name != "id"}  # noqa: SIM118
        session.add(Proposal(**kept | {"input_sha256": "later", "family": "KNOT 40", "made_at": now_utc()}))
    said = run("verify", sorted_lot / "report.html")
    assert said.code == 0, said.out
    assert "was proposed anew since, as KNOT 40" in said.out


def test_what_was_confirmed_since_is_a_note_and_no_fault(sorted_lot, run):
    assert "confirmed since" not in run("verify", sorted_lot / "report.html").out
    key = next(iter(read_page((sorted_lot / "report.html").read_text())))
    truth = ("--true", "KNOT 40", "--who", "kim", "--ledger", sorted_lot)
    for _ in range(2):
        assert run("confirm", key, *truth).code == 0
    said = run("verify", sorted_lot / "report.html")
    assert said.code == 0, said.out
    assert "1 unit was confirmed since" in said.out


def test_a_deleted_unit_is_told(sorted_lot, tmp_path, run):
    report = tmp_path / "report.html"
    report.write_bytes((sorted_lot / "report.html").read_bytes())
    key = next(iter(read_page(report.read_text())))
    assert run("ledger", "delete", "--unit", key, "--yes", "--ledger", sorted_lot).code == 0
    code, differs = checked(run, report, "--ledger", sorted_lot)
    assert code == 1
    assert f"unit {key} is not in the ledger (any more)" in differs


@pytest.mark.parametrize(
    "text", ["", "<html></html>", '<script type="application/json" id="plugface-manifest">{</script>\n']
)
def test_a_page_without_a_manifest_is_refused_in_a_line(sorted_lot, tmp_path, run, text):
    (tmp_path / "page.html").write_text(text)
    said = run("verify", tmp_path / "page.html", "--ledger", sorted_lot)
    assert (said.code, "manifest" in said.err, "Traceback" in said.err) == (2, True, False)


def test_names_in_a_manifest_cannot_end_its_element(filled_yard):
    with closing(Ledger(filled_yard[0] / "ledger.sqlite")) as ledger, ledger.reading() as session:
        manifest = make_manifest(session, "report", "N") | {"lot": "</script><script>alert(1)"}
        page = seal_page("<html><body>x</body></html>", manifest, rows_of(session, "N"))
    assert page.count("<script") == page.count("</script") == 1


@pytest.mark.parametrize("ending", ["csv", "jsonl", "xlsx"])
def test_an_export_agrees_until_it_is_changed(filled_yard, tmp_path, run, ending):
    out, where = tmp_path / f"out.{ending}", ("--ledger", filled_yard[0])
    assert run("ledger", "export", out, *where).code == 0
    assert checked(run, out, *where) == (0, [])
    with out.open("ab") as file:
        file.write(b"\n")
    code, differs = checked(run, out, *where)
    assert (code, differs[0]) == (1, "the file was changed after it was written")
    (tmp_path / f"out.{ending}.manifest.json").unlink()
    assert run("verify", out, *where).code == 2


@pytest.mark.parametrize("own", ["no ledger", "another ledger", "its ledger"])
@pytest.mark.parametrize("name", ["lot.csv", "report.html"])
def test_what_was_carried_away_from_its_ledger_is_not_called_forged(sorted_lot, tmp_path, run, own, name):
    file = tmp_path / "away" / name
    file.parent.mkdir()
    if name == "report.html":
        shutil.copy(sorted_lot / name, file)
    else:
        assert run("ledger", "export", file, "--ledger", sorted_lot).code == 0
    default_ledger().parent.mkdir(parents=True, exist_ok=True)
    if own == "another ledger":
        Ledger(default_ledger()).close()
    elif own == "its ledger":
        shutil.copy(sorted_lot / "ledger.sqlite", default_ledger())
        assert checked(run, file) == (0, [])
        return
    said = run("verify", file)
    assert said.code == 2
    assert "the ledger that it was written from was not found" in said.err
    assert "with --ledger" in said.err
    assert "forged" not in said.out + said.err
    assert checked(run, file, "--ledger", sorted_lot) == (0, [])
    with file.open("ab") as changed:
        changed.write(b"\n")
    said = run("verify", file)
    assert (said.code, "changed after it was written" in said.out) == (1, True)
    assert "does not agree with its manifest: 1 of 1" in said.err
    assert "note     the ledger that it was written from was not found" in said.out
    assert "forged" not in said.out + said.err


def test_lines_of_an_export_that_are_none_are_told(filled_yard, tmp_path, run):
    out, where = tmp_path / "out.jsonl", ("--ledger", filled_yard[0])
    assert run("ledger", "export", out, *where).code == 0
    out.write_bytes(out.read_bytes() + b"{\n[]\n\xff\n")
    code, differs = checked(run, out, *where)
    assert code == 1
    assert differs[1:] == [f"line {number} cannot be read" for number in (5, 6, 7)]


@pytest.mark.parametrize("forged", ["family", "time"])
def test_a_forged_export_with_a_manifest_to_fit_is_told_by_the_ledger(filled_yard, tmp_path, run, forged):
    import hashlib

    out, where = tmp_path / "out.csv", ("--ledger", filled_yard[0])
    assert run("ledger", "export", out, "--raw", *where).code == 0
    with out.open(encoding="utf-8-sig", newline="") as file:
        made_at = next(row["proposed_at"] for row in csv.DictReader(file) if row["proposed_at"])
    before, after = {"family": ("AUK 11", "KNOT 40"), "time": (made_at, "1999-01-01T00:00:00.000Z")}[forged]
    out.write_text(out.read_text("utf-8-sig").replace(before, after, 1), "utf-8-sig")
    with out.open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.reader(file))) == 5
    beside = tmp_path / "out.csv.manifest.json"
    document = json.loads(beside.read_text()) | {"file_sha256": hashlib.sha256(out.read_bytes()).hexdigest()}
    beside.write_text(json.dumps(document))
    code, differs = checked(run, out, *where)
    assert (code, len(differs)) == (1, 1)
    assert after in differs[0]


def test_a_report_is_an_act_on_record(sorted_lot):
    with closing(Ledger(sorted_lot / "ledger.sqlite")) as ledger, ledger.reading() as session:
        (act,) = [entry for entry in list_acts(session) if entry.act == "report"]
    report = (sorted_lot / "report.html").read_bytes()
    assert (act.about, act.facts["units"]) == ("report.html", 3)
    assert act.facts["sha256"] == hashlib.sha256(report).hexdigest()
    assert act.lot == json.loads((sorted_lot / "run.json").read_text())["lot"]


@pytest.mark.parametrize("name", ["models", "catalogues", "looks"])
def test_a_manifest_that_names_what_made_no_row_is_told(sorted_lot, run, name):
    """The page is as it was written, and was made with something else than it says."""
    report = sorted_lot / "report.html"
    page, manifest = report.read_text(), manifest_of(report)
    bare = re.sub(r'<script type="application/json" id="plugface-manifest">.*?</script>\n', "", page)
    rows = manifest.pop("rows")
    report.write_text(seal_page(bare, manifest | {name: ["f" * 64]}, rows))
    code, differs = checked(run, report)
    assert (code, len(differs)) == (1, 1)
    assert f"{'f' * 64} made no row of this ledger" in differs[0]
