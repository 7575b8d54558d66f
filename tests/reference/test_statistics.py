"""Section K: trends against printed figures."""

import pytest

from collector.physics.robust import mann_kendall, sen_line

EPA = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]


def test_epa_mann_kendall():
    # EPA QA/G-9S p. 109: S 22, variance 155.33, Z 1.685; second hand. Sen slope 1.0.
    found = mann_kendall(EPA)
    assert found.score == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert sen_line(range(11), EPA).slope == 1.0


@pytest.mark.parametrize(
    ("n", "critical"), [(4, 6), (5, 8), (6, 11), (7, 13), (8, 16), (9, 18), (10, 21)]
)
def test_small_sample_critical_scores(n, critical):
    # S for 95 % one-sided (EQuIS help after EPA; for 4 it gives no larger one). The normal
    # approximation of z is close to 5 % there and clearly not significant two steps lower.
    assert 0.03 < mann_kendall(_series(n, critical)).p / 2 < 0.07
    assert mann_kendall(_series(n, critical - 4)).p / 2 > 0.07


def _series(n, score):
    """A series without ties that has the given score: each swap of neighbours takes 2."""
    values = list(range(n))
    swaps = (n * (n - 1) // 2 - score) // 2
    while swaps:
        for i in range(n - 1):
            if swaps and values[i] < values[i + 1]:
                values[i], values[i + 1] = values[i + 1], values[i]
                swaps -= 1
    assert mann_kendall(values).score == score
    return values
