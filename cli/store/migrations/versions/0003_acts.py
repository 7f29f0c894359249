"""Acts: who did what with the ledger and what hangs on it."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table and its triggers."""
    op.create_table(
        "acts",
        sa.Column("id", sa.Integer(), primary_key=True),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("act", "who", "lot", "about")),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("facts", "made_at")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_acts_lot", "acts", ["lot"])
    dialect = op.get_bind().dialect.name
    if dialect == "postgresql":
        op.execute(
            "CREATE TRIGGER acts_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON acts "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
    if dialect != "sqlite":
        return
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER acts_no_{act.lower()} BEFORE {act} ON acts "
            "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"
        )
    op.execute(
        "CREATE TRIGGER acts_no_replace BEFORE INSERT ON acts "
        "WHEN EXISTS (SELECT 1 FROM acts WHERE id = NEW.id) "
        "BEGIN SELECT RAISE(ABORT, 'ledger rows are only added'); END"
    )
