"""The units of a ledger as rows, in SQL that SQLite and PostgreSQL read alike.

Written out, and without SQLAlchemy, which takes most of a second to import: a list of a few units must be
there at once.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from plugface.cli.store.places import SCHEMA

#: Whether a unit stands: not where it is a broken photo that was looked at again and could be read. What such
#: a photo shows is a unit of its own or part of another one; rows are only added, so that the row of the
#: broken photo stays beside it. Nor where another photo lies in its place since.
STILL_COUNTS = """(units.method <> 'broken photo' OR NOT (
    EXISTS (SELECT 1 FROM files AS came_back WHERE came_back.lot_id = units.lot_id
        AND came_back.photo_id IS NOT NULL AND units.group_key = 'unread:' || came_back.path)
    OR EXISTS (SELECT 1 FROM views AS shown JOIN looks AS look ON look.photo_id = shown.photo_id
        WHERE shown.unit_id = units.id AND look.fault = '')
    OR (substr(units.group_key, 1, 7) = 'broken:' AND NOT EXISTS (
        SELECT 1 FROM views AS shown JOIN files AS held ON held.photo_id = shown.photo_id
        WHERE shown.unit_id = units.id AND held.lot_id = units.lot_id
        AND held.id = (SELECT max(newer.id) FROM files AS newer
            WHERE newer.lot_id = held.lot_id AND newer.path = held.path)))))"""

#: One row per unit with its latest proposal and confirmation, in the order the units were recorded; `:lot` is
#: the key of one lot, or empty for all. Its first photo is the first of its own views: rows of photos are
#: shared by lots, and another one may have had the same photos in another order.
UNITS = f"""SELECT lots.key AS lot, units.key AS unit, proposal.destination, proposal.bin, proposal.verdict,
    proposal.family, proposal.variant, proposal.probability, proposal.expected_cost,
    proposal.words AS message, proposal.findings, units.method AS grouped_by,
    (SELECT count(*) FROM views WHERE views.unit_id = units.id) AS photos,
    photos.sha256 AS first_photo_sha256,
    truth.family AS true_family, truth.variant AS true_variant, truth.who AS confirmed_by,
    truth.note AS confirmation_note, truth.confirmed_at, proposal.made_at AS proposed_at,
    proposal.model_version, proposal.catalogue_sha256
FROM units JOIN lots ON units.lot_id = lots.id
LEFT JOIN views AS first ON first.id = (SELECT min(views.id) FROM views WHERE views.unit_id = units.id)
LEFT JOIN photos ON photos.id = first.photo_id
LEFT JOIN proposals AS proposal ON proposal.id =
    (SELECT max(newest.id) FROM proposals AS newest WHERE newest.unit_id = units.id)
LEFT JOIN confirmations AS truth ON truth.id =
    (SELECT max(latest.id) FROM confirmations AS latest WHERE latest.unit_id = units.id)
WHERE {STILL_COUNTS} AND (:lot = '' OR lots.key = :lot)
ORDER BY units.id"""


#: Verdicts that name a family: with another one a row's probability is of one that the unit is not called.
NAMES_A_FAMILY = ("identified", "ambiguous")


@contextmanager
def quick_rows(file: Path, lot: str | None) -> Iterator[tuple[tuple[str, ...], Iterator[tuple]] | None]:
    """The units of an SQLite ledger, read beside whoever writes to it.

    Parameters
    ----------
    file : Path
    lot : str or None
        Key of one lot; None: all lots.

    Yields
    ------
    found : (columns, rows) or None
        None where it is no ledger of this schema, has no such lot, or cannot be read: `Ledger` says why.
    """
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        try:
            (schema,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            known = connection.execute("SELECT 1 FROM lots WHERE key = ?", (lot,)).fetchone()
            found = connection.execute(UNITS, {"lot": lot or ""})
        except (sqlite3.Error, TypeError):
            schema, known, found = "", None, None
        if found is not None and schema == SCHEMA and (lot is None or known):
            yield tuple(name for name, *_ in found.description), iter(found)
        else:
            yield None
