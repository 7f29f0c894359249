"""Which plugface is installed."""


def installed_version() -> str:
    """The version in the installed package's own description."""
    from importlib.metadata import version  # here alone: its import takes longer than many a command

    return version("plugface")
