"""A copy of a ledger without donors' numbers.

Rows of a ledger are only added, and its hash chain holds that. So a number that must go, because it may be
personal data, goes with the whole file: what is to be kept is copied, with a chain of its own, and the old
file is deleted by whoever owns it.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from plugface.cli.store.ledger import Base, File, Ledger, LedgerError, Link, Look
from plugface.codec import read_observations, write_observations
from plugface.vision.observations import Observations, Text
from sqlalchemy import insert, select

#: What stands where a number stood.
TAKEN_OUT = "[donor's number taken out]"

#: Rows that are copied in one go. Our choice.
_BATCH = 500


def copy_without_donors(
    source: Ledger, target: Path, is_number: Callable[[str], bool]
) -> tuple[int, tuple[str, ...]]:
    """Write a new ledger that holds all rows of another, with donors' numbers taken out.

    Parameters
    ----------
    source : Ledger
    target : Path
        Must not be there yet.
    is_number : callable
        Whether a line that was read beside a unit may be a donor's number.

    Returns
    -------
    taken : int
        Numbers that were taken out.
    files : tuple of str
        Paths of the photos that show one.

    Raises
    ------
    LedgerError
        If the target is there, or either cannot be used.
    """
    if target.exists():
        raise LedgerError(str(target), "it is there already", "Name a new file")
    copy = Ledger(target)
    taken, photos = 0, set()
    try:
        with source.reading() as old, copy.transaction() as new:
            for table in Base.metadata.sorted_tables:
                if table is Link.__table__:
                    continue
                rows = old.execute(select(table).order_by(table.c.id)).mappings()
                for part in rows.partitions(_BATCH):
                    kept = [dict(row) for row in part]
                    for row in kept if table is Look.__table__ else ():
                        row["observations"], n = _without_numbers(row["observations"], is_number)
                        taken += n
                        photos |= {row["photo_id"]} if n else set()
                    new.execute(insert(table), kept)
            query = select(File.path).where(File.photo_id.in_(photos)).order_by(File.path).distinct()
            files = tuple(old.scalars(query))
    finally:
        copy.close()
    return taken, files


def _without_numbers(observations: str, is_number: Callable[[str], bool]) -> tuple[str, int]:
    try:
        seen = read_observations(observations)
    except ValueError:  # none were made, or a later version wrote them: nothing of it is known here
        return "", 0
    n = sum(is_number(text.value) for text in seen.texts)
    return (write_observations(_redact(seen, is_number)), n) if n else (observations, 0)


def _redact(seen: Observations, is_number: Callable[[str], bool]) -> Observations:
    def kept(text: Text) -> Text:
        return replace(text, value=TAKEN_OUT, characters=()) if is_number(text.value) else text

    return replace(seen, texts=tuple(map(kept, seen.texts)))
