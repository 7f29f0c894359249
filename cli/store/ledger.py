"""The ledger: what was photographed, what was proposed, and what a person found to be true.

Rows are only added. A later proposal or confirmation stands beside the earlier one and the latest counts, so
nobody can lose or rewrite what was said about a unit. The database holds this with triggers, and the session
refuses a change before it gets there. Times are text, UTC, ISO 8601, so that they sort and export as they
are.

SQLite (write-ahead log) is the default; any SQLAlchemy URL serves, PostgreSQL for a ledger that is shared.
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import typer
from plugface.cli.store.chain import Verified, add_link, verify_chain
from plugface.cli.store.places import SCHEMA, default_ledger
from plugface.cli.store.tables import (
    Act,
    Base,
    Confirmation,
    Deletion,
    File,
    Finding,
    Link,
    Look,
    Lot,
    Photo,
    Proposal,
    Seal,
    Unit,
    View,
)
from plugface.cli.store.unit_rows import STILL_COUNTS, UNITS
from sqlalchemy import (
    ColumnElement,
    Table,
    TextClause,
    UniqueConstraint,
    and_,
    case,
    create_engine,
    event,
    func,
    inspect,
    select,
    text,
)
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.engine import URL, Connection, Engine, Row, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

__all__ = [
    "Act",
    "Base",
    "Confirmation",
    "Deletion",
    "File",
    "Finding",
    "Ledger",
    "LedgerError",
    "Link",
    "Look",
    "Lot",
    "Photo",
    "Proposal",
    "Seal",
    "Unit",
    "View",
    "default_ledger",
]

#: Lock of PostgreSQL that all writers of a ledger take, "plug" in ASCII.
_WRITERS = 0x706C7567

#: Seconds a writer waits for another one before it gives up.
BUSY_S = 30


class LedgerError(Exception):
    """A ledger that cannot be read or written: which one, what is wrong, what mends it."""

    def __init__(self, ledger: str, problem: str, remedy: str) -> None:
        self.ledger, self.problem, self.remedy = ledger, problem, remedy
        super().__init__(f"{ledger}: {problem}. {remedy}")


def now_utc() -> str:
    """This moment, UTC, to the millisecond, as ISO 8601 text."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Ledger:
    """An open ledger whose tables are up to date.

    Parameters
    ----------
    where : Path or str
        An SQLite file, or an SQLAlchemy URL.
    becomes : Path or None
        Where the file will lie in the end, for what is said of it; None: where it is.
    start : bool
        Whether an SQLite file that is not there, or empty, becomes a ledger.

    Raises
    ------
    LedgerError
        If it cannot be opened, is not a ledger, or was written by a newer plugface.
    """

    def __init__(self, where: Path | str, *, becomes: Path | None = None, start: bool = True) -> None:
        self.name, url = _name_and_url(where)
        with self._plain_errors():
            _refuse_other_file(url, self.name, start)
            self.engine = _connect(url)
            self._writer = self.engine.execution_options(sqlite_begin="IMMEDIATE")
            _copy_before_migration(self.engine, becomes)
            # A table is rebuilt by putting another in its place, which foreign keys would not let happen.
            alone = self._writer.execution_options(sqlite_foreign_keys="OFF")
            with alone.begin() as connection:
                migrated = _migrate(connection, self.name)
            self._file = _identity(self.engine)  # SQLite goes on writing to a file that was deleted
            if migrated:
                with self.transaction():  # a link over the rows that an older plugface wrote
                    pass

    @contextmanager
    def transaction(self) -> Iterator[Session]:
        """Add rows: all of them are kept or none is."""
        with self._plain_errors(), Session(self._writer, expire_on_commit=False) as session, session.begin():
            if _identity(self.engine) != self._file:
                raise LedgerError(
                    self.name,
                    "its file was deleted or replaced while it was open, so nothing can be kept in it",
                    "Put it back from a backup and start again",
                )
            if self.engine.dialect.name == "postgresql":  # SQLite has one writer at a time by itself
                session.execute(select(func.pg_advisory_xact_lock(_WRITERS)))
            yield session
            add_link(session, now_utc())

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Read one consistent state while others may write."""
        with self._plain_errors(), Session(self.engine) as session:
            yield session

    def verify(self) -> Verified:
        """Compare every row with the hash chain."""
        with self.reading() as session:
            return verify_chain(session)

    def truncate_log(self) -> None:
        """Empty SQLite's write-ahead log, in which older states of rows would stay readable."""
        if self.engine.dialect.name == "sqlite":
            with self._plain_errors(), closing(self.engine.raw_connection()) as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    @property
    def place(self) -> str:
        """Where it is, alike however it was named: the whole path of its file, else its address."""
        return _place(self.engine.url, self.name)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except ImportError as error:
            raise LedgerError(
                self.name,
                f"the driver for this database is not installed ({error.name or error})",
                'Run: uv pip install "plugface[postgresql]"',
            ) from None
        except ArgumentError as error:
            raise LedgerError(
                self.name, f"this address cannot be used ({error})", "Correct it and run again"
            ) from None
        except (DBAPIError, sqlite3.Error) as error:
            raise LedgerError(self.name, *_explain(str(getattr(error, "orig", error)))) from error


