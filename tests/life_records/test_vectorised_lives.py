"""The pandas peer of the benchmark gives the SQL's lives row for row: it does the same work that it is timed for."""

from __future__ import annotations

import pandas as pd
import pytest

from rebuildstats.history.known import know, table_frame
from rebuildstats.life_records.build import build
from tests.benchmarks.vectorised_lives import TABLES, lives
from tests.histories import connection
from tests.life_records.random_history import random_history


@pytest.mark.parametrize("seed", range(100, 106))
def test_the_peer_gives_the_same_lives(seed: int) -> None:
    con = connection(**random_history(seed))
    as_of = know(con)
    ours = build(con, as_of, "mi").lives
    assert len(ours)
    found = lives({name: table_frame(con, name) for name in TABLES}, as_of)
    pd.testing.assert_frame_equal(found, ours, rtol=1e-9)
