"""Who did what: entries, codes, exports, deletions, moves, each a row that stays like all others.

A confirmation is a row of its own already, with its witness and time, and is not written down twice:
`list_acts` gives both in the order of their times.
"""

import getpass
import json
from collections.abc import Mapping
from dataclasses import dataclass

from plugface.cli.store.ledger import now_utc
from plugface.cli.store.tables import Act, Confirmation, Lot, Unit
from sqlalchemy import select
from sqlalchemy.orm import Session

#: What can be done, in a word or two. A new kind is added here, so that a typing mistake is none.
ACTS = (
    "entry",  # somebody came into a lot with its code
    "wrong code",
    "code made",
    "code changed",
    "code revoked",
    "export",
    "report",
    "backup begun",  # without a "backup" after it: it was cut off
    "backup",
    "restore",
    "lot sent",
    "lot not sent",  # what was sent before could not be written
    "lot taken in",
    "deletion",
    "sweep",
)

#: The kind under which `list_acts` gives confirmations.
CONFIRMATION = "confirmation"


@dataclass(frozen=True)
class ActEntry:
    """One line of the audit."""

    made_at: str
    act: str
    who: str  # name, or account of the machine; empty: not known
    lot: str  # key; empty: about the ledger as a whole
    about: str  # unit, photo, file or address that it was done to
    facts: dict[str, object]


def record_act(
    session: Session,
    act: str,
    *,
    who: str = "",
    lot: str = "",
    about: str = "",
    facts: Mapping[str, object] | None = None,
    made_at: str | None = None,
) -> Act:
    """Add what somebody did, inside a transaction of the ledger.

    Parameters
    ----------
    session : Session
        As `Ledger.transaction` gives it.
    act : str
        One of `ACTS`.
    who : str
        Name of a person or of the code they came in with; never the code itself.
    lot : str
        Key of the lot.
    about : str
        Unit, photo, file or address it was done to.
    facts : mapping, optional
        Whatever else a reader of the audit needs, as JSON can hold it.
    made_at : str, optional
        UTC, ISO 8601; now where it is not given.

    Raises
    ------
    ValueError
        If `act` is no known kind.
    """
    if act not in ACTS:
        raise ValueError(f"an act must be one of {', '.join(ACTS)}; got {act!r}")
    row = Act(
        act=act,
        who=_storable(who),
        lot=_storable(lot),
        about=_storable(about),
        facts=_storable(json.dumps(facts or {}, sort_keys=True, ensure_ascii=False)),
        made_at=made_at or now_utc(),
    )
    session.add(row)
    return row


def list_acts(session: Session, lot: str | None = None) -> list[ActEntry]:
    """Acts and confirmations, the earliest first.

    Parameters
    ----------
    session : Session
    lot : str or None
        Key of one lot; None: all, with what was done to the ledger as a whole.
    """
    acts = select(Act).order_by(Act.id)
    truths = (
        select(Confirmation, Unit.key, Lot.key)
        .join(Unit, Unit.id == Confirmation.unit_id)
        .join(Lot, Lot.id == Unit.lot_id)
        .order_by(Confirmation.id)
    )
    if lot is not None:
        acts, truths = acts.where(Act.lot == lot), truths.where(Lot.key == lot)
    entries = [
        ActEntry(row.made_at, row.act, row.who, row.lot, row.about, json.loads(row.facts))
        for row in session.scalars(acts)
    ]
    entries += [
        ActEntry(
            row.confirmed_at, CONFIRMATION, row.who, lot_key, unit_key,
            {"family": row.family, "variant": row.variant, "note": row.note},
        )
        for row, unit_key, lot_key in session.execute(truths)
    ]  # fmt: skip
    return sorted(entries, key=lambda entry: entry.made_at)  # stable: of equals the earlier row first


def _storable(text: str) -> str:
    """The same text with what is no UTF-8, as a file's name may hold it, as its number."""
    return text.encode("utf-8", "backslashreplace").decode()


def account() -> str:
    """Name of the machine's account that runs the program, for acts of the command line."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name, as in a container
        return ""
