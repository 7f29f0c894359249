"""What a command begins before it imports the rest: the networks load meanwhile."""

from plugface.cli.heap import share_one_heap
from plugface.vision.observe import start_loading as load_networks

__all__ = ["start_loading"]


def start_loading() -> None:
    """Begin to load the networks, into a heap that all threads share."""
    share_one_heap()
    load_networks()
