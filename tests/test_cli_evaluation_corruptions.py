import sys

import numpy as np
import pytest
from plugface.cli.evaluation import corruptions

PICTURE = np.random.default_rng(0).integers(0, 255, (64, 80, 3)).astype(np.uint8)


@pytest.mark.parametrize("name", corruptions.CORRUPTIONS)
def test_each_corruption_changes_the_picture_and_repeats_itself(name: str) -> None:
    changed = corruptions.corrupt(PICTURE, name, 5, seed=7)
    assert changed.shape == PICTURE.shape
    assert changed.dtype == np.uint8
    assert (changed != PICTURE).mean() > 0.2
    assert (changed == corruptions.corrupt(PICTURE, name, 5, seed=7)).all()


def test_the_caller_s_random_numbers_are_left_alone() -> None:
    np.random.seed(1)
    expected = np.random.random()
    np.random.seed(1)
    corruptions.corrupt(PICTURE, "shot_noise", 3, seed=9)
    assert np.random.random() == expected


@pytest.mark.parametrize("severity", [1, 2, 3, 4, 5])
def test_the_quicker_glass_blur_equals_the_package_s_own(severity: int) -> None:
    corruptions._package()
    from imagecorruptions.corruptions import glass_blur

    np.random.seed(3)
    theirs = glass_blur(PICTURE, severity)
    np.random.seed(3)
    ours = corruptions._glass_blur(PICTURE, severity)
    assert np.array_equal(theirs, ours)


def test_no_stand_in_for_a_module_is_left_behind() -> None:
    corruptions.corrupt(np.zeros((64, 64, 3), np.uint8), "frost", 1, seed=1)
    # Others look for it by name, pytest among them, and would take it for the real one.
    left = sys.modules.get("pkg_resources")
    assert left is None or left.__spec__ is not None
