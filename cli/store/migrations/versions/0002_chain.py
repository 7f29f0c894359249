"""The chain of links over all rows, and triggers against a row that takes another one's place."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

#: Table -> its unique columns besides the id. INSERT OR REPLACE deletes what has the same, without a trigger
#: for deletes being asked (https://www.sqlite.org/lang_conflict.html).
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
    "links": (),
}


def upgrade() -> None:
    """Add the table and the triggers."""
    op.create_table(
        "links",
        sa.Column("id", sa.Integer(), primary_key=True),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("rows", "sha256", "made_at")),
    )
    dialect = op.get_bind().dialect.name
    if dialect == "postgresql":
        op.execute(
            "CREATE TRIGGER links_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON links "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
    if dialect != "sqlite":
        return
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER links_no_{act.lower()} BEFORE {act} ON links "
            "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"
        )
    for table, unique in UNIQUE.items():
        same = " OR ".join(
            "(" + " AND ".join(f"{column} = NEW.{column}" for column in columns) + ")"
            for columns in (("id",), *unique)
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) "
            "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"
        )
