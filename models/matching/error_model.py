"""How observations err: the one set of probabilities that matching, simulation and advice share.

The defaults are assumptions, chosen before any photo was measured. `fit_error_model` in error_model_fit.py
replaces those that photos with known truth can show. `counted` says of each number on how many cases it was
measured; what is not in it is assumed.
"""

from dataclasses import asdict, dataclass, field, fields
from functools import cached_property, lru_cache

import numpy as np
from plugface.models.matching.confusions import blend_confusions, load_confusions
from plugface.vision.colour_table import COLOUR_CODES, alike_pairs
from plugface.vision.observations import SIZE_CLASSES

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
FINS = ("none", "half", "all")

#: Characters that are read for one another; common practice, no source. The counts of confusions.py
#: outweigh them where there are any.
LOOK_ALIKES = ("0OQD", "1IL7", "2Z", "5S", "8B", "6G", "UV", "MN", "CG", "3B", "PR", "EF", "4A")

#: Confidence from which a cast text counts as read surely. Our choice: the reader of cast marks calls so what
#: settles which way up it reads.
SURE_READING = 0.8

Matrix = tuple[tuple[float, ...], ...]


def _confusion(size: int, error: float, pairs: list[tuple[int, int]], paired: float) -> Matrix:
    """Row-stochastic (size, size): `error` spread evenly, and `paired` moved to each listed neighbour."""
    matrix = np.full((size, size), error / size)
    for a, b in pairs:
        matrix[a, b] += paired
        matrix[b, a] += paired
    matrix[np.diag_indices(size)] += 1.0 - matrix.sum(axis=1)
    return tuple(tuple(float(v) for v in row) for row in matrix)


def _colour_pairs() -> list[tuple[int, int]]:
    return [(COLOUR_CODES.index(a), COLOUR_CODES.index(b)) for a, b in alike_pairs()]


def _character_pairs() -> list[tuple[int, int]]:
    return [
        (ALPHABET.index(a), ALPHABET.index(b))
        for group in LOOK_ALIKES
        for i, a in enumerate(group)
        for b in group[i + 1 :]
    ]


#: Of all colours of the table, as if vision had been taught them all.
ASSUMED_COLOUR = _confusion(len(COLOUR_CODES), 0.02, _colour_pairs(), 0.015)
_SIZE = _confusion(len(SIZE_CLASSES), 0.02, [(0, 1), (1, 2)], 0.08)


def _read_counts() -> tuple[tuple[str, int], ...]:
    """What the defaults have measured: characters, on printed lines whose truth is known."""
    return (("character", sum(sum(row.values()) for row in load_confusions()["read"].values())),)


def _add_up(matrix: np.ndarray) -> list[list[float]]:
    up_to = matrix.cumsum(axis=1)
    return (up_to / up_to[:, -1:]).tolist()


@lru_cache(maxsize=1)
def _characters() -> Matrix:
    """Read when a noise is assumed, not before: a model brings its own."""
    return blend_confusions(
        load_confusions(), _confusion(len(ALPHABET), 0.01, _character_pairs(), 0.006), ALPHABET
    )


