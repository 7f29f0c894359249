"""The command line and the yard page: the half that meets the outside."""

import os

# From 1.32 on, the library that runs the networks keeps a number for this machine in the user's cache and
# reports to its maker over the network (its Privacy.md). It looks for this as it is imported; =0 lets it.
os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")
