"""What mistakes cost a shop is set in its catalogue, reaches every door, and stands in every result."""

import json
import shutil
from pathlib import Path

import pytest
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import Ledger
from plugface.cli.store.tables import Proposal
from plugface.cli.web.answering import AskedPhoto, Question, answer
from plugface.codec import read_decision
from sqlalchemy import select

#: A mistake costs so much that nothing is ever accepted: from 0.9999998 on.
WRONG_ACCEPT = 5_000_000
USUAL = 200


@pytest.fixture(params=[USUAL, WRONG_ACCEPT], ids=["usual", "costly"])
def shop(request, tmp_path) -> tuple[int, Path]:
    """What a wrong answer costs, and the folder of the catalogue that says so."""
    if request.param == USUAL:
        return USUAL, demo_folder() / "marrow_finch"
    folder = Path(shutil.copytree(demo_folder() / "marrow_finch", tmp_path / "costly"))
    with (folder / "catalogue.toml").open("a") as head:
        head.write(f"\n[costs]\nwrong_accept = {WRONG_ACCEPT}\n")
    return WRONG_ACCEPT, folder


@pytest.fixture
def front(seen_as, plain_photo) -> Path:
    """The front of a unit, on which nothing is seen wrong."""
    seen_as(faultless=True, front=("DUNLIN 6", "south", "front"))
    return plain_photo("front.jpg")


def verdict_of(cost: int) -> str:
    return "identified" if cost == USUAL else "ambiguous"


def test_identify_and_opinion_go_by_them(run, front, shop):
    cost, folder = shop
    document = json.loads(run("identify", front, "--catalogue", folder, "--json").out)
    decision = document["decision"]
    assert (decision["verdict"], decision["costs"]["wrong_accept"]) == (verdict_of(cost), cost)
    said = run("opinion", front, "--claimed", "DUNLIN 6", "--catalogue", folder, "--json")
    document = json.loads(said.out)
    assert document["opinion"] == ("agrees" if cost == USUAL else "cannot tell")
    assert document["decision"]["costs"]["wrong_accept"] == cost


def test_sorting_goes_by_them(run, front, shop, tmp_path):
    cost, folder = shop
    lot = tmp_path / "lot"
    lot.mkdir()
    shutil.copy(front, lot)
    said = run("sort", lot, "--workers", 1, "--out", tmp_path / "run", "--catalogue", folder)
    assert said.code == 0, said.err
    with Ledger(tmp_path / "run" / "ledger.sqlite").reading() as session:
        (text,) = session.scalars(select(Proposal.decision))
    decision = read_decision(text)
    assert (decision.verdict, decision.costs.wrong_accept) == (verdict_of(cost), cost)


def test_the_yard_page_goes_by_them(front, shop):
    cost, folder = shop
    reply = answer(Question((AskedPhoto(str(front), front.name, "", ""),), "", {}, str(folder)))
    assert reply.verdict == verdict_of(cost)
    assert read_decision(reply.decision).costs.wrong_accept == cost
    assert json.loads(reply.document)["identify"]["decision"]["costs"]["wrong_accept"] == cost
