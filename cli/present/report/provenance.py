"""What a report or an export was made with, by hashes, so that it can be compared with its ledger later.

A report carries its manifest inside, as JSON; an export has it beside it, as NAME.manifest.json. It shows
change, not authorship: whoever can write a page can write another manifest for it, too. What holds against
that is the ledger, which `plugface verify` compares every shown row with, and the last link on the page.
"""

import csv
import hashlib
import json
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from plugface.cli.present.terminal import percent
from plugface.cli.store.ledger import (
    Confirmation,
    Ledger,
    Link,
    Look,
    Lot,
    Photo,
    Proposal,
    Unit,
    View,
    look_of_lot,
    now_utc,
)
from plugface.cli.version import installed_version, weights_hashes
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

FORMAT = 1
_OPEN, _CLOSE = '<script type="application/json" id="plugface-manifest">', "</script>\n"
#: Columns of a proposal that an export shows and a reader would act on.
_SHOWN = ("destination", "bin", "verdict", "family", "variant", "message", "findings")


class NoManifest(Exception):
    """A file that carries no manifest: which one, what is wrong, what mends it."""

    def __init__(self, file: str, problem: str, remedy: str) -> None:
        self.file, self.problem, self.remedy = file, problem, remedy
        super().__init__(f"{file}: {problem}. {remedy}")


