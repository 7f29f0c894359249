"""Runs the migrations on the connection that cli/store/ledger.py hands over."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transaction_per_migration=False)
context.run_migrations()
