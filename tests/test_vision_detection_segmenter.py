"""The shipped network says what its maps are said to hold."""

import weakref

import numpy as np
import pytest
from plugface.cli.evaluation.measure_vision import read_rows
from plugface.cli.settings import demo_folder
from plugface.vision.detection import segmenter
from plugface.vision.detection.segmenter import (
    AUGMENTATIONS,
    WEIGHTS,
    NetworkSegmenter,
    _look,
    load_segmenter,
    pool,
    segment,
)
from plugface.vision.photo import decode_photo

pytestmark = pytest.mark.skipif(
    not WEIGHTS.is_file(), reason="the segmenter's weights are not in this checkout"
)

AS_IT_IS = np.array([[1.0, 0, 0], [0, 1, 0]])


def test_weights_are_small_enough_to_ship():
    assert WEIGHTS.stat().st_size < 12_000_000


def test_maps_have_the_pictures_own_size_whatever_it_is():
    picture = np.full((149, 211, 3), 128, np.uint8)
    (maps,) = segment([picture], [AS_IT_IS])
    assert {mask.shape for mask in maps.masks.values()} == {(75, 106)}
    assert maps.axis.shape == (2, 38, 53)
    assert maps.colour.shape == (12, 38, 53)


def test_masks_are_probabilities_and_colours_are_log_probabilities():
    rng = np.random.default_rng(0)
    picture = rng.integers(0, 255, (96, 128, 3), np.uint8)
    (maps,) = segment([picture], [AS_IT_IS])
    assert all(0 <= mask.min() <= mask.max() <= 1 for mask in maps.masks.values())
    np.testing.assert_allclose(np.exp(maps.colour).sum(0), 1, rtol=1e-4)


def test_pictures_looked_at_together_come_out_as_alone():
    rng = np.random.default_rng(1)
    pictures = [rng.integers(0, 255, (64, 96, 3), np.uint8) for _ in range(2)]
    together = segment(pictures, [AS_IT_IS] * 2)
    (alone,) = segment(pictures[1:], [AS_IT_IS])
    np.testing.assert_allclose(together[1].masks["unit"], alone.masks["unit"], atol=1e-4)


def test_a_picture_with_rows_and_columns_exchanged_gives_exchanged_maps():
    picture = np.random.default_rng(2).integers(0, 255, (96, 128, 3), np.uint8)
    (plain,), (turned,) = (
        segment([p], [AS_IT_IS], augmentations=4) for p in (picture, picture.swapaxes(0, 1))
    )
    np.testing.assert_allclose(turned.masks["mark"].T, plain.masks["mark"], atol=1e-5)
    np.testing.assert_allclose(-turned.axis[0].T, plain.axis[0], atol=1e-4)
    np.testing.assert_allclose(turned.axis[1].T, plain.axis[1], atol=1e-4)
    for ours, theirs in enumerate((1, 0, 4, 3, 2)):  # across is down, and its spread down's
        np.testing.assert_allclose(turned.unit_shape[theirs].T, plain.unit_shape[ours], atol=1e-2)


@pytest.mark.parametrize("way", AUGMENTATIONS[1:])
def test_each_look_tells_of_the_picture_as_it_is(way):
    row = next(row for row in read_rows(demo_folder(), "train") if row["view"] == "front")
    path = demo_folder() / row["photo"]
    picture = decode_photo(path.read_bytes(), name=path.name).reduced(512)
    session = load_segmenter()
    (fine, coarse), (other_fine, other_coarse) = (_look(picture, w, session) for w in (AUGMENTATIONS[0], way))
    # Two of them differ a little, as two photos of one unit do; a vector turned the wrong way is far off.
    assert ((fine[0] > 0) == (other_fine[0] > 0)).mean() > 0.97
    on = fine[0, 1::2, 1::2][: coarse.shape[1], : coarse.shape[2]] > 2
    assert on.mean() > 0.05
    for first in (1, 3):  # the axis, then the offset to the unit's centre
        vectors, others = (maps[first : first + 2][:, on] for maps in (coarse, other_coarse))
        cosine = (vectors * others).sum() / np.sqrt((vectors**2).sum() * (others**2).sum())
        assert cosine > 0.9


def test_a_plain_surface_holds_nothing():
    (maps,) = segment([np.full((480, 640, 3), 120, np.uint8)], [AS_IT_IS])
    # A few doubtful spots are left; no unit comes of them, see the tests of `observe`.
    assert (maps.masks["unit"] > 0.5).mean() < 0.1


def test_points_lead_to_the_photo():
    (maps,) = segment([np.zeros((64, 64, 3), np.uint8)], [np.array([[3.0, 0, 10], [0, 3.0, 20]])])
    np.testing.assert_allclose(maps.points_to_photo([[1, 2]]), [[13, 26]])


def test_pooling_favours_the_surer_pixels():
    chances = np.log(np.array([[[0.9, 0.5]], [[0.1, 0.5]]]))
    pooled = pool(chances, np.ones((1, 2)), ("A", "B"))
    assert pooled["A"] == pytest.approx(0.75)  # geometric means: sqrt(0.45) against sqrt(0.05)


def test_the_network_is_read_once():
    assert load_segmenter() is load_segmenter()


def test_other_weights_are_those_that_look(tmp_path):
    picture = [np.zeros((64, 64, 3), np.uint8)]
    with pytest.raises(FileNotFoundError, match="older"):
        NetworkSegmenter(tmp_path / "older.onnx").segment(picture, [AS_IT_IS])
    with pytest.raises(FileNotFoundError, match="older"):
        NetworkSegmenter(tmp_path / "older.onnx").segment(picture, [AS_IT_IS], enough=lambda _: False)
    copy = tmp_path / "copy.onnx"
    copy.write_bytes(WEIGHTS.read_bytes())
    (maps,), (same,) = (s.segment(picture, [AS_IT_IS]) for s in (NetworkSegmenter(copy), NetworkSegmenter()))
    np.testing.assert_array_equal(maps.masks["unit"], same.masks["unit"])


@pytest.mark.parametrize(("augmentations", "few", "all_of_them"), [(1, 1, 1), (2, 2, 2), (4, 2, 4)])
def test_a_picture_is_looked_at_as_often_as_asked(monkeypatch, augmentations, few, all_of_them):
    ways, plain_look = [], segmenter._look

    def note(picture, way, session):
        ways.append(way)
        return plain_look(picture, way, session)

    monkeypatch.setattr(segmenter, "_look", note)
    picture, by = [np.full((64, 64, 3), 90, np.uint8)], NetworkSegmenter(augmentations=augmentations)
    for enough, number in ((lambda _: True, few), (lambda _: False, all_of_them), (None, all_of_them)):
        ways.clear()
        by.segment(picture, [AS_IT_IS], enough=enough)
        assert sorted(ways) == sorted(AUGMENTATIONS[:number])


def test_of_a_picture_that_was_joined_no_answer_stays(monkeypatch):
    held, still_there, plain_join = [], [], segmenter.join

    def note(answers, to_photo):
        still_there.append(sum(ref() is not None for ref in held))
        held.extend(weakref.ref(_whole_of(part)) for answer in answers for part in answer)
        return plain_join(answers, to_photo)

    monkeypatch.setattr(segmenter, "join", note)
    maps = segment([np.full((64, 96, 3), 90 + k, np.uint8) for k in range(3)], [AS_IT_IS] * 3)
    assert still_there == [0, 0, 0]
    assert len(held) == 3 * 2 * 2
    assert all(_whole_of(each.axis).shape == each.axis.shape for each in maps)


def _whole_of(part):
    """The array that holds the memory of a part."""
    return _whole_of(part.base) if isinstance(part.base, np.ndarray) else part


@pytest.mark.parametrize("augmentations", [0, 5])
def test_no_other_number_of_looks_is_taken(augmentations):
    with pytest.raises(ValueError, match=f"not {augmentations}"):
        NetworkSegmenter(augmentations=augmentations)


def test_one_look_by_itself_has_all_threads(monkeypatch):
    given = []
    monkeypatch.setattr(segmenter, "load_network", lambda path, threads=None: given.append(threads))
    load_segmenter(augmentations=4)
    load_segmenter(augmentations=1)
    assert given == [1, None]  # None is all that may be used