class LedgerNotFound(Exception):
    """A file whose ledger lies neither beside it nor in its usual place: which file, what mends it."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problem = (
            "the ledger that it was written from was not found, neither beside it nor in your data folder"
        )
        self.remedy = "Name that ledger, or the folder of its run, with --ledger"
        super().__init__(f"{file}: {self.problem}. {self.remedy}")


@dataclass
class Compared:
    """What agrees between a file and a ledger, what does not, and what is worth knowing; each in words."""

    agrees: list[str] = field(default_factory=list)
    differs: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def say(self, good: bool, what: str, wrong: str) -> None:
        """Add one line to the side where it belongs."""
        (self.agrees if good else self.differs).append(what if good else wrong)


def make_manifest(session: Session, kind: str, lot: str | None) -> dict:
    """What a report or export of a lot (None: of all lots) is made with, from the ledger and this machine."""
    units = _units(session, lot)
    last = session.execute(select(Link.id, Link.sha256).order_by(Link.id.desc()).limit(1)).first()
    looks = (
        select(Look.version).join(View, View.photo_id == Look.photo_id).join(Unit, Unit.id == View.unit_id)
    )
    looks = looks.join(Lot, Lot.id == Unit.lot_id).where(look_of_lot(Unit.lot_id))
    if lot is not None:
        looks = looks.where(Lot.key == lot)
    proposals = [proposal for _unit, _lot, proposal in units if proposal]
    return {
        "format": FORMAT,
        "kind": kind,
        "made_at": now_utc(),
        "plugface": installed_version(),
        "lot": lot,
        "weights": weights_hashes(),
        "looks": sorted(set(session.scalars(looks))),
        "model_sha256": _model_hash(),
        "models": sorted({proposal.model_version for proposal in proposals} - {""}),
        "catalogues": sorted({proposal.catalogue_sha256 for proposal in proposals} - {""}),
        "links": last.id if last else 0,
        "head": last.sha256 if last else "",
    }


def rows_of(session: Session, lot: str) -> dict[str, str]:
    """Unit -> SHA-256 of its row: its latest proposal and its photos."""
    return {
        unit.key: row_hash(session, unit, proposal)
        for unit, _lot, proposal in _units(session, lot)
        if proposal
    }


def row_hash(session: Session, unit: Unit, proposal: Proposal) -> str:
    """SHA-256 of what a report says about a unit."""
    photos = select(Photo.sha256).join(View, View.photo_id == Photo.id).where(View.unit_id == unit.id)
    row = [unit.key, *(getattr(proposal, name) for name in _SHOWN)]
    row += [proposal.probability, proposal.expected_cost, proposal.model_version, proposal.catalogue_sha256]
    row += [proposal.made_at, sorted(set(session.scalars(photos)))]
    return hashlib.sha256(json.dumps(row, ensure_ascii=True).encode()).hexdigest()


def seal_page(page: str, manifest: dict, rows: dict[str, str]) -> str:
    """The page with its manifest inside, which also names the hash of the page without it."""
    whole = manifest | {"rows": rows, "page_sha256": hashlib.sha256(page.encode()).hexdigest()}
    coded = json.dumps(whole, ensure_ascii=True).replace("<", "\\u003c")  # nothing in it can end the element
    body = page.rindex("</body>")
    return f"{page[:body]}{_OPEN}{coded}{_CLOSE}{page[body:]}"


def write_export_manifest(part: Path, out: Path, manifest: dict, count: int) -> tuple[dict, Path]:
    """What an export was made with, in a file of its own.

    Parameters
    ----------
    part : Path
        The export as it was written, not in its place yet.
    out : Path
        Its place.
    manifest : dict
    count : int
        Its units.

    Returns
    -------
    whole : dict
    written : Path
        File that is to be put in the place that `manifest_path` gives.
    """
    whole = manifest | {"file": out.name, "units": count, "file_sha256": _file_hash(part)}
    written = part.with_name(f".{manifest_path(out).name}.part")
    written.write_text(json.dumps(whole, indent=1), encoding="utf-8")
    return whole, written


def manifest_path(out: Path) -> Path:
    """Where the manifest of an export lies."""
    return out.with_name(f"{out.name}.manifest.json")


def check_unchanged(out: Path) -> None:
    """Refuse a place where something lies that no export is: a list, or a sheet that somebody wrote into.

    Raises
    ------
    FileExistsError
        If there is a file, and its manifest beside it is missing or tells other bytes.
    """
    if not out.exists():
        return
    try:
        written = json.loads(manifest_path(out).read_text(encoding="utf-8"))["file_sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        written = None
    if not out.is_file() or written != _file_hash(out):
        raise FileExistsError(17, "there is such a file already, and not as plugface wrote it", str(out))


def names_link_of(file: Path, ledger: Ledger) -> bool:
    """Whether the link that a report or an export names is in a ledger's chain: it was written from it.

    Raises
    ------
    NoManifest
        If it carries none.
    OSError
    """
    _page, manifest = _page_and_manifest(file)
    with ledger.reading() as session:
        return _find_link(session, manifest) is not None


def compare_bytes(file: Path) -> Compared:
    """Compare a report or an export with its own manifest alone.

    Raises
    ------
    NoManifest
        If it carries none.
    OSError
    """
    page, manifest = _page_and_manifest(file)
    if _is_page(file):
        what, same = "page", hashlib.sha256(page.encode()).hexdigest() == manifest.get("page_sha256")
    else:
        what, same = "file", _file_hash(file) == manifest.get("file_sha256")
    found = Compared()
    found.say(
        same, f"the {what} is byte for byte as it was written", f"the {what} was changed after it was written"
    )
    return found


def compare_file(file: Path, ledger: Ledger) -> Compared:
    """Compare a report or an export with a ledger.

    Raises
    ------
    NoManifest
        If it carries none.
    OSError
    """
    found = compare_bytes(file)
    page, manifest = _page_and_manifest(file)
    chain = ledger.verify()
    found.say(
        not chain.problems,
        f"the ledger fits its hash chain ({chain.links} links)",
        f"the ledger is not as plugface wrote it: {chain.problems[0] if chain.problems else ''}",
    )
    with ledger.reading() as session:
        _compare_origin(session, manifest, found)
        if _is_page(file):
            _compare_page(session, page, manifest, found)
        else:
            _compare_export(session, file, found)
    if manifest.get("plugface") != installed_version():
        found.notes.append(
            f"written by plugface {manifest.get('plugface')}, compared by {installed_version()}"
        )
    return found


def _model_hash() -> str:
    from plugface.cli.store.learned_model import learned_model_path
    from plugface.models.learning.classifier import default_model_path

    learned = learned_model_path()
    return _file_hash(learned if learned.is_file() else default_model_path())


def _file_hash(file: Path) -> str:
    with file.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def _is_page(file: Path) -> bool:
    return file.suffix.lower() in (".html", ".htm")


def _page_and_manifest(file: Path) -> tuple[str, dict]:
    """A report without its manifest, or nothing for an export; and the manifest."""
    return _split_page(file) if _is_page(file) else ("", _read_manifest(file))


def _split_page(file: Path) -> tuple[str, dict]:
    text = file.read_bytes().decode("utf-8", "replace")
    start = text.rfind(_OPEN)
    end = text.find(_CLOSE, start)
    if start < 0 or end < 0:
        raise NoManifest(
            str(file), "it carries no manifest of plugface", "Name a report as `plugface sort` wrote it"
        )
    try:
        manifest = _checked(json.loads(text[start + len(_OPEN) : end]))
    except ValueError:
        raise NoManifest(str(file), "its manifest cannot be read", "Make the report again") from None
    return text[:start] + text[end + len(_CLOSE) :], manifest


def _read_manifest(file: Path) -> dict:
    beside = manifest_path(file)
    try:
        return _checked(json.loads(beside.read_text("utf-8")))
    except FileNotFoundError:
        raise NoManifest(
            str(file), f"its manifest {beside.name} does not lie beside it", "Put it there"
        ) from None
    except ValueError:
        raise NoManifest(str(beside), "it cannot be read", "Export again") from None


def _checked(manifest: object) -> dict:
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise ValueError("no manifest of a known format")
    return manifest


def _units(session: Session, lot: str | None) -> list[tuple[Unit, str, Proposal | None]]:
    earlier = aliased(Proposal)
    newest = select(func.max(earlier.id)).where(earlier.unit_id == Unit.id).scalar_subquery()
    query = select(Unit, Lot.key, Proposal).join(Lot, Lot.id == Unit.lot_id)
    query = query.outerjoin(Proposal, Proposal.id == newest).order_by(Unit.id)
    rows = session.execute(query if lot is None else query.where(Lot.key == lot))
    return [(unit, key, proposal) for unit, key, proposal in rows]


def _find_link(session: Session, manifest: dict) -> int | None:
    """Number of the link that a manifest names."""
    return session.scalar(select(Link.id).where(Link.sha256 == str(manifest.get("head"))))


def _compare_origin(session: Session, manifest: dict, found: Compared) -> None:
    """The link, the looks, models and catalogues a file names, against what the ledger's rows name."""
    lot, head = manifest.get("lot"), str(manifest.get("head"))
    link = _find_link(session, manifest)
    found.say(
        link is not None,
        f"the link it names, {head[:16]}, is in the ledger's chain" + (f" as number {link}" if link else ""),
        f"the link it names, {head[:16]}, is not in this ledger's chain: another ledger, or a forged one",
    )
    asked = select(Proposal.model_version, Proposal.catalogue_sha256).join(Unit, Unit.id == Proposal.unit_id)
    looks = (
        select(Look.version).join(View, View.photo_id == Look.photo_id).join(Unit, Unit.id == View.unit_id)
    )
    if lot is not None:
        asked = asked.join(Lot, Lot.id == Unit.lot_id).where(Lot.key == lot)
        looks = looks.join(Lot, Lot.id == Unit.lot_id).where(Lot.key == lot)
    models, catalogues = set(), set()
    for model, catalogue in session.execute(asked.distinct()):
        models.add(model)
        catalogues.add(catalogue)
    for name, known in (
        ("models", models), ("catalogues", catalogues), ("looks", set(session.scalars(looks.distinct()))),
    ):  # fmt: skip
        named = set(manifest.get(name) or ())
        missing = sorted(str(value) for value in named - known)
        what = {"models": "model", "catalogues": "catalogue", "looks": "vision and weights"}[name]
        found.say(
            not missing,
            f"{what}: {', '.join(sorted(map(str, named))) or 'none'}",
            f"{what}: {', '.join(missing)} made no row of this ledger",
        )
    if manifest.get("weights") != weights_hashes():
        found.notes.append("this machine's networks are others than those it was made with")


