"""Every document that --json prints is described, and is what its description says."""

import inspect
import json
from importlib import import_module

import pytest
from plugface.cli.main import COMMANDS
from plugface.cli.present.schemas import AnyDocument, CatalogueCheckOut, LedgerUnitOut, SortOut
from plugface.cli.settings import demo_folder
from plugface.cli.store.ledger import Ledger, Lot, Unit, list_units, now_utc
from pydantic import TypeAdapter

DOCUMENT = TypeAdapter(AnyDocument)


def kinds(run) -> dict[str, dict]:
    """kind -> JSON Schema of its document, as the command prints them."""
    schema = json.loads(run("schema").out)
    mapping = schema["discriminator"]["mapping"]
    return {kind: schema["$defs"][ref.rpartition("/")[2]] for kind, ref in mapping.items()}


def test_every_key_is_described_by_a_type(run):
    # Nothing is left open but the facts of an error.
    for name, model in json.loads(run("schema").out)["$defs"].items():
        assert model.get("additionalProperties") is False, name


def test_every_command_with_json_has_its_document_under_its_own_name(run):
    printing = set()
    for name, entry in COMMANDS.items():
        module, function = entry.where.split(":")
        if "as_json" in inspect.signature(getattr(import_module(module), function)).parameters:
            printing.add(name)
    assert {"identify", "sort", "ledger list", "catalogue check"} <= printing
    assert printing <= kinds(run).keys()


def test_a_sorted_lot_and_its_units(run, tmp_path):
    (tmp_path / "lot").mkdir()
    (tmp_path / "lot" / "torn.jpg").write_bytes(b"no picture")
    said = run("sort", tmp_path / "lot", "--out", tmp_path / "run", "--workers", 1, "--no-pdf", "--json")
    document = DOCUMENT.validate_json(said.out)
    assert isinstance(document, SortOut)
    assert (document.files, document.broken, document.places) == (1, 1, {"retake": 1})
    (line,) = run("ledger", "list", "--ledger", tmp_path / "run", "--json").out.splitlines()
    unit = DOCUMENT.validate_json(line)
    assert isinstance(unit, LedgerUnitOut)
    assert (unit.destination, unit.true_family) == ("retake", None)


def test_a_unit_without_a_proposal_is_still_what_the_schema_says(run, tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    with ledger.transaction() as session:
        session.add(Lot(key="l", name="l", source="", market="", created_at=now_utc()))
        session.flush()
        session.add(Unit(lot_id=1, key="A-1", method="file name", group_key="k", created_at=now_utc()))
    with ledger.reading() as session:
        columns, _rows = list_units(session)
    assert list(LedgerUnitOut.model_fields) == ["version", "plugface", "kind", *columns]
    (line,) = run("ledger", "list", "--ledger", tmp_path, "--json").out.splitlines()
    assert DOCUMENT.validate_json(line).destination is None


@pytest.mark.parametrize("readable", [True, False])
def test_a_checked_catalogue(run, tmp_path, readable):
    folder = demo_folder() / "marrow_finch"
    if not readable:
        folder = tmp_path
        (folder / "catalogue.toml").write_text("name = [")
    document = DOCUMENT.validate_json(run("catalogue", "check", folder, "--json").out)
    assert isinstance(document, CatalogueCheckOut)
    assert (document.readable, bool(document.errors), bool(document.sha256)) == (
        readable,
        not readable,
        readable,
    )