def find_place(where: Path | str) -> str:
    """As `Ledger.place`, of one that need not be there."""
    name, url = _name_and_url(where)
    return _place(make_url(url), name)


def has_lot(where: Path | str, key: str) -> bool:
    """Whether a ledger can be opened and has a lot of this key; none is made."""
    try:
        with closing(Ledger(where, start=False)) as ledger, ledger.reading() as session:
            return session.scalar(select(Lot.id).where(Lot.key == key)) is not None
    except LedgerError:
        return False


@event.listens_for(Session, "before_flush")
def _refuse_changes(session: Session, _context, _instances) -> None:
    if session.deleted or any(session.is_modified(row) for row in session.dirty):
        raise RuntimeError("ledger rows are only added; record a new row instead of changing one")


def _name_and_url(where: Path | str) -> tuple[str, str]:
    text = str(where)
    if "://" not in text:
        return text, f"sqlite:///{text}"
    try:
        shown = make_url(text).difference_update_query(["password", "sslpassword"])
        return shown.render_as_string(hide_password=True), text
    except SQLAlchemyError as error:
        raise LedgerError(
            "ledger", f"the address is not a database URL ({error})", "Correct it and run again"
        ) from None


def _place(address: URL, name: str) -> str:
    sqlite = address.get_backend_name() == "sqlite"
    return str(Path(address.database).resolve()) if sqlite and address.database else name


def _refuse_other_file(url: str, name: str, start: bool) -> None:
    """Leave an SQLite file alone that another program wrote, and one that ought to be a ledger and is empty.

    Asked before the write-ahead log is turned on, which would change the file.
    """
    address = make_url(url)
    if address.get_backend_name() != "sqlite" or not address.database or address.database == ":memory:":
        return
    file = Path(address.database)
    if not file.is_file():
        if start:
            return
        raise LedgerError(name, "there is no such ledger", "Name a run folder or a ledger with --ledger")
    there = f"{file.resolve().as_uri()}?mode=rw"
    with closing(sqlite3.connect(there, uri=True, timeout=BUSY_S)) as connection:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    if "alembic_version" in names or (start and not names):
        return
    raise LedgerError(name, *(_NO_LEDGER if names else _EMPTY))


