"""A family's reasons are held against the rival that they tell it from."""

import numpy as np
import pytest
from plugface.models.matching.evidence import choose_rival


@pytest.mark.parametrize(
    ("families", "unknown", "rival"),
    [
        ((0.6, 0.3, 0.1), 0.0, 1),
        ((0.6, 0.1, 0.1), 0.2, None),  # some other unit is likelier
        ((0.45, 0.45, 0.08), 0.02, 2),  # nothing seen tells the first two apart
        ((0.45, 0.44, 0.08), 0.03, 1),
        ((0.45, 0.45), 0.1, None),
        ((1.0,), 0.0, None),
    ],
)
def test_the_rival_is_the_most_probable_one_that_something_tells_apart(families, unknown, rival):
    assert choose_rival(0, np.array(families), unknown) == rival
