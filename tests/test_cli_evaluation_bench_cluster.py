"""A cluster played through: what the two ends of the curve must be by arithmetic."""

import pytest
from plugface.cli.evaluation.bench_cluster import play


def test_few_workers_take_what_their_looks_take():
    one, four = (play(4000, workers, 1.0, 0.001) for workers in (1, 4))
    # The mean of 4,000 draws of a log-normal with sigma 0.3 lies within 2 % of its own mean, at 4 sigma.
    assert one.seconds == pytest.approx(4000, rel=0.03)
    assert four.seconds == pytest.approx(1000, rel=0.03)
    assert four.workers > 0.98
    assert four.master == pytest.approx(0.004, rel=0.05)


def test_with_very_many_workers_the_master_saturates():
    played = play(4000, 1000, 1.0, 0.01)  # ten times as many as it can serve
    assert played.seconds == pytest.approx(40, rel=0.1)  # and the first looks before anything comes back
    assert played.master > 0.9
    assert played.workers == pytest.approx(0.1, rel=0.2)


def test_no_photo_is_lost_or_looked_at_twice():
    played = play(10, 100, 1.0, 1.0)  # fewer photos than workers
    assert 10 < played.seconds < 14  # all looked at together, then taken back one by one
