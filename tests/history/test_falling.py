"""The fewest rows that leave the rest not falling, held against trying every subset."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rebuildstats.history.falling import rejected


@pytest.mark.parametrize(
    ("values", "gone"),
    [
        ([], []),
        ([5], []),
        ([5, 5], []),
        ([5, 4], [1]),
        ([1, 9, 2], [2]),
        ([1, 9, 2, 3], [1]),
        ([9, 1, 2, 3], [0]),
        ([3, 2, 1], [1, 2]),
    ],
)
def test_worked_by_hand(values: list[float], gone: list[int]) -> None:
    assert rejected(values, [False] * len(values)) == gone


def test_stored_rows_stay() -> None:
    assert rejected([5, 4, 6, 5, 7], [True, False, True, False, False]) == [1, 3]


@given(st.lists(st.tuples(st.integers(0, 6), st.booleans()), max_size=9))
def test_against_every_subset(series: list[tuple[int, bool]]) -> None:
    values = [float(v) for v, _ in series]
    stored = [s for _, s in series]
    last = 0.0
    for i, value in enumerate(values):  # what is stored never falls
        if stored[i]:
            stored[i] = value >= last
            last = max(last, value) if stored[i] else last
    new = [i for i, s in enumerate(stored) if not s]
    for size in range(len(new) + 1):
        fit = [
            gone
            for gone in combinations(new, size)
            if (left := [v for i, v in enumerate(values) if i not in gone]) == sorted(left)
        ]
        if fit:
            assert rejected(values, stored) == list(max(fit))  # on a tie the later go
            return
