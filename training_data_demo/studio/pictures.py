"""Pictures from elsewhere that light a scene or cover a surface.

None is committed. The renderer's own wheel carries eight surroundings (CC0); a folder named on the command
line may hold more of them in `hdris/`, and pictures of surfaces in `textures/`, named after what they show:
`light-wood.png`, `steel-brushed.png`. Surroundings were taken from the npm package @pmndrs/assets (CC0) and
surfaces from the wheel of robosuite (MIT), both unpacked by hand.
"""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Pictures:
    """A folder of pictures, or none."""

    folder: Path | None = None

    def surroundings(self) -> list[Path]:
        """Pictures of all directions, in a fixed order; never empty."""
        import bpy

        wheel = Path(bpy.utils.system_resource("DATAFILES")) / "studiolights" / "world"
        own = [] if self.folder is None else sorted((self.folder / "hdris").glob("*.*"))
        return [*sorted(wheel.glob("*.exr")), *(p for p in own if p.suffix in (".exr", ".hdr"))]

    def surfaces(self, *words: str) -> list[Path]:
        """Pictures of surfaces whose name has one of the words, in a fixed order; may be empty."""
        if self.folder is None:
            return []
        found = sorted((self.folder / "textures").glob("*.*"))
        return [p for p in found if p.suffix in (".png", ".jpg") and any(word in p.stem for word in words)]


NO_PICTURES = Pictures()
