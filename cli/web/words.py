"""The page's own text, all of it from one file, so that it can be translated by translating that file."""

from collections.abc import Mapping
from pathlib import Path

import rtoml

#: The English text that comes with the program.
ENGLISH = Path(__file__).parent / "english.toml"


class WordsError(Exception):
    """A file of text that cannot be used: which one, what is wrong, what mends it."""

    def __init__(self, file: str, problem: str) -> None:
        self.file, self.problem = file, problem
        self.remedy = f"Start from a copy of {ENGLISH.name} and translate what stands right of each ="
        super().__init__(f"{file}: {problem}. {self.remedy}.")


class Words(Mapping[str, str]):
    """Text by key, "section.name"; `words("section.name", n=3)` fills in what changes."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = dict(texts)

    def __call__(self, key: str, **values: object) -> str:
        """The text of one key with its places filled."""
        return self._texts[key].format(**values)

    def __getitem__(self, key: str) -> str:
        return self._texts[key]

    def __iter__(self):
        return iter(self._texts)

    def __len__(self) -> int:
        return len(self._texts)

    def section(self, name: str) -> dict[str, str]:
        """All texts of one section by their names without it."""
        start = f"{name}."
        return {key.removeprefix(start): text for key, text in self._texts.items() if key.startswith(start)}


def load_words(file: Path = ENGLISH) -> Words:
    """Read a file of text; what a translation leaves out stays English.

    Raises
    ------
    WordsError
        If it cannot be read, or has a key that the page does not know.
    """
    texts = _read(ENGLISH)
    if file != ENGLISH:
        own = _read(file)
        unknown = sorted(own.keys() - texts.keys())
        if unknown:
            raise WordsError(str(file), f'it has a text "{unknown[0]}" that the page does not know')
        texts |= own
    return Words(texts)


def _read(file: Path) -> dict[str, str]:
    try:
        sections = rtoml.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, rtoml.TomlParsingError) as error:
        raise WordsError(str(file), f"it cannot be read ({error})") from None
    texts: dict[str, str] = {}
    for section, entries in sections.items():
        if not isinstance(entries, dict) or not all(isinstance(text, str) for text in entries.values()):
            raise WordsError(str(file), f'"{section}" is not a list of names and texts')
        texts |= {f"{section}.{name}": text for name, text in entries.items()}
    return texts