@dataclass(frozen=True)
class ErrorModel:
    """Probabilities of what the vision stage does, given the truth. Matrices are rows true, columns seen."""

    miss: float = 0.05  # a connector that is there is not reported (or is broken off)
    extra: float = 0.05  # odds that one more thing is reported as a connector
    colour: Matrix = ASSUMED_COLOUR  # of the first rows of the table: those that vision was taught
    size: Matrix = _SIZE
    pins_measured: float = 0.4
    pins_exact: float = 0.7
    pins_close: float = 0.2  # same rows, columns off by at most 2
    place_measured: float = 0.8
    place_sd: float = 0.07  # share of the unit's side, once the shift of all places is taken out
    place_shift: float = 0.2  # that shift, the same for all plugs of a photo (a side wall in view)
    place_wild: float = 0.05  # a place that says nothing
    turn_unknown: float = 0.3  # which way is up was not told
    face_wrong: float = 0.03
    mark_read: float = 0.75
    label_found: float = 0.85  # the label's lines were read at all
    line_read: float = 0.9  # one line of a found label
    barcode_read: float = 0.5
    label_torn: float = 0.1  # a found label that lost one end, and its lines with it
    kind_wrong: float = 0.05  # print taken for casting or the reverse, where a network told them apart
    mark_elsewhere: float = 0.05  # a cast text read surely that is no mark (foundry sign, date)
    mark_unsure: float = 0.3  # a cast text that is read with less than SURE_READING
    mark_garbled: float = 0.3  # one so read that says nothing of the mark
    number_elsewhere: float = 0.3  # a number-like line that is no service number (serial, date)
    number_unlisted: float = 0.01  # a true service number that the catalogue does not list
    character: Matrix = field(default_factory=_characters)
    character_lost: float = 0.01
    character_added: float = 0.01
    mark_wrong: float = 0.03  # a raised character that is taken for any other
    mark_lost: float = 0.03  # a raised character that is not read
    mark_added: float = 0.03  # a rim or rib that is taken for one more
    mark_cut: float = 0.05  # a mark of which one end is hidden, cut off by the frame or not found
    aspect_sd: float = 0.15  # of the logarithm
    body_colour_right: float = 0.75
    fins_right: float = 0.8
    unknown: float = 0.1  # share of units that are in no family of the user's catalogue
    basis: str = "assumed: no photo was measured"
    #: Names of the numbers that were measured, each with its count of cases; None where the file of an older
    #: version does not say.
    counted: tuple[tuple[str, int], ...] | None = field(default_factory=_read_counts)

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, float) and not 0.0 <= value <= 1.0:
                raise ValueError(f"{f.name} must lie in 0..1, got {value!r}")
        for name, n in self.counted or ():
            if name not in self.numbers() or not isinstance(n, int) or n < 1:
                raise ValueError(f"{name!r} cannot have been measured on {n!r} cases")

    @classmethod
    def numbers(cls) -> tuple[str, ...]:
        """Names of all numbers and matrices of numbers, in the order of the fields."""
        return tuple(f.name for f in fields(cls) if f.name not in ("basis", "counted"))

    def origin(self, name: str) -> str:
        """Where one number comes from: "measured, n = 98", "assumed", or "not recorded".

        Raises
        ------
        ValueError
            If there is no such number.
        """
        if name not in self.numbers():
            raise ValueError(f"the error model has no number {name!r}")
        if self.counted is None:
            return "not recorded"
        n = dict(self.counted).get(name)
        return "assumed" if n is None else f"measured, n = {n}"

    @property
    def taught(self) -> tuple[str, ...]:
        """The colours whose errors are known: the first rows of the table. How vision sees a plug of any
        later row is not known."""
        return COLOUR_CODES[: len(self.colour)]

    @cached_property
    def colour_matrix(self) -> np.ndarray:
        """(n_taught, n_taught), true to seen."""
        return np.array(self.colour)

    @cached_property
    def size_matrix(self) -> np.ndarray:
        """(3, 3), true to seen."""
        return np.array(self.size)

    @cached_property
    def character_matrix(self) -> np.ndarray:
        """(36, 36), true to seen."""
        return np.array(self.character)

    @cached_property
    def _mark_matrix(self) -> np.ndarray:
        return (1.0 - self.mark_wrong) * self.character_matrix + self.mark_wrong / len(ALPHABET)

    def of_kind(self, kind: str) -> tuple[np.ndarray, float, float]:
        """How characters of one kind of text err: (36, 36) true to read, the share lost, the share added."""
        if kind == "cast":
            return self._mark_matrix, self.mark_lost, self.mark_added
        return self.character_matrix, self.character_lost, self.character_added

    def steps_of_kind(self, kind: str) -> list[list[float]]:
        """Shares of `of_kind` added up along each row, to draw by; each row ends at 1."""
        return self._mark_steps if kind == "cast" else self._character_steps

    @cached_property
    def _character_steps(self) -> list[list[float]]:
        return _add_up(self.character_matrix)

    @cached_property
    def _mark_steps(self) -> list[list[float]]:
        return _add_up(self._mark_matrix)

    def elsewhere(self, confidence: float) -> float:
        """Share of cast texts read with this confidence that say nothing of the mark."""
        return self.mark_elsewhere if confidence >= SURE_READING else self.mark_garbled

    def cut_of_kind(self, kind: str) -> float:
        """Share of lines of one kind that are read in part, up to or from some character."""
        return self.mark_cut if kind == "cast" else self.label_torn

    def to_json(self) -> dict:
        """Plain values only; `origins` marks every number as measured or assumed, where that is known."""
        raw = asdict(self)
        del raw["counted"]
        if self.counted is not None:
            raw["origins"] = {name: self.origin(name) for name in self.numbers()}
        return raw

    @classmethod
    def from_json(cls, raw: dict) -> "ErrorModel":
        """Back from `to_json`, by this version or an older one, which wrote no `origins` and `unlike` for
        `unknown`.

        Raises
        ------
        KeyError, TypeError, ValueError
            If something is missing, unknown or no origin.
        """
        raw = _WITHOUT_SHIFT | {_RENAMED.get(name, name): value for name, value in raw.items()}
        origins = raw.pop("origins", None)
        counted = None if origins is None else _read_origins(origins, cls.numbers())
        matrices = {k: tuple(tuple(row) for row in raw[k]) for k in ("colour", "size", "character")}
        return cls(**{**raw, **matrices, "counted": counted})


#: Names of numbers in files of older versions, and what they are called now.
_RENAMED = {"unlike": "unknown"}
#: What files say that were written before plugs' places were allowed a shift.
_WITHOUT_SHIFT = {"place_shift": 0.0}


def _read_origins(origins: dict[str, str], numbers: tuple[str, ...]) -> tuple[tuple[str, int], ...]:
    origins = dict.fromkeys(_WITHOUT_SHIFT, "assumed") | {
        _RENAMED.get(name, name): origin for name, origin in origins.items()
    }
    if set(origins) != set(numbers):
        raise ValueError("origins must mark every number of the error model, and no other")
    counted = []
    for name in numbers:  # in the order of the fields, whatever that of the file is
        if origins[name] != "assumed":
            word, _, n = str(origins[name]).rpartition(" = ")
            if word != "measured, n" or not n.isdecimal():
                raise ValueError(f"{origins[name]!r} is no origin of {name}")
            counted.append((name, int(n)))
    return tuple(counted)
