"""Put two photos of the demo into the older ledgers, in place of those that they hold.

    uv run python tests/ledgers/make.py

The ledgers were made by the versions that they are named after. What a photo shows and what was decided of
it has had the same form since, so both are taken from a run of today; the third look repeats the first in the
form of observations before these carried a version. Every link of the chain is hashed anew, as those did it.
"""

import argparse
import hashlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from plugface.cli.evaluation.measure_vision import read_rows
from plugface.cli.lot.sorting import Plan, sort_lot
from plugface.cli.settings import default_catalogue, demo_folder
from plugface.cli.store.chain import CHAINED, START

FOLDER = Path(__file__).parent

#: Three plugs, then one: what the tests ask of these looks.
FAMILIES = ("DUNLIN 6", "CURLEW 5")

#: What people say they are, where a ledger holds a variant.
VARIANTS = {"DUNLIN 6": "first", "CURLEW 5": "home"}


def find_photos(families: tuple[str, ...]) -> Iterator[Path]:
    """For each family a plain front of the train split, all of whose plugs are seen well."""
    for family in families:
        yield demo_folder() / next(
            row["photo"]
            for row in read_rows(demo_folder(), "train")
            if row["view"] == "front"
            and [unit["family"] for unit in row["units"]] == [family]
            and all(plug["visible"] > 0.78 and not plug["missing"] for plug in row["units"][0]["connectors"])
        )


def sort_photos(photos: list[Path], folder: Path) -> list[dict[str, dict]]:
    """Rows of a run over the photos by table, one of each for every photo."""
    for number, photo in enumerate(photos, start=1):
        (folder / "lot" / f"u{number}").mkdir(parents=True)
        shutil.copy(photo, folder / "lot" / f"u{number}" / "front.jpg")
    sort_lot(Plan(str(folder / "lot"), default_catalogue(), folder / "run", workers=1))
    made = []
    with closing(sqlite3.connect(folder / "run" / "ledger.sqlite")) as db:
        db.row_factory = sqlite3.Row
        for number in range(1, len(photos) + 1):
            key = f"folder:u{number}"
            (unit,) = db.execute("SELECT id FROM units WHERE group_key = ?", (key,)).fetchone()
            of_photo = "= (SELECT photo_id FROM views WHERE unit_id = ?)"
            asked = {
                "photos": f"id {of_photo}",
                "files": f"photo_id {of_photo}",
                "looks": f"photo_id {of_photo}",
                "proposals": "unit_id = ?",
            }
            made.append(
                {
                    table: dict(db.execute(f"SELECT * FROM {table} WHERE {which}", (unit,)).fetchone())
                    for table, which in asked.items()
                }
            )
    return made


def in_older_form(observations: str, sha256: str) -> str:
    """Observations as they were written before they carried a version."""
    document = {name: value for name, value in json.loads(observations).items() if name != "format"}

    def older(value: object) -> object:
        if isinstance(value, dict):
            return {"way" if k == "flip_evidence" else k: older(v) for k, v in value.items()}
        return [older(v) for v in value] if isinstance(value, list) else value

    return json.dumps(older(document | {"photo_sha256": sha256}))


def hash_links(db: sqlite3.Connection) -> Iterator[tuple[int, str]]:
    """Number and hash of every link, over the rows themselves."""
    head = START
    for link, spans, made_at in db.execute("SELECT id, rows, made_at FROM links ORDER BY id").fetchall():
        digest = hashlib.sha256(f"{head}\n{made_at}\n{spans}\n".encode())
        for table in CHAINED:
            start, end = json.loads(spans).get(table, (0, 0))
            if end > start:
                rows = db.execute(f"SELECT * FROM {table} WHERE id > ? AND id <= ? ORDER BY id", (start, end))
                for row in rows:
                    digest.update(json.dumps([table, *row], ensure_ascii=True).encode())
        head = digest.hexdigest()
        yield link, head


def rewrite(file: Path, made: list[dict[str, dict]]) -> None:
    """Put photos, looks, proposals and what people said of them into one ledger."""
    with closing(sqlite3.connect(file)) as db:
        triggers = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        chained = bool(db.execute("SELECT 1 FROM sqlite_master WHERE name = 'links'").fetchone())
        if chained and dict(hash_links(db)) != dict(db.execute("SELECT id, sha256 FROM links")):
            raise SystemExit(f"{file}: its links do not fit its rows as they are; left as it is")
        for number, rows in enumerate(made if chained else (), start=1):
            for table, kept in (
                ("photos", ("sha256", "size_bytes")),
                ("files", ("size_bytes",)),
                ("looks", ("version", "observations")),
                ("proposals", tuple(rows["proposals"].keys() - {"id", "unit_id", "made_at"})),
            ):
                has = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
                new = {name: rows[table][name] for name in kept}
                if "words" in has and "message" in new:
                    new["words"] = new.pop("message")
                if not new.keys() <= has:
                    raise SystemExit(f"{file}: {table} has no {', '.join(new.keys() - has)}; left as it is")
                sets = ", ".join(f"{name} = ?" for name in new)
                db.execute(f"UPDATE {table} SET {sets} WHERE id = ?", (*new.values(), number))
        if chained:
            (sha256,) = db.execute("SELECT sha256 FROM photos WHERE id = 3").fetchone()
            third = in_older_form(made[0]["looks"]["observations"], sha256)
            db.execute("UPDATE looks SET observations = ? WHERE id = 3", (third,))
        for said, unit, variant in db.execute("SELECT id, unit_id, variant FROM confirmations").fetchall():
            family = FAMILIES[(unit - 1) % len(FAMILIES)]
            told = VARIANTS[family] if variant else ""
            db.execute("UPDATE confirmations SET family = ?, variant = ? WHERE id = ?", (family, told, said))
        for link, sha256 in hash_links(db) if chained else ():
            db.execute("UPDATE links SET sha256 = ? WHERE id = ?", (sha256, link))
        for _, sql in triggers:
            db.execute(sql)
        db.commit()
        db.execute("VACUUM")


def main() -> None:
    """Rewrite those in the folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where the ledgers lie")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        made = sort_photos(list(find_photos(FAMILIES)), Path(place))
    for family, rows in zip(FAMILIES, made, strict=True):
        if (said := rows["proposals"]["family"]) != family:
            raise SystemExit(f"a photo of {family} was taken for {said or 'none of the catalogue'}")
    for file in sorted(asked.folder.glob("0*.sqlite")):
        rewrite(file, made)
        print(f"{file}: {', '.join(FAMILIES)}")


if __name__ == "__main__":
    main()
