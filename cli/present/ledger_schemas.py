"""What the commands about the ledger as a whole print with --json: acts, checks of a report."""

from dataclasses import asdict
from typing import Any, Literal

from plugface.cli.present.schemas import Head
from plugface.cli.store.acts import ActEntry
from pydantic import Field


class LedgerActOut(Head):
    """One line of what `plugface ledger audit --json` prints: who did what."""

    kind: Literal["ledger audit"] = "ledger audit"
    made_at: str = Field(description="UTC, ISO 8601")
    act: str
    who: str = Field(description="name, or account of the machine; empty: not known")
    lot: str = Field(description="key; empty: about the ledger as a whole")
    about: str = Field(description="unit, photo, file or address it was done to")
    facts: dict[str, Any]


LedgerDocument = LedgerActOut


def ledger_act_out(entry: ActEntry) -> LedgerActOut:
    """One line of the audit."""
    return LedgerActOut(**asdict(entry))