def _connect(url: str) -> Engine:
    address = make_url(url)
    if address.get_backend_name() == "postgresql":
        if address.drivername == "postgresql":  # without a driver's name: the one that comes as an extra
            address = address.set(drivername="postgresql+psycopg")
        return create_engine(address, pool_pre_ping=True)
    if address.get_backend_name() != "sqlite":
        raise ArgumentError("a ledger can be kept in SQLite or PostgreSQL")
    if address.database and address.database != ":memory:":
        with suppress(OSError):  # whatever is wrong there is said when it is opened
            os.close(
                os.open(address.database, os.O_RDWR | os.O_CREAT, 0o600)
            )  # with its log, which follows it
    engine = create_engine(url, connect_args={"timeout": BUSY_S, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _set_up(dbapi_connection, _record) -> None:
        dbapi_connection.isolation_level = None  # transactions are begun below, not by the driver's guess
        _switch_to_wal(dbapi_connection)
        for pragma in ("synchronous=FULL", "secure_delete=ON", "cache_size=-65536"):
            dbapi_connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A writer takes the lock at once: one that upgrades half-way can be refused without any waiting.
        mode = connection.get_execution_options().get("sqlite_begin", "DEFERRED")
        foreign_keys = connection.get_execution_options().get("sqlite_foreign_keys", "ON")
        connection.exec_driver_sql(
            f"PRAGMA foreign_keys={foreign_keys}"
        )  # inside a transaction it is ignored
        connection.exec_driver_sql(f"BEGIN {mode}")

    return engine


def _switch_to_wal(connection: sqlite3.Connection) -> None:
    """Turn the write-ahead log on, which the file then keeps: only the first to open it has to.

    The switch reads, then locks the file. SQLite does not call its busy handler for a reader that wants to
    write (two of them would wait for each other), so several starters are told "locked" at once, whatever
    the timeout. Hence the waiting here.

    References
    ----------
    https://www.sqlite.org/c3ref/busy_handler.html, on when the handler is not called.
    """
    give_up, pause_s = time.monotonic() + BUSY_S, 0.001
    while connection.execute("PRAGMA journal_mode").fetchone() == ("delete",):
        try:
            connection.execute("PRAGMA journal_mode=WAL").fetchone()
            return  # also where the place cannot keep such a log; then the rollback journal serves
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
        time.sleep(pause_s)
        pause_s = min(2 * pause_s, 0.1)


def _identity(engine: Engine) -> tuple[int, int] | None:
    """Which file an SQLite ledger is now, by device and number; None where there is none, or no file."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    try:
        status = os.stat(engine.url.database)
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _copy_before_migration(engine: Engine, becomes: Path | None) -> None:
    """Keep a copy of an SQLite file beside it before an older schema is brought up."""
    file = engine.url.database
    if engine.dialect.name != "sqlite" or not file or file == ":memory:":
        return
    with engine.connect() as connection:
        found = _schema_found(connection)
    copy = Path(f"{file}.before-{SCHEMA}")
    if found is None or found >= SCHEMA or copy.exists():
        return
    part = copy.with_name(f".{copy.name}.part")
    part.unlink(missing_ok=True)
    _vacuum_into(file, part)
    part.replace(copy)
    said = becomes or Path(file)
    typer.echo(
        f"{said}: written by an older plugface, so its tables are brought up to date now;"
        f" as it was it lies in {said.with_name(copy.name)}",
        err=True,
    )


def _vacuum_into(file: str, part: Path) -> None:
    with closing(sqlite3.connect(file)) as source:
        source.execute("VACUUM INTO ?", (str(part),))
    os.chmod(part, 0o600)


def _schema_found(connection: Connection) -> str | None:
    """Schema that the tables are of; None where there are none yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.scalar(text("SELECT version_num FROM alembic_version"))


def _migrate(connection: Connection, name: str) -> bool:
    """Bring the tables up to `SCHEMA`, under the write lock so that two starters do not collide.

    On PostgreSQL, where tables are made in a transaction that locks nothing yet, the lock is one of our own.

    Returns
    -------
    migrated : bool
    """
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(_WRITERS)))
    found = _schema_found(connection)
    if found == SCHEMA:
        return False
    if found is not None and found > SCHEMA:
        raise LedgerError(
            name, f"it was written by a newer plugface (schema {found}, known {SCHEMA})", "Update plugface"
        )
    from alembic import command  # to import it takes longer than to open a ledger that is up to date
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, SCHEMA)
    return True


_PUT_BACK = "Put a copy of it back, or name another place with --ledger"
_DAMAGED = ("this file is damaged", _PUT_BACK)
_EMPTY = ("this file is empty", _PUT_BACK)
_NO_LEDGER = ("this file is not a ledger", "Name another file with --ledger")


def _explain(message: str) -> tuple[str, str]:
    """Problem and remedy, in words, for a database driver's message."""
    table = (
        ("full", "the disk is full", "Make room and run the same command again; what was written is kept"),
        ("disk I/O error", "the disk refused to write", "Check the disk and run the same command again"),
        (
            "readonly",
            "it may not be written to",
            "Give write permission, or name another place with --ledger",
        ),
        ("unable to open", "it cannot be opened", "Check that its folder exists and may be written to"),
        ("locked", "another program holds it", "Wait for that program to end and run again"),
        ("not a database", *_NO_LEDGER),
        ("malformed", *_DAMAGED),
        ("Could not decode", *_DAMAGED),
        ("only added", "a row was about to be changed", "Record a new row instead"),
    )
    for part, problem, remedy in table:
        if part in message:
            return problem, remedy
    return f"the database says: {message.strip().splitlines()[0]}", "Correct that and run again"


