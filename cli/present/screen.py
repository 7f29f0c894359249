"""A terminal that others' words cannot steer; light, so that a list or a help page comes at once."""

from collections.abc import Iterable
from typing import Any

from plugface.cli.present.plain_text import plain
from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment


class Screen(Console):
    """A terminal that shows what others wrote (file names, a catalogue) as text and does nothing it says.

    A name such as `run[/north]` is no markup, and an escape sequence in it is not for the terminal.
    """

    def __init__(self, **how: Any) -> None:
        super().__init__(**{"markup": False, "emoji": False, "highlight": False, **how})

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """What is to be shown, piece by piece, without control characters in its text."""
        for piece in super().render(renderable, options):
            yield piece if piece.control else Segment(plain(piece.text), piece.style)

    def sign(self, sign: str) -> str:
        """A sign that stands beside what it means; nothing where the terminal's alphabet lacks it."""
        try:
            sign.encode(self.encoding)
        except UnicodeEncodeError:
            return ""
        return sign


def percent(probability: float) -> str:
    """A probability as text that never claims 0 or 100 per cent."""
    if probability > 0.999:
        return "> 99.9 %"
    if probability < 0.001:
        return "< 0.1 %"
    return f"{100 * probability:.1f} %"
