"""The SQL of the life records against the same rules written in plain loops, row for row, on random histories."""

from __future__ import annotations

import pandas as pd
import pytest

from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from tests.histories import connection
from tests.life_records.random_history import random_history
from tests.references.lives_by_hand import lives_by_hand

COLUMNS = [
    "family", "component", "position", "unit", "number", "entry_age", "lower_age", "upper_age", "opened_by",
    "closed_by", "part", "site", "duty", "bench",
]  # fmt: skip
KEY = ["unit", "component", "position", "number"]


def _sorted(rows: pd.DataFrame, columns: list[str], key: list[str]) -> pd.DataFrame:
    text = [c for c in columns if c not in ("position", "number", "entry_age", "lower_age", "upper_age", "mileage")]
    table = rows.reindex(columns=columns).astype(dict.fromkeys(columns, "object"))
    table[text] = table[text].where(table[text].notna(), None)
    for column in set(columns) - set(text):
        table[column] = table[column].astype("Float64").round(6)
    return table.sort_values(key).reset_index(drop=True)


@pytest.mark.parametrize("seed", range(14))
def test_lives_equal_those_worked_out_by_hand(seed: int) -> None:
    tables = random_history(seed)
    if not (tables["teardowns"] or tables["fitments"] or tables["odometers"]):
        pytest.fail("a history without a date proves nothing; choose another seed")
    con = connection(**tables)
    records = build(con, know(con), "mi")
    by_hand = lives_by_hand(tables)
    pd.testing.assert_frame_equal(
        _sorted(records.lives, COLUMNS, KEY),
        _sorted(pd.DataFrame(by_hand.component_lives, columns=COLUMNS), COLUMNS, KEY),
    )
    unit_columns = [c for c in COLUMNS if c not in ("component", "position", "part")]
    pd.testing.assert_frame_equal(
        _sorted(records.unit_lives, unit_columns, ["unit", "number"]),
        _sorted(pd.DataFrame(by_hand.unit_lives, columns=COLUMNS), unit_columns, ["unit", "number"]),
    )
    mileages = records.units.set_index("unit")["mileage"]
    for state in by_hand.unit_states:
        assert mileages[state["unit"]] == pytest.approx(state["mileage"], nan_ok=True) or (
            state["mileage"] is None and pd.isna(mileages[state["unit"]])
        )