def add_once(session: Session, table: type[Base], **values: object) -> None:
    """Add a row unless one with the same unique columns is there, also when others write meanwhile."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(postgresql_insert(table).values(**values).on_conflict_do_nothing())
        return
    # A trigger of SQLite cannot tell "do nothing" from "replace", so it refuses both: what is there is looked
    # for first. Nobody else writes meanwhile, for a transaction that writes holds the file.
    mapper = inspect(table)
    columns = cast(Table, table.__table__)
    for constraint in columns.constraints:
        if not isinstance(constraint, UniqueConstraint):
            continue
        names = [mapper.get_property_by_column(column).key for column in constraint.columns]
        if values.keys() >= set(names):
            same = select(columns.c.id).where(*(getattr(table, name) == values[name] for name in names))
            if session.execute(same).first():
                return
    session.execute(sqlite_insert(table).values(**values))


def record_lot(session: Session, key: str, *, name: str, source: str, market: str = "") -> int:
    """Id of the lot with this key, added where it was not yet known."""
    add_once(session, Lot, key=key, name=name, source=source, market=market, created_at=now_utc())
    return session.scalars(select(Lot.id).where(Lot.key == key)).one()


def record_unit(
    session: Session, lot_id: int, key: str, *, method: str, group_key: str, created_at: str | None = None
) -> Unit:
    """The unit of a lot with this key, added where it was not yet known."""
    add_once(
        session, Unit, lot_id=lot_id, key=key, method=method, group_key=group_key,
        created_at=created_at or now_utc(),
    )  # fmt: skip
    return session.scalars(select(Unit).where(Unit.lot_id == lot_id, Unit.key == key)).one()


def record_photo(session: Session, sha256: str, size_bytes: int) -> int:
    """Id of the photo with this content, added where it was not yet known."""
    add_once(session, Photo, sha256=sha256, size_bytes=size_bytes, added_at=now_utc())
    return session.scalars(select(Photo.id).where(Photo.sha256 == sha256)).one()


def look_of_lot(lot_id: ColumnElement[int] | InstrumentedAttribute[int] | int) -> ColumnElement[bool]:
    """Whether a look is the one that a lot goes by: one look for each photo, whichever software made it.

    It is the newest without a fault of those that there were when the photo came to the lot, else the first
    one after; where all have a fault, the newest. Later ones, made for another lot, change nothing: a view
    says by its place which unit of a photo is meant, and another version may see them in another order. A
    photo that came without a file, as on the yard page, goes by the newest.

    Parameters
    ----------
    lot_id : int or column
    """
    look, file = aliased(Look), aliased(File)
    # The sum keeps SQLite from looking for the photo among all files of the lot.
    here = and_(file.photo_id == look.photo_id, file.lot_id + 0 == lot_id)
    came = func.min(file.added_at)
    since = and_(look.fault == "", look.made_at > came)
    first = (
        select(look.id)
        .outerjoin(file, here)
        .where(look.photo_id == Look.photo_id)
        .group_by(look.id)
        .order_by(
            look.fault != "",
            case((since, look.made_at), else_=""),
            # By its time, for a look that was taken in with another lot is older than its number.
            case((came.is_(None), ""), else_=look.made_at).desc(),
            look.id.desc(),
        )
        .limit(1)
    )
    return Look.id == first.scalar_subquery()


def still_counts() -> TextClause:
    """Whether a unit stands, as `STILL_COUNTS` says."""
    return text(STILL_COUNTS)


def record_confirmation(
    session: Session,
    unit: Unit,
    *,
    family: str,
    variant: str,
    who: str,
    note: str = "",
    confirmed_at: str | None = None,
) -> Confirmation:
    """Add what a person found to be true about a unit, beside the proposal that stood at that time.

    Raises
    ------
    ValueError
        If `who` is empty: a truth without a witness is worth nothing for learning.
    """
    if not who.strip():
        raise ValueError("a confirmation needs the name of the person who looked")
    proposal = session.scalar(select(func.max(Proposal.id)).where(Proposal.unit_id == unit.id))
    row = Confirmation(
        unit_id=unit.id,
        proposal_id=proposal,
        family=family,
        variant=variant,
        who=who,
        note=note,
        confirmed_at=confirmed_at or now_utc(),
    )
    session.add(row)
    return row


def list_units(session: Session, lot: str | None = None) -> tuple[tuple[str, ...], Iterator[Row]]:
    """One row per unit with its latest proposal and confirmation, in the order the units were recorded.

    Parameters
    ----------
    session : Session
    lot : str or None
        Key of one lot; None: all lots.

    Returns
    -------
    columns : tuple of str, length n_columns
    rows : iterator of Row, each of length n_columns
        Read as they are needed; `row.family` works as well as `row[5]`.
    """
    result = session.execute(text(UNITS), {"lot": lot or ""}, execution_options={"yield_per": 5000})
    return tuple(result.keys()), iter(result)