def _compare_page(session: Session, page: str, manifest: dict, found: Compared) -> None:
    lot = str(manifest.get("lot"))
    shown = read_page(page)
    rows = manifest.get("rows") or {}
    same = 0
    units = {unit.key: unit for unit, _key, _proposal in _units(session, lot)}
    for key in sorted(rows.keys() | shown.keys()):
        unit = units.get(key)
        if unit is None:
            found.differs.append(f"unit {key} is not in the ledger (any more)")
            continue
        proposals = session.scalars(select(Proposal).filter_by(unit_id=unit.id).order_by(Proposal.id)).all()
        meant = next((p for p in reversed(proposals) if row_hash(session, unit, p) == rows.get(key)), None)
        if meant is None:
            found.differs.append(f"unit {key}: its row in the manifest is none of the ledger's")
            meant = proposals[-1] if proposals else None
        wrong = _differences(shown.get(key), meant) if meant else ["it has no proposal in the ledger"]
        if wrong:
            found.differs.append(f"unit {key}: {'; '.join(wrong)}")
        elif meant is not None and key in rows and row_hash(session, unit, meant) == rows[key]:
            same += 1
        if meant is not None and meant is not proposals[-1]:
            found.notes.append(
                f"unit {key} was proposed anew since, as {_answer(proposals[-1]) or 'no family'}"
            )
    found.agrees.append(f"{same} units are shown as the ledger has them")
    made = str(manifest.get("made_at"))
    since = select(Confirmation.unit_id).where(Confirmation.confirmed_at > made).distinct()
    confirmed = len({units[key].id for key in rows if key in units} & set(session.scalars(since)))
    if confirmed:
        be = "unit was" if confirmed == 1 else "units were"
        found.notes.append(f"{confirmed} {be} confirmed since, which the page does not show")
    later = len(units.keys() - rows.keys())
    if later:
        found.notes.append(f"{later} units of the lot are not on the page")


