"""The tables of the ledger; migrations/ makes them, and rows are only added to them."""

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Base(DeclarativeBase):
    """Base of all ledger tables."""


class Lot(Base):
    """One delivery, pallet or counter: the units that were looked at together."""

    __tablename__ = "lots"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    source: Mapped[str]  # folder or URL the photos came from
    market: Mapped[str]
    created_at: Mapped[str]


class Photo(Base):
    """One photo by its content; the same bytes under ten names are one photo."""

    __tablename__ = "photos"
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(unique=True)
    size_bytes: Mapped[int]
    added_at: Mapped[str]


class File(Base):
    """One file of a lot: the name and place a photo was found under, or why it was left out."""

    __tablename__ = "files"
    __table_args__ = (UniqueConstraint("lot_id", "path", "size_bytes", "mtime_ns"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    lot_id: Mapped[int] = mapped_column(ForeignKey("lots.id"), index=True)
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photos.id"), index=True)
    path: Mapped[str]
    size_bytes: Mapped[int]
    mtime_ns: Mapped[str]  # text: nanoseconds do not fit a 32-bit column
    note: Mapped[str]
    added_at: Mapped[str]


class Look(Base):
    """What was seen in a photo by one version of the software, or why nothing could be seen."""

    __tablename__ = "looks"
    __table_args__ = (UniqueConstraint("photo_id", "version"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    version: Mapped[str]
    fault: Mapped[str]  # empty when the photo could be read
    observations: Mapped[str]  # JSON, empty when it could not
    taken_at: Mapped[str]  # the camera's own clock, which knows no time zone; empty if the photo does not say
    seconds: Mapped[float]
    made_at: Mapped[str]


class Unit(Base):
    """One physical controller of a lot, and how its photos were found to belong together."""

    __tablename__ = "units"
    __table_args__ = (UniqueConstraint("lot_id", "key"), UniqueConstraint("lot_id", "group_key"))
    id: Mapped[int] = mapped_column(primary_key=True)
    lot_id: Mapped[int] = mapped_column(ForeignKey("lots.id"))
    key: Mapped[str]
    method: Mapped[str]
    group_key: Mapped[str]
    created_at: Mapped[str]


class View(Base):
    """One photo of one unit; `part` says which unit of the photo is meant (-1: none was found there)."""

    __tablename__ = "views"
    __table_args__ = (UniqueConstraint("unit_id", "photo_id", "part"), Index("views_by_photo", "photo_id"))
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"))
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    part: Mapped[int]


class Finding(Base):
    """What contradicts the grouping of a unit's photos; it stays until a person has settled it."""

    __tablename__ = "findings"
    __table_args__ = (UniqueConstraint("unit_id", "words"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"))
    message: Mapped[str] = mapped_column("words")
    made_at: Mapped[str]


class Proposal(Base):
    """What was proposed for a unit, from which photos, by which model and catalogue."""

    __tablename__ = "proposals"
    __table_args__ = (UniqueConstraint("unit_id", "input_sha256"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"))
    input_sha256: Mapped[str]  # of the photos, the software, the catalogue and the market
    catalogue_sha256: Mapped[str]
    model_version: Mapped[str]
    verdict: Mapped[str]
    family: Mapped[str]
    variant: Mapped[str]
    probability: Mapped[float]
    destination: Mapped[str]
    bin: Mapped[str]
    expected_cost: Mapped[float]
    message: Mapped[str] = mapped_column("words")
    findings: Mapped[str]
    decision: Mapped[str]  # the whole Decision as JSON; empty where no decision was reached
    made_at: Mapped[str]


class Confirmation(Base):
    """What a person found to be true about a unit."""

    __tablename__ = "confirmations"
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"), index=True)
    proposal_id: Mapped[int | None] = mapped_column(ForeignKey("proposals.id"))
    family: Mapped[str]  # empty: in no family of the catalogue
    variant: Mapped[str]
    who: Mapped[str]
    note: Mapped[str]
    confirmed_at: Mapped[str]


class Act(Base):
    """What somebody did beside confirming: came in, exported, deleted, moved a lot (acts.py)."""

    __tablename__ = "acts"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012
    id: Mapped[int] = mapped_column(primary_key=True)
    act: Mapped[str]
    who: Mapped[str]
    lot: Mapped[str] = mapped_column(index=True)  # key, not a reference: the lot may be deleted one day
    about: Mapped[str]
    facts: Mapped[str]  # JSON
    made_at: Mapped[str]


class Link(Base):
    """One transaction in the hash chain over all rows (chain.py)."""

    __tablename__ = "links"
    id: Mapped[int] = mapped_column(primary_key=True)
    rows: Mapped[str]  # JSON: table -> [id of the last row before, id of the last row]
    sha256: Mapped[str]  # of the link before, of this one's columns, and of every row of it
    made_at: Mapped[str]
