"""Intervals of shares against published digits."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.fits import proportions as pr

# Newcombe 1998, Statistics in Medicine 17:857, Table I: (k, n, Wilson, Clopper-Pearson, mid-P), 95 %.
# Wilson digits read in a public test that cites it; Clopper-Pearson and mid-P digits from memory, recomputed in R.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676), (0.2544, 0.3658)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617), (0.0601, 0.1581)),
    (0, 20, (0, 0.1611), (0, 0.1684), (0, 0.1391)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776), (0.0017, 0.1585)),
]


@pytest.mark.parametrize(("k", "n", "wilson", "exact", "mid_p"), NEWCOMBE)
def test_newcombe_table(k, n, wilson, exact, mid_p):
    assert np.allclose(pr.wilson_interval(k, n, 0.95), wilson, atol=5e-5)
    assert np.allclose(pr.exact_interval(k, n, 0.95), exact, atol=5e-5)
    assert np.allclose(pr.mid_p_interval(k, n, 0.95), mid_p, atol=5e-5)


def test_seven_of_fifty():
    # scipy.stats BinomTestResult documentation (exact); Wilson and Jeffreys from R and statsmodels.
    assert np.allclose(pr.exact_interval(7, 50, 0.95), (0.05819170033997342, 0.26739600249700846), atol=1e-9)
    assert np.allclose(pr.wilson_interval(7, 50, 0.95), (0.06950833, 0.26186194), atol=1e-8)
    assert np.allclose(pr.jeffreys_interval(7, 50, 0.95), (0.06487170, 0.25532503), atol=1e-8)


def test_none_failed():
    # closed form 1 - .05^(1/n); 0 of 10 two-sided: scipy and R
    assert np.allclose(pr.never_failed_bound([59, 22]), (0.0495076, 0.1273054), atol=1e-6)
    assert np.allclose(pr.exact_interval(0, 10, 0.95), (0, 0.3084971), atol=1e-6)
    assert np.allclose(pr.wilson_interval(0, 10, 0.95), (0, 0.2775328), atol=1e-6)


def test_ends_and_nothing_checked():
    low, high = pr.jeffreys_interval([0, 5, 0], [5, 5, 0])
    assert low[0] == 0
    assert high[1] == 1
    assert (low[2], high[2]) == (0, 1)
    assert np.allclose(high[0], 1 - low[1])
    with pytest.raises(ValueError, match="between 0"):
        pr.wilson_interval(3, 2)