@dataclass
class Shown:
    """What a page shows of one unit."""

    bin: str = ""
    answer: str | None = None  # None: it was listed without one
    probability: str = ""


def read_page(page: str) -> dict[str, Shown]:
    """Unit -> what a report shows of it."""
    reader = _PageReader()
    reader.feed(page)
    reader.close()
    for shown in reader.units.values():
        shown.bin = _plain(shown.bin.replace("\N{NON-BREAKING HYPHEN}", "-"))
        shown.answer = shown.answer if shown.answer is None else _plain(shown.answer)
        shown.probability = _plain(shown.probability)
    return reader.units


def _plain(text: str) -> str:
    """Text as a browser shows it: with single spaces."""
    return " ".join(text.split())


def _answer(proposal: Proposal) -> str:
    return " ".join(filter(None, (proposal.family, proposal.variant)))


def _differences(shown: Shown | None, proposal: Proposal) -> list[str]:
    if shown is None:
        return ["the page does not show it"]
    wrong = []
    if shown.bin != _plain(proposal.bin.replace("\N{NON-BREAKING HYPHEN}", "-")):
        wrong.append(f'the page says bin "{shown.bin}", the ledger "{proposal.bin}"')
    if shown.answer is not None:
        answer = _answer(proposal)
        if shown.answer != _plain(answer):
            wrong.append(f'the page says "{shown.answer}", the ledger "{answer}"')
        elif answer and not shown.probability.startswith(f"({percent(proposal.probability)} "):
            wrong.append(f'the page says "{shown.probability}", the ledger {percent(proposal.probability)}')
    return wrong


