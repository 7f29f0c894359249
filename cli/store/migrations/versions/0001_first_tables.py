"""First tables, and the triggers that let rows only be added."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = ("lots", "photos", "files", "looks", "units", "views", "findings", "proposals", "confirmations")


def _text(name: str) -> sa.Column:
    return sa.Column(name, sa.String(), nullable=False)


def _id() -> sa.Column:
    return sa.Column("id", sa.Integer(), primary_key=True)


def _link(name: str, target: str, *, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.Integer(), sa.ForeignKey(target), nullable=nullable)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "lots",
        _id(),
        sa.Column("key", sa.String(), nullable=False, unique=True),
        *(_text(name) for name in ("name", "source", "market", "created_at")),
    )
    op.create_table(
        "photos",
        _id(),
        sa.Column("sha256", sa.String(), nullable=False, unique=True),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        _text("added_at"),
    )
    op.create_table(
        "files",
        _id(),
        _link("lot_id", "lots.id"),
        _link("photo_id", "photos.id", nullable=True),
        _text("path"),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        *(_text(name) for name in ("mtime_ns", "note", "added_at")),
        sa.UniqueConstraint("lot_id", "path", "size_bytes", "mtime_ns"),
    )
    op.create_index("ix_files_lot_id", "files", ["lot_id"])
    op.create_index("ix_files_photo_id", "files", ["photo_id"])
    op.create_table(
        "looks",
        _id(),
        _link("photo_id", "photos.id"),
        *(_text(name) for name in ("version", "fault", "observations", "taken_at")),
        sa.Column("seconds", sa.Double(), nullable=False),
        _text("made_at"),
        sa.UniqueConstraint("photo_id", "version"),
    )
    op.create_table(
        "units",
        _id(),
        _link("lot_id", "lots.id"),
        *(_text(name) for name in ("key", "method", "group_key", "created_at")),
        sa.UniqueConstraint("lot_id", "key"),
        sa.UniqueConstraint("lot_id", "group_key"),
    )
    op.create_table(
        "views",
        _id(),
        _link("unit_id", "units.id"),
        _link("photo_id", "photos.id"),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.UniqueConstraint("unit_id", "photo_id", "part"),
    )
    op.create_index("views_by_photo", "views", ["photo_id"])
    op.create_table(
        "findings",
        _id(),
        _link("unit_id", "units.id"),
        *(_text(name) for name in ("words", "made_at")),
        sa.UniqueConstraint("unit_id", "words"),
    )
    op.create_table(
        "proposals",
        _id(),
        _link("unit_id", "units.id"),
        *(_text(name) for name in ("input_sha256", "catalogue_sha256", "model_version")),
        *(_text(name) for name in ("verdict", "family", "variant")),
        sa.Column("probability", sa.Double(), nullable=False),
        *(_text(name) for name in ("destination", "bin")),
        sa.Column("expected_cost", sa.Double(), nullable=False),
        *(_text(name) for name in ("words", "findings", "decision", "made_at")),
        sa.UniqueConstraint("unit_id", "input_sha256"),
    )
    op.create_table(
        "confirmations",
        _id(),
        _link("unit_id", "units.id"),
        _link("proposal_id", "proposals.id", nullable=True),
        *(_text(name) for name in ("family", "variant", "who", "note", "confirmed_at")),
    )
    op.create_index("ix_confirmations_unit_id", "confirmations", ["unit_id"])
    _let_rows_only_be_added()


def _let_rows_only_be_added() -> None:
    dialect = op.get_bind().dialect.name
    if dialect == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'ledger rows are only added'; END $$"
        )
    for table in TABLES:
        if dialect == "sqlite":
            for act in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                    "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"
                )
        elif dialect == "postgresql":
            op.execute(
                f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )
