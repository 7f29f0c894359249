"""Barcodes measured on samples: what counts as one, as read, as wrong; and codes drawn damaged."""

import cv2
import numpy as np
import pytest
from plugface.cli.evaluation import measure_codes
from plugface.cli.evaluation.measure_codes import (
    DAMAGES,
    Sample,
    draw_samples,
    find_samples,
    judge,
    measure,
    read_plainly,
)


def write(path, symbology, payload, said=None):
    """A sample as decoders publish it."""
    grid = measure_codes.draw_modules(symbology, payload)
    tall = 60 if len(grid) == 1 else 4
    drawn = np.where(np.kron(grid, np.ones((tall, 4), bool)), 0, 255).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), np.pad(drawn, 40, constant_values=255))
    path.with_suffix(".txt").write_bytes((payload if said is None else said).encode())


@pytest.fixture
def samples(tmp_path):
    write(tmp_path / "qrcode-1" / "a.png", "QR", "K44510/261")
    write(tmp_path / "datamatrix-2" / "b.png", "Data Matrix", "K44510/262")
    write(tmp_path / "code128-1" / "c.png", "Code 128", "K44510/263")
    write(tmp_path / "code128-1" / "d.png", "Code 128", "K44510/264", said="K44510/265")
    return tmp_path


def test_right_wrong_and_missed_are_counted_by_symbology_for_both_readers(samples):
    cv2.imwrite(str(samples / "qrcode-1" / "blank.png"), np.full((90, 90), 255, np.uint8))
    (samples / "qrcode-1" / "blank.txt").write_text("K44510/266")
    head, *rows = measure(find_samples(samples), misses=True)
    assert head.split()[:3] == ["symbology", "of", "plain:"]
    counted = {row[:12].strip(): [float(cell) for cell in row[12:].split()] for row in rows[:3]}
    for columns in ((1, 2), (4, 5)):  # plain, plugface
        assert [counted["QR"][column] for column in (0, *columns)] == [2, 1, 0]
        assert [counted["Data Matrix"][column] for column in (0, *columns)] == [1, 1, 0]
        assert [counted["Code 128"][column] for column in (0, *columns)] == [2, 1, 1]
    assert rows[3:] == ["missed: code128-1/d.png", "missed: qrcode-1/blank.png"]


def test_what_is_not_read_or_says_nothing_is_no_sample(samples):
    write(samples / "aztec-1" / "e.png", "QR", "K44510/267")
    (samples / "qrcode-1" / "a.txt").unlink()
    (samples / "datamatrix-2" / "b.png").write_bytes(b"no picture")
    assert [sample.name for sample in find_samples(samples)] == ["code128-1/c.png", "code128-1/d.png"]


def test_a_message_that_a_picture_is_numbered_by_is_what_it_says(tmp_path):
    test = tmp_path / "compare_test"
    write(test / "compare_other" / "other_007_a.png", "Data Matrix", "K44510/268")
    (test / "compare_other" / "other_007_a.txt").unlink()
    (test / "input_messages").mkdir()
    (test / "input_messages" / "message_007.dat").write_bytes(b"K44510/268")
    (sample,) = find_samples(tmp_path)
    assert judge(sample, read_plainly).right


def test_separators_of_fields_do_not_matter_and_signs_do():
    sample = Sample("a", "QR", "011234\x1d21AB", np.zeros((9, 9), np.uint8))
    assert judge(sample, lambda _: [("QR", "(01)1234(21)AB")]).right
    assert judge(sample, lambda _: [("QR", "011234<GS>21AB")]).right
    assert judge(sample, lambda _: [("QR", "011234\u241d21AB")]).right
    assert judge(sample, lambda _: [("QR", "011234-21AB")]).wrong
    other = judge(sample, lambda _: [("Data Matrix", "01123421AB")])
    assert (other.right, other.wrong) == (False, False)


def test_damaged_codes_are_the_same_for_one_seed_and_differ_from_whole_ones():
    first, again = (list(draw_samples(1, 3)) for _ in range(2))
    assert [(sample.symbology, sample.name) for sample in first] == list(DAMAGES)
    assert all(np.array_equal(a.grey, b.grey) for a, b in zip(first, again, strict=True))
    assert not np.array_equal(first[0].grey, next(draw_samples(1, 4)).grey)
    corners = np.array(first[0].label)
    assert (corners > 20).all()  # what lies beside the label is in the picture, too
    assert (corners < first[0].grey.shape[::-1]).all()
    whole = [judge(sample, read_plainly).right for sample in first if sample.name == "whole"]
    assert whole == [True, True, True]


@pytest.mark.parametrize("damage", [damage for damage in DAMAGES if damage[1].endswith("broken")])
def test_only_the_edge_or_the_pattern_that_is_named_is_broken(damage):
    symbology, name = damage
    grid = measure_codes.draw_modules(symbology, "K44510/261")
    whole = measure_codes._draw(symbology, "whole", "K44510/261", np.random.default_rng(1))
    touched = np.zeros(grid.shape, bool)
    for seed in range(40):
        broken = measure_codes._draw(symbology, name, "K44510/261", np.random.default_rng(seed))
        margin = (whole.shape[0] - 8 * len(grid)) // 2
        cut = (slice(margin, -margin),) * 2
        changed = (broken[cut] != whole[cut]).reshape(len(grid), 8, len(grid), 8).any(axis=(1, 3))
        assert changed.any()
        touched |= changed
    allowed = np.zeros(grid.shape, bool)
    if symbology == "QR":
        allowed[:7, :7] = allowed[:7, -7:] = allowed[-7:, :7] = True
    elif name.startswith("solid"):
        allowed[:, 0] = allowed[-1] = True
    else:
        allowed[:, -1] = allowed[0] = True
    assert not (touched & ~allowed).any()
