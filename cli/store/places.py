"""Where a ledger lies when none is named, and which schema it has."""

from pathlib import Path

import platformdirs

#: Newest migration in migrations/versions; a test holds the two together.
SCHEMA = "0004"

#: Name of the yard page's lot that needs no code. It is there for this machine alone.
OPEN_LOT = "This machine"


def default_ledger() -> Path:
    """The ledger in the user's data folder, for units that are looked at one by one."""
    return platformdirs.user_data_path("plugface") / "ledger.sqlite"
