"""Random fleets: that they are what they say, and that the rules of the lives hold on them row for row."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from data_demo.fleet_specs import Component, life_chance, life_quantile, mixed_quantile
from rebuildstats.history.contract import SQL_TYPES, TABLES
from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from tests.fleets.random_fleet import PLANTS, cut_day, random_fleet
from tests.references.lives_by_hand import lives_by_hand, rows_of

KEY = ["unit", "component", "position", "number"]
COLUMNS = ["family", "component", "position", "unit", "number", "entry_age", "lower_age", "upper_age", "opened_by"]
COLUMNS += ["closed_by", "part", "site", "duty", "bench"]
AGES = ["entry_age", "lower_age", "upper_age"]


def connection_of(frames: dict[str, pd.DataFrame]) -> duckdb.DuckDBPyConnection:
    """A connection in memory that holds the frames as the contract's tables."""
    con = duckdb.connect()
    for table in TABLES:
        columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in table.columns)
        con.execute(f'create table "{table.name}" ({columns})').fetchall()
        con.register("rows_in", frames[table.name])
        con.execute(f'insert into "{table.name}" by name select * from rows_in').fetchall()
        con.unregister("rows_in")
    return con


@pytest.mark.parametrize(("seed", "units"), [(1, 60), (2, 60), (3, 90), (6, 40)])
def test_the_lives_of_a_random_fleet_equal_those_worked_out_by_hand(seed: int, units: int) -> None:
    fleet = random_fleet(seed, units=units, years=4, plants=("left_out", "bench") if seed % 2 else ())
    day = cut_day(fleet)
    frames = fleet.tables(day)
    con = connection_of(frames)
    records = build(con, know(con, day), "km")
    by_hand = lives_by_hand(rows_of(frames), day)
    mine = pd.DataFrame(by_hand.component_lives, columns=COLUMNS).sort_values(KEY).reset_index(drop=True)
    theirs = records.lives[COLUMNS].sort_values(KEY).reset_index(drop=True)
    assert len(mine) > 300
    for column in COLUMNS:
        if column in AGES:
            np.testing.assert_allclose(theirs[column].to_numpy(float), mine[column].to_numpy(float), atol=1e-6)
        else:
            left = theirs[column].astype(object).where(theirs[column].notna(), None).to_list()
            assert left == mine[column].astype(object).where(mine[column].notna(), None).to_list(), column


def test_positions_today_equal_those_worked_out_by_hand() -> None:
    fleet = random_fleet(7, units=60, years=4)
    day = cut_day(fleet)
    frames = fleet.tables(day)
    con = connection_of(frames)
    records = build(con, know(con, day), "km")
    by_hand = lives_by_hand(rows_of(frames), day)
    place = ["unit", "component", "position"]
    mine = pd.DataFrame(by_hand.positions).sort_values(place).reset_index(drop=True)
    theirs = records.positions.sort_values(place).reset_index(drop=True)
    assert theirs[place].astype(object).equals(mine[place].astype(object))
    assert theirs["number"].to_list() == mine["number"].to_list()
    assert theirs["failed"].to_list() == mine["failed"].to_list()
    for column in ("age", "good_age"):
        np.testing.assert_allclose(theirs[column].to_numpy(float), mine[column].to_numpy(float), atol=1e-6)


def test_the_same_seed_gives_the_same_fleet_and_another_seed_another_one() -> None:
    first = random_fleet.__wrapped__(11, units=40, years=3)
    again = random_fleet.__wrapped__(11, units=40, years=3)
    other = random_fleet.__wrapped__(12, units=40, years=3)
    day = cut_day(first)
    for name, frame in first.tables(day).items():
        pd.testing.assert_frame_equal(frame, again.tables(day)[name])
    assert not first.tables(day)["teardowns"].equals(other.tables(day)["teardowns"])


def test_tables_of_a_day_hold_nothing_later() -> None:
    fleet = random_fleet(1, units=60, years=4, plants=("left_out", "bench"))
    day = pd.Timestamp(cut_day(fleet))
    for name, frame in fleet.tables(day.date()).items():
        dates = frame.select_dtypes("datetime").drop(columns=["due_on", "out_of_service_on"], errors="ignore")
        for column in dates:
            assert not (dates[column] > day).any(), (name, column)
    later = fleet.issued_after(day.date(), fleet.end)
    assert (later["issued_on"] > day).all()
    assert later["quantity"].sum() > 0


def test_csv_files_of_a_fleet_have_the_contract_columns(tmp_path: Path) -> None:
    fleet = random_fleet(1, units=60, years=4, plants=("left_out", "bench"))
    fleet.write(tmp_path, cut_day(fleet))
    for table in TABLES:
        path = tmp_path / f"{table.name}.csv"
        if path.exists():
            assert path.read_text(encoding="utf-8").splitlines()[0].split(",") == [c.name for c in table.columns]
    assert {p.stem for p in tmp_path.glob("*.csv")} >= {"units", "components", "teardowns", "findings", "issued_parts"}


def test_true_lives_are_the_lives_really_lived() -> None:
    """The stated truth against the lives the engine drew: the share that ends before the stated B10 and median."""
    fleet = random_fleet(21, units=400, years=8, components=8, plants=("duties",), typical_life=120_000.0)
    lived = pd.DataFrame(fleet.engine.bench.lives, columns=["family", "component", "job", "life", "planted"])
    truth = fleet.true_lives().set_index(["family", "component"])
    seen = 0
    for key, ages in lived.groupby(["family", "component"])["life"]:
        if len(ages) < 800:
            continue
        seen += 1
        for share, name in ((0.1, "b10"), (0.5, "median")):
            found = (ages < truth.loc[key, f"{name}_by_lives"]).mean()
            assert abs(found - share) < 0.05 + 3 * np.sqrt(share * (1 - share) / len(ages)), (key, name, found)
    assert seen >= 3


@pytest.mark.parametrize("code", range(4))
def test_quantile_and_chance_undo_each_other(code: int) -> None:
    u = np.array([0.001, 0.1, 0.5, 0.9, 0.999])
    same = np.ones(5)
    codes = np.full(5, code)
    age = life_quantile(codes, 1000 * same, (1.0 if code == 2 else 2.5) * same, u)
    np.testing.assert_allclose(life_chance(codes, 1000 * same, (1.0 if code == 2 else 2.5) * same, age), u, rtol=1e-9)


def test_a_mixture_of_one_is_the_distribution_itself() -> None:
    seal = Component("s", "s", "seal", 1000.0, 2.0)
    # Weibull: B10 = scale * (-ln 0.9) ** (1 / shape)
    expected = 1000 * (-np.log(0.9)) ** 0.5
    assert mixed_quantile(0.1, seal, np.ones(1), np.ones(1), 0.0) == pytest.approx(expected, rel=1e-9)
    assert mixed_quantile(0.1, seal, np.full(2, 2.0), np.ones(2), 0.0) == pytest.approx(expected / 2, rel=1e-9)


@pytest.mark.parametrize("plant", PLANTS)
def test_every_plant_can_be_asked_for(plant: str) -> None:
    fleet = random_fleet(31, units=60, years=3, plants=(plant,))
    if plant == "duties":
        assert {d: f for d, f, _ in fleet.plan.duties} == {"road": 1.0, "quarry": 1.8}
    elif plant == "missed":
        assert fleet.plan.missed > 0
    else:
        assert [p.kind for p in fleet.plan.plants] == [plant]


def test_an_unknown_plant_is_refused() -> None:
    with pytest.raises(ValueError, match="no plant 'rust'"):
        random_fleet(31, units=60, plants=("rust",))
