"""Networks as files: what is done to their bytes before they are loaded."""

from pathlib import Path

import numpy as np
import onnxruntime
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plugface.cli.settings import demo_folder
from plugface.vision import onnx
from plugface.vision.onnx import packaged_network
from plugface.vision.photo import decode_photo
from plugface.vision.subnormals import flush_subnormals

DETECTOR = "PP-OCRv6_det_small.onnx"
SMALLEST = float(np.finfo(np.float32).tiny)
FLOAT, INT64 = 1, 7


def field(number: int, content: bytes | int) -> bytes:
    """A field of a protobuf message: a number or, with its length, what it holds."""
    if isinstance(content, int):
        return varint(number << 3) + varint(content)
    return varint(number << 3 | 2) + varint(len(content)) + content


def varint(value: int) -> bytes:
    low = b""
    while value > 127:
        low, value = low + bytes([value & 127 | 128]), value >> 7
    return low + bytes([value])


def tensor(name: str, values: np.ndarray, kind: int) -> bytes:
    dims = b"".join(field(1, side) for side in values.shape)
    return dims + field(2, kind) + field(8, name.encode()) + field(9, values.tobytes())


def value_info(name: str) -> bytes:
    any_size = field(1, field(2, b"n"))
    return field(1, name.encode()) + field(2, field(1, field(1, FLOAT) + field(2, any_size)))


def toy(weights: np.ndarray) -> bytes:
    """A model that multiplies by weights and lays the result out by a shape, which is whole numbers."""
    shape = np.array([2, -1], np.int64)  # as single floats 2 and 0 would be subnormal or zero
    multiply = field(1, b"x") + field(1, b"w") + field(2, b"xw") + field(4, b"Mul")
    lay_out = field(1, b"xw") + field(1, b"shape") + field(2, b"y") + field(4, b"Reshape")
    graph = field(1, multiply) + field(1, lay_out) + field(2, b"toy")
    graph += field(5, tensor("w", weights, FLOAT)) + field(5, tensor("shape", shape, INT64))
    graph += field(11, value_info("x")) + field(12, value_info("y"))
    return field(1, 8) + field(7, graph) + field(8, field(1, b"") + field(2, 17))


def answer(model: bytes, x: np.ndarray) -> np.ndarray:
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(model, options).run(None, {"x": x})[0]


def test_weights_too_small_for_a_normal_float_are_zero_and_no_others() -> None:
    weights = np.array([1.0, 1e-40, -1e-39, SMALLEST, -SMALLEST, 0.0], np.float32)
    x = np.full(6, 2.0**60, np.float32)
    before, after = answer(toy(weights), x), answer(flush_subnormals(toy(weights)), x)
    assert before.shape == after.shape == (2, 3)
    assert np.flatnonzero(before).tolist() == [0, 1, 2, 3, 4]
    assert np.flatnonzero(after).tolist() == [0, 3, 4]
    assert (before.ravel()[[0, 3, 4]] == after.ravel()[[0, 3, 4]]).all()


def test_a_model_without_such_weights_stays_as_it_is() -> None:
    model = toy(np.linspace(-1, 1, 6).astype(np.float32))
    assert flush_subnormals(model) == model


@given(st.binary(max_size=200), st.integers(0, 400))
def test_what_is_no_model_comes_back_as_it_is(junk, cut) -> None:
    assert flush_subnormals(junk[:1] + b"\x80" * 3 + junk) == junk[:1] + b"\x80" * 3 + junk
    part = toy(np.full(6, 1e-40, np.float32))[:cut]
    assert len(flush_subnormals(part)) == len(part)


@pytest.fixture(scope="module")
def tile() -> np.ndarray:
    photo = decode_photo((demo_folder() / "photos" / "mf0002.jpg").read_bytes())
    grey = np.dstack([photo.grey[:480, :448]] * 3).astype(np.float32) / 127.5 - 1.0
    return grey.transpose(2, 0, 1)[None]


def test_the_finder_of_text_is_loaded_without_them_and_answers_the_same(tile, monkeypatch) -> None:
    """The packaged network has a quarter of a million, which took two thirds of its time."""
    path = packaged_network(DETECTOR)
    given_models = []
    real = onnxruntime.InferenceSession

    def kept(model, *arguments, **named):
        given_models.append(model)
        return real(model, *arguments, **named)

    monkeypatch.setattr(onnx.onnxruntime, "InferenceSession", kept)
    session = onnx._open_network.__wrapped__(path, 1)
    shipped = Path(path).read_bytes()
    changed = np.frombuffer(given_models[0], np.uint8) != np.frombuffer(shipped, np.uint8)
    assert changed.sum() > 500_000  # of its weights 255,957 are subnormal, two to three bytes each
    plain = real(path)
    ours, theirs = (one.run(None, {one.get_inputs()[0].name: tile})[0] for one in (session, plain))
    assert theirs.max() > 0.5  # there is text
    # Sums may be taken in another order with another count of threads.
    assert np.abs(ours - theirs).max() < 1e-5
