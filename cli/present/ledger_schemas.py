"""What the commands about the ledger as a whole print with --json: acts, checks of a report."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from plugface.cli.present.schemas import Head
from pydantic import Field

if TYPE_CHECKING:  # a schema is printed without the ledger
    from plugface.cli.present.report.provenance import Compared
    from plugface.cli.store.acts import ActEntry


class LedgerActOut(Head):
    """One line of what `plugface ledger audit --json` prints: who did what."""

    kind: Literal["ledger audit"] = "ledger audit"
    made_at: str = Field(description="UTC, ISO 8601")
    act: str
    who: str = Field(description="name, or account of the machine; empty: not known")
    lot: str = Field(description="key; empty: about the ledger as a whole")
    about: str = Field(description="unit, photo, file or address it was done to")
    facts: dict[str, Any]


class VerifyOut(Head):
    """What `plugface verify --json` prints: a report or an export beside its ledger, each line in words."""

    kind: Literal["verify"] = "verify"
    file: str
    ledger: str = Field(description="empty: not found, and the file does not fit its own manifest")
    agrees: list[str]
    differs: list[str] = Field(description="empty when all agrees; else the exit code is 1")
    notes: list[str]


LedgerDocument = LedgerActOut | VerifyOut


def verify_out(file: Path, ledger: str, found: "Compared") -> VerifyOut:
    """The document for `plugface verify --json`."""
    return VerifyOut(file=str(file), ledger=ledger, **asdict(found))


def ledger_act_out(entry: "ActEntry") -> LedgerActOut:
    """One line of the audit."""
    return LedgerActOut(**asdict(entry))