class _PageReader(HTMLParser):
    """Reads key, bin, answer and probability of every unit out of a report."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.units: dict[str, Shown] = {}
        self._key, self._in_card, self._where, self._cell = "", False, "", 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = dict(attrs)
        classes = (said.get("class") or "").split()
        if tag == "article" and "card" in classes:
            self._key, self._in_card = said.get("id") or "", True
            self.units[self._key] = Shown(answer="")
        elif tag == "tr" and said.get("id"):
            self._key, self._in_card, self._cell = said["id"] or "", False, 0
            self.units[self._key] = Shown()
        elif not self._key:
            return
        elif self._in_card and tag == "h3":
            self._where = "bin"
        elif self._in_card and tag == "p" and "answer" in classes:
            self._where = "answer"
        elif self._where == "answer" and tag == "span":
            self._where = "probability"
        elif self._where == "bin" and tag == "span":
            self._where = "sign"
        elif not self._in_card and tag == "td":
            self._cell += 1
            self._where = "bin" if self._cell == 2 else ""

    def handle_endtag(self, tag: str) -> None:
        if tag in ("article", "tr"):
            self._key, self._where = "", ""
        elif tag in ("h3", "p", "td"):
            self._where = ""
        elif tag == "span" and self._where == "sign":
            self._where = "bin"
        elif tag == "span" and self._where == "probability":
            self._where = ""

    def handle_data(self, data: str) -> None:
        if self._key and self._where in ("bin", "answer", "probability"):
            shown = self.units[self._key]
            setattr(shown, self._where, f"{getattr(shown, self._where) or ''}{data}")


def _compare_export(session: Session, file: Path, found: Compared) -> None:
    rows = _read_export(file)
    if rows is None:
        found.notes.append(
            "the rows of a sheet for people are not read here: compare a .jsonl or a --raw .csv for them"
        )
        return
    units: dict[tuple[Any, Any], Unit] = {
        (lot, unit.key): unit for unit, lot, _proposal in _units(session, None)
    }
    same = 0
    for number, row in enumerate(rows, start=1):
        if row is None:
            found.differs.append(f"line {number} cannot be read")
            continue
        key = f"{row.get('lot')} {row.get('unit')}"
        unit = units.get((row.get("lot"), row.get("unit")))
        if unit is None:
            found.differs.append(f"unit {key} is not in the ledger (any more)")
            continue
        made_at = row.get("proposed_at") or ""
        query = select(Proposal).filter_by(unit_id=unit.id, made_at=made_at).order_by(Proposal.id.desc())
        proposal = session.scalars(query.limit(1)).first()
        if proposal is None and made_at:
            found.differs.append(f"unit {key}: the ledger has no proposal of {made_at}")
            continue
        wrong = [
            f'the file says {name} "{row.get(name)}", the ledger "{getattr(proposal, name)}"'
            for name in (*_SHOWN, "model_version", "catalogue_sha256")
            if proposal is not None and (row.get(name) or "") != getattr(proposal, name)
        ]
        if wrong:
            found.differs.append(f"unit {key}: {'; '.join(wrong)}")
        else:
            same += 1
    found.agrees.append(f"{same} units are as the ledger has them")


def _read_export(file: Path) -> list[dict | None] | None:
    """Rows of an export, None for one that cannot be read; None for a kind of file that is not read."""
    if file.suffix.lower() == ".jsonl":
        return [_read_line(line) for line in file.read_bytes().splitlines()]
    if file.suffix.lower() != ".csv":
        return None
    with file.open(encoding="utf-8-sig", errors="replace", newline="") as text:
        reader = csv.DictReader(text)
        if "unit" not in (reader.fieldnames or ()):  # a sheet for people, in words
            return None
        return [{name: _unquoted(value) for name, value in row.items() if name is not None} for row in reader]


def _read_line(line: bytes) -> dict | None:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return row if isinstance(row, dict) else None


def _unquoted(value: object) -> object:
    """A cell as it was before an export kept a spreadsheet from taking it for a formula."""
    if isinstance(value, str) and value[:1] == "'" and value[1:2] in tuple("=+-@\t\r"):
        return value[1:]
    return value
