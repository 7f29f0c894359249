"""Catalogues that are wrong, huge, hostile or edited at the wrong moment, met through the commands."""

import hashlib
import json
import shutil
import sys
import time
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import cloudpickle
import numpy as np
import pytest
from plugface.cli.lot.sorting import Plan, sort_lot
from plugface.cli.lot.worker import PipelineAnalyser
from plugface.cli.store.ledger import Ledger, Proposal, list_units
from plugface.models.catalogue import entries
from plugface.models.catalogue.entries import load_catalogue
from plugface.models.learning.simulate import draw_observations
from plugface.models.matching.error_model import ErrorModel
from sqlalchemy import select

cloudpickle.register_pickle_by_value(sys.modules[__name__])  # the workers cannot import this file

DEMO = Path(__file__).parents[1] / "training_data_demo" / "marrow_finch"


@pytest.mark.parametrize(
    "command",
    [
        ("identify", "PHOTO", "--catalogue", "OWN"),
        ("catalogue", "check", "OWN"),
        ("catalogue", "separability", "OWN"),
        ("catalogue", "propose", "PHOTO", "--catalogue", "OWN"),
        ("catalogue", "colour", "OWN"),
        ("confirm", "PHOTO", "--true", "AUK 12", "--who", "Ada", "--catalogue", "OWN"),
        ("learn", "--catalogue", "OWN"),
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_a_typo_is_one_line_with_file_and_line_whatever_was_asked(run, own, plain_photo, command):
    path = own / "auk_12.toml"
    path.write_text(path.read_text().replace('maker = "', "maker = ", 1))
    words = {"PHOTO": plain_photo("front.jpg"), "OWN": own}
    said = run(*(words.get(word, word) for word in command))
    assert (said.code, said.out) == (2, "")
    (line,) = said.err.splitlines()
    assert line.startswith("error: auk_12.toml, line 2: it is not valid TOML")


def test_one_family_too_many_is_refused_before_any_file_is_opened(run, tmp_path, monkeypatch):
    def opened(*_):
        raise AssertionError("a file was opened")

    (tmp_path / "catalogue.toml").write_text('name = "x"')
    for number in range(20_001):
        (tmp_path / f"{number}.toml").touch()
    for name in ("_hash_files", "_read_entry"):
        monkeypatch.setattr(entries, name, opened)
    said = run("catalogue", "check", tmp_path)
    assert said.code == 2
    assert "20,001 family files, expected 1 to 20,000. Split it into several catalogues" in said.err


def test_patterns_made_to_be_slow_cost_nothing(run, own, plain_photo, seen_as):
    seen_as(front=("KNOT 40", "E", "back"))
    for name in ("auk_11", "knot_40", "dunlin_6"):
        path = own / f"{name}.toml"
        lines = path.read_text().splitlines()
        slow = [
            r"service_number = '^(?:(?:(?:\d+)+)+)+$'" if line.startswith("service_number =") else line
            for line in lines
        ]
        assert slow != lines
        path.write_text("\n".join(slow))
    started = time.process_time()
    said = run("catalogue", "check", own)
    assert said.code in (0, 1)
    assert run("identify", plain_photo("front.jpg"), "--catalogue", own).code == 0
    # A backtracking engine would need ages for one number; the whole of both commands takes a few seconds.
    assert time.process_time() - started < 60


@dataclass(frozen=True)
class EditsMeanwhile(PipelineAnalyser):
    """Sees a simulated unit in each photo; meanwhile somebody breaks the catalogue the run began with."""

    edited: Path = Path()

    def observe(self, data, name):
        head = self.edited / "catalogue.toml"
        head.write_text(head.read_text() + "\nname = [")
        family = load_catalogue(DEMO).by_key["KNOT 40"]
        seen = draw_observations(family, family.variants[0], "back", ErrorModel(), np.random.default_rng(2))
        return replace(seen, photo_sha256=hashlib.sha256(data).hexdigest()), b""


def test_a_catalogue_edited_while_a_batch_runs_changes_nothing_in_it(own, tmp_path, plain_photo):
    began_with = load_catalogue(own).sha256
    (tmp_path / "lot").mkdir()
    for name in ("a.jpg", "a_longer_name.jpg"):  # other names, other shades, other bytes
        shutil.move(plain_photo(name), tmp_path / "lot" / name)
    folder = tmp_path / "run"
    analyser = EditsMeanwhile((folder / "catalogue").resolve(), edited=own)
    outcome = sort_lot(Plan(str(tmp_path / "lot"), own, folder), analyser=analyser)
    assert outcome.catalogue_changed
    with closing(Ledger(folder / "ledger.sqlite")) as ledger, ledger.reading() as session:
        columns, rows = list_units(session)
        units = [dict(zip(columns, row, strict=True)) for row in rows]
        decisions = [json.loads(text) for text in session.scalars(select(Proposal.decision))]
    assert units
    assert len(decisions) == len(units)
    assert {unit["catalogue_sha256"] for unit in units} == {began_with}
    assert {decision["catalogue_sha256"] for decision in decisions} == {began_with}
