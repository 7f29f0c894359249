"""Deletions that leave a row: tombstones, seals over older links, numbers that are never given twice."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

#: Table -> its unique columns besides the id, of those whose rows may be deleted once a tombstone stands.
UNIQUE = {
    "lots": (("key",),),
    "photos": (("sha256",),),
    "files": (("lot_id", "path", "size_bytes", "mtime_ns"),),
    "looks": (("photo_id", "version"),),
    "units": (("lot_id", "key"), ("lot_id", "group_key")),
    "views": (("unit_id", "photo_id", "part"),),
    "findings": (("unit_id", "words"),),
    "proposals": (("unit_id", "input_sha256"),),
    "confirmations": (),
}
#: The same of those whose rows stay whatever happens.
STAYING = {"acts": (), "links": (), "deletions": (("table_name", "row_id"),), "seals": (("link_id",),)}
_NO = "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"


def upgrade() -> None:
    """Add the tables, number rows without reuse, and let through the deletion of what has a tombstone."""
    dialect = op.get_bind().dialect.name
    op.create_table(
        "deletions",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("act_id", sa.Integer(), sa.ForeignKey("acts.id"), nullable=False),
        sa.Column("table_name", sa.String(), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.UniqueConstraint("table_name", "row_id"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "seals",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("link_id", sa.Integer(), sa.ForeignKey("links.id"), nullable=False, unique=True),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("made_at", sa.String(), nullable=False),
        sqlite_autoincrement=True,
    )
    form = sa.Column("form", sa.Integer(), nullable=False, server_default="1")
    if dialect == "sqlite":
        _rebuild(form)
        _sqlite_triggers()
    else:
        op.add_column("links", form)
    if dialect == "postgresql":
        _postgresql_triggers()


def _rebuild(form: sa.Column) -> None:
    """Tables whose numbers SQLite gives once only; it would give the last row's again after its deletion."""
    for table in (*UNIQUE, "links"):
        with op.batch_alter_table(
            table, recreate="always", table_kwargs={"sqlite_autoincrement": True}
        ) as batch:
            if table == "links":
                batch.add_column(form)
    broken = op.get_bind().exec_driver_sql("PRAGMA foreign_key_check").fetchone()
    if broken:
        raise RuntimeError(f"a row of {broken[0]} would name a row of {broken[2]} that is not there")


def _sqlite_triggers() -> None:
    for table, unique in (UNIQUE | STAYING).items():
        told = "SELECT 1 FROM deletions WHERE table_name = '{}' AND row_id = {}.id"
        same = " OR ".join(
            "(" + " AND ".join(f"{column} = NEW.{column}" for column in columns) + ")"
            for columns in (("id",), *unique)
        )
        again = "" if table in STAYING else f" OR EXISTS ({told.format(table, 'NEW')})"
        untold = "" if table in STAYING else f"WHEN NOT EXISTS ({told.format(table, 'OLD')}) "
        for act in ("update", "delete", "replace"):
            op.execute(f"DROP TRIGGER IF EXISTS {table}_no_{act}")
        op.execute(f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {_NO}")
        op.execute(f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {untold}{_NO}")
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}){again} {_NO}"
        )


def _postgresql_triggers() -> None:
    op.execute(
        "CREATE FUNCTION refuse_untold_deletion() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "IF NOT EXISTS (SELECT 1 FROM deletions WHERE table_name = TG_TABLE_NAME AND row_id = OLD.id) "
        "THEN RAISE EXCEPTION 'ledger rows are only added'; END IF; RETURN OLD; END $$"
    )
    for table in UNIQUE:
        op.execute(f"DROP TRIGGER {table}_no_change ON {table}")
        op.execute(
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_untold_deletion BEFORE DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_untold_deletion()"
        )
    for table in ("deletions", "seals"):
        op.execute(
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
