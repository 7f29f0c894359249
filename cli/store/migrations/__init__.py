"""Named changes of the ledger's tables, applied when a ledger is opened."""
