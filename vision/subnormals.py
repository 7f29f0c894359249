"""Weights that are too small for a normal float, and what they cost."""

from collections.abc import Iterator
from mmap import mmap

import numpy as np

# Numbers of fields in a model's file: ModelProto.graph, GraphProto.initializer, TensorProto.data_type and
# .raw_data, and of the data type float (https://github.com/onnx/onnx/blob/main/onnx/onnx.proto3).
_GRAPH, _INITIALIZER, _DATA_TYPE, _RAW_DATA, _FLOAT = 7, 5, 2, 9, 1
# Bits of a single float: of the first none is set in a subnormal, of the second one is (IEEE 754).
_EXPONENT, _MANTISSA = np.uint32(0x7F80_0000), np.uint32(0x007F_FFFF)
#: Share of subnormal weights from which they are worth a copy of the model. Our choice: 0.10 of those of the
#: finder of text are, 0.0001 of the reader's, of which no gain was to be seen.
_WORTH_FLUSHING = 0.001
_PIECE = 4 * 2**14  # bytes


def flush_subnormals(model: bytes | mmap) -> bytes | mmap:
    """An ONNX model with those weights at zero that are too small for a normal float.

    A product with one of them takes a processor some hundred times as long. In the packaged finder of text
    they are one weight in ten, most of them in two layers: in training they died away. Without them it
    answers the same to the last bit in 0.35 of the time (one thread, 640 x 480 pixels, 2026-12-01).

    Parameters
    ----------
    model : bytes or mmap
        As in its file.

    Returns
    -------
    model : bytes or mmap
        The very same where hardly any weight is subnormal, and where the bytes are no model.
    """
    try:
        places = list(_float_weights(model))
    except (IndexError, ValueError):
        return model
    few = _WORTH_FLUSHING * sum(end - start for start, end in places) / 4
    if sum(int(_are_subnormal(_bits(model, *place)).sum()) for place in places) <= few:
        return model
    flushed = bytearray(model)
    for place in places:
        bits = _bits(flushed, *place)
        bits[_are_subnormal(bits)] = 0
    return bytes(flushed)


def _float_weights(model: bytes | mmap) -> Iterator[tuple[int, int]]:
    """Where the weights that are single floats lie, in pieces, so that little memory is taken at a time."""
    for graph in _fields(model, 0, len(model), _GRAPH):
        for tensor in _fields(model, *graph, _INITIALIZER):
            if _varint(model, *_fields(model, *tensor, _DATA_TYPE)[0])[0] == _FLOAT:
                for first, last in _fields(model, *tensor, _RAW_DATA):
                    for start in range(first, last, _PIECE):
                        yield start, min(start + _PIECE, last)


def _bits(model: bytes | bytearray | mmap, start: int, end: int) -> np.ndarray:
    return np.frombuffer(model, "<u4", (end - start) // 4, start)


def _are_subnormal(bits: np.ndarray) -> np.ndarray:
    return ((bits & _EXPONENT) == 0) & ((bits & _MANTISSA) != 0)


def _fields(model: bytes | mmap, start: int, end: int, wanted: int) -> list[tuple[int, int]]:
    """Where the contents of a message's fields of one number lie (protobuf's wire format).

    Raises
    ------
    IndexError, ValueError
        If the bytes are no message.
    """
    return [(first, last) for number, first, last in _walk(model, start, end) if number == wanted]


def _walk(model: bytes | mmap, at: int, end: int) -> Iterator[tuple[int, int, int]]:
    while at < end:
        key, at = _varint(model, at, end)
        first = at
        if key & 7 == 2:
            length, first = _varint(model, at, end)
            at = first + length
        elif key & 7 == 0:
            at = _varint(model, at, end)[1]
        elif key & 7 in {1, 5}:
            at += 8 if key & 7 == 1 else 4
        else:
            raise ValueError(f"no kind of field is {key & 7}")
        if at > end:
            raise ValueError("a field goes on beyond its message")
        yield key >> 3, first, at


def _varint(model: bytes | mmap, at: int, end: int) -> tuple[int, int]:
    """A number in groups of seven bits, lowest first, and the place behind it."""
    value = shift = 0
    while at < end:
        value |= (model[at] & 127) << shift
        shift += 7
        at += 1
        if not model[at - 1] & 128:
            return value, at
    raise ValueError("a number goes on beyond its message")
