"""What a command begins before it imports the rest: the networks load meanwhile."""

from plugface.vision.observe import start_loading

__all__ = ["start_loading"]
