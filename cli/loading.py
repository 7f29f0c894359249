"""The networks of a process: where they are kept, and that they load while the rest is imported."""

from pathlib import Path

from plugface.cli.heap import share_one_heap
from plugface.vision.kept_networks import keep_networks

__all__ = ["start_loading", "use_kept_networks"]


def start_loading() -> None:
    """Begin to load the networks, into a heap that all threads share."""
    from plugface.vision.observe import start_loading as load_networks

    share_one_heap()
    load_networks()


def use_kept_networks() -> None:
    """From now on load networks as they were prepared for this machine, and keep those that were not."""
    keep_networks(_kept_networks)


def _kept_networks() -> Path:
    from plugface.cli import settings  # most commands load no network

    return settings.kept_networks()
