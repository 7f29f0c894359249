"""What lies where on the plug face: rectangles in the way, free room for fins and marks."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Rect:
    """A rectangle in millimetres on a face."""

    x0: float
    y0: float
    x1: float
    y1: float

    @classmethod
    def around(cls, at, size, margin: float = 0.0) -> "Rect":
        """The rectangle with a centre and a size, grown by a margin on each side."""
        w, h = size[0] / 2 + margin, size[1] / 2 + margin
        return cls(at[0] - w, at[1] - h, at[0] + w, at[1] + h)

    @property
    def size(self) -> tuple[float, float]:
        return self.x1 - self.x0, self.y1 - self.y0

    @property
    def centre(self) -> tuple[float, float]:
        return (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2

    @property
    def area(self) -> float:
        return max(self.size[0], 0.0) * max(self.size[1], 0.0)

    def grown(self, margin: float) -> "Rect":
        return Rect(self.x0 - margin, self.y0 - margin, self.x1 + margin, self.y1 + margin)

    def meets(self, other: "Rect") -> bool:
        return self.x0 < other.x1 and other.x0 < self.x1 and self.y0 < other.y1 and other.y0 < self.y1

    def holds(self, other: "Rect") -> bool:
        return self.x0 <= other.x0 and self.y0 <= other.y0 and self.x1 >= other.x1 and self.y1 >= other.y1


@dataclass
class Face:
    """A face under construction: its usable room, the lid on it, and what is taken."""

    room: Rect
    z: float  # height of the bare face
    lid: Rect | None = None
    lid_z: float = 0.0
    taken: list[Rect] = field(default_factory=list)

    def z_at(self, rect: Rect) -> float:
        """Height on which something with this rectangle stands."""
        return self.lid_z if self.lid is not None and self.lid.meets(rect) else self.z

    def find_room(self, size, draw, *, margin: float = 2.0, tries: int = 120) -> Rect | None:
        """A free place for a rectangle of this size, drawn by chance; None if none was found."""
        spare = (self.room.size[0] - size[0], self.room.size[1] - size[1])
        if min(spare) <= 0:
            return None
        for _ in range(tries):
            x, y = self.room.x0 + draw.random() * spare[0], self.room.y0 + draw.random() * spare[1]
            rect = Rect(x, y, x + size[0], y + size[1])
            on_edge = self.lid is not None and self.lid.meets(rect) and not self.lid.holds(rect)
            if not on_edge and not any(rect.grown(margin).meets(other) for other in self.taken):
                return rect
        return None

    def free_stretches(
        self, across: float, width: float, *, upright: bool, margin: float
    ) -> list[tuple[float, float]]:
        """Free stretches of a rib line at `across` (x of an upright rib, y of a level one)."""
        room = self.room
        start, end = (room.y0, room.y1) if upright else (room.x0, room.x1)
        blocks = []
        for rect in self.taken:
            rect = rect.grown(margin)
            low, high = (rect.x0, rect.x1) if upright else (rect.y0, rect.y1)
            if low < across + width / 2 and across - width / 2 < high:
                blocks.append((rect.y0, rect.y1) if upright else (rect.x0, rect.x1))
        stretches, at = [], start
        for low, high in sorted(blocks):
            if low > at:
                stretches.append((at, min(low, end)))
            at = max(at, high)
        if at < end:
            stretches.append((at, end))
        return [(low, high) for low, high in stretches if high - low >= 9.0]


def largest_strip_beside(room: Rect, block: Rect) -> Rect:
    """The largest part of `room` on one side of a block."""
    strips = (
        Rect(room.x0, room.y0, block.x0, room.y1),
        Rect(block.x1, room.y0, room.x1, room.y1),
        Rect(room.x0, room.y0, room.x1, block.y0),
        Rect(room.x0, block.y1, room.x1, room.y1),
    )
    return max(strips, key=lambda strip: strip.area if min(strip.size) > 0 else 0.0)
