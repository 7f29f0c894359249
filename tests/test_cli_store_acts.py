"""Who did what: acts are rows like all others, and the audit lists them with the confirmations."""

import json

import pytest
from plugface.cli.store.acts import account, list_acts, record_act
from plugface.cli.store.ledger import Ledger, LedgerError, Lot, Unit, now_utc, record_confirmation
from sqlalchemy import text


@pytest.fixture
def ledger(tmp_path):
    """A ledger with a lot of one confirmed unit, and three acts around it."""
    opened = Ledger(tmp_path / "ledger.sqlite")
    with opened.transaction() as session:
        record_act(
            session, "entry", who="phone 3", lot="N", about="198.51.100.7", made_at="2026-01-01T08:00:00Z"
        )
        session.add(Lot(key="N", name="North", source="", market="", created_at=now_utc()))
        session.flush()
        unit = Unit(lot_id=1, key="N-0001", method="m", group_key="g", created_at=now_utc())
        session.add(unit)
        session.flush()
        record_confirmation(
            session, unit, family="AUK 11", variant="", who="Ada", confirmed_at="2026-01-01T09:00:00Z"
        )
        record_act(session, "wrong code", lot="S", made_at="2026-01-01T10:00:00Z", facts={"tries": 2})
    yield opened
    opened.close()


def test_acts_and_confirmations_come_in_the_order_of_their_times(ledger):
    with ledger.reading() as session:
        lines = [(line.act, line.who, line.lot, line.about) for line in list_acts(session)]
        assert lines == [
            ("entry", "phone 3", "N", "198.51.100.7"),
            ("confirmation", "Ada", "N", "N-0001"),
            ("wrong code", "", "S", ""),
        ]
        assert [line.act for line in list_acts(session, "N")] == ["entry", "confirmation"]
        assert list_acts(session)[2].facts == {"tries": 2}


def test_an_act_of_no_known_kind_is_refused(ledger):
    with pytest.raises(ValueError, match="an act must be one of entry"), ledger.transaction() as session:
        record_act(session, "came in")


def test_acts_stay_and_are_chained(ledger):
    for change in ("DELETE FROM acts", "UPDATE acts SET who = 'Eve'", "REPLACE INTO acts SELECT * FROM acts"):
        with pytest.raises(LedgerError, match="about to be changed"), ledger.transaction() as session:
            session.execute(text(change))
    assert ledger.verify().problems == ()
    with ledger.transaction() as session:
        session.execute(text("DROP TRIGGER acts_no_update"))
        session.execute(text("UPDATE acts SET who = 'Eve' WHERE id = 1"))
    assert "acts 1 to 2" in ledger.verify().problems[0]


def test_the_audit_lists_them_and_an_export_is_one(ledger, tmp_path, run):
    where = ("--ledger", ledger.name)
    assert run("ledger", "export", tmp_path / "out.csv", *where).code == 0
    lines = [json.loads(line) for line in run("ledger", "audit", "--json", *where).out.splitlines()]
    assert [line["act"] for line in lines] == ["entry", "confirmation", "wrong code", "export"]
    assert (lines[3]["who"], lines[3]["facts"]["units"]) == (account(), 1)
    shown = run("ledger", "audit", "--lot", "N", *where)
    assert shown.code == 0
    assert "phone 3" in shown.out
    assert all(f"{line['made_at'][:19]} " in run("ledger", "audit", *where).out for line in lines)
    assert "wrong code" not in shown.out
    assert run("ledger", "audit", "--lot", "none", *where).code == 2
