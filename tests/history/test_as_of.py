"""A day of the past as it was true and as it was known: corrections, withdrawals and joins that came later."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from rebuildstats import commands, hindsight
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.history import store
from rebuildstats.history.corrections import withdraw_teardown
from rebuildstats.history.days import AsKnown
from rebuildstats.history.joins import join_names
from rebuildstats.history.known import first_load, know
from tests.history.conftest import GOOD, Shop

MARCH, MAY, JUNE, JULY = (datetime(2025, month, 10, 12, tzinfo=UTC) for month in (3, 5, 6, 7))


@pytest.fixture(scope="module")
def corrected(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """J1 was written down in March with 50,000 and corrected to 40,000 in May; J2 was withdrawn in June; part 0072 was
    joined in July.
    """
    shop = Shop(tmp_path_factory.mktemp("corrected"))
    shop.load(now=MARCH, **GOOD)
    shop.load(now=MAY, teardowns="job,unit,opened_on,unit_mileage\nJ1,A1,2024-01-10,40000\n", parts="part\nOO72\n")
    withdraw_teardown(shop.path, "J2", "Kim", now=JUNE)
    join_names(shop.path, "part", "0072", "OO72", "Kim", now=JULY)
    return shop


def seen(shop: Shop, as_of: date) -> tuple[list[tuple[object, ...]], list[str]]:
    """The teardowns (job, unit_mileage) and the parts on a day."""
    with store.reading(shop.path) as con:
        know(con, as_of)
        jobs = con.execute("select job, unit_mileage from known_teardowns order by job").fetchall()
        return jobs, [part for (part,) in con.execute("select part from known_parts order by part").fetchall()]


TRUE = ([("J1", 40000.0)], ["0071", "0072"])


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (date(2025, 4, 1), TRUE),
        (AsKnown(2025, 4, 1), ([("J1", 50000.0), ("J2", 90000.0)], ["0071", "0072"])),
        (AsKnown(2025, 5, 9), ([("J1", 50000.0), ("J2", 90000.0)], ["0071", "0072"])),
        (AsKnown(2025, 5, 10), ([("J1", 40000.0), ("J2", 90000.0)], ["0071", "0072", "OO72"])),
        (AsKnown(2025, 6, 15), ([("J1", 40000.0)], ["0071", "0072", "OO72"])),
        (AsKnown(2025, 7, 10), TRUE),
    ],
)
def test_the_two_senses_of_a_day(corrected: Shop, day: date, expected: object) -> None:
    assert seen(corrected, day) == expected


def test_what_lies_after_the_day_is_out_in_both_senses(corrected: Shop) -> None:
    assert seen(corrected, date(2024, 2, 1))[0] == [("J1", 40000.0)]
    with pytest.raises(UsageError, match="knew nothing yet: its first load is of 2025-03-10"):
        seen(corrected, AsKnown(2024, 2, 1))
    with store.reading(corrected.path) as con:
        assert first_load(con) == date(2025, 3, 10)


def test_every_answer_takes_either_sense(corrected: Shop) -> None:
    known = commands.known(corrected.path, as_of=AsKnown(2025, 4, 1))
    assert not known.latest
    assert sorted(known.records.teardowns["job"]) == ["J1", "J2"]
    assert sorted(commands.known(corrected.path, as_of=date(2025, 4, 1)).records.teardowns["job"]) == ["J1"]
    assert commands.gaps(corrected.path, as_of=AsKnown(2025, 4, 1)).frame().shape[0] > 0
    with pytest.raises(NothingToComputeError, match=r"first load of this store is of 2025-03-10|too short"):
        commands.backtest(corrected.path, as_of=AsKnown(2025, 7, 10))


@pytest.mark.parametrize("known", [True, False])
def test_a_backtest_sees_each_past_day_in_the_sense_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """J0 said 10,000 until it was corrected in May 2024; a store of June 2023 knew nothing before."""
    shop = Shop(tmp_path)
    opened = "job,unit,opened_on,unit_mileage\nJ0,A1,2017-01-10,{}\n"
    sheets = {name: GOOD[name] for name in ("units", "components", "parts")}
    shop.load(now=datetime(2023, 6, 1, tzinfo=UTC), **sheets, teardowns=opened.format(10000))
    shop.load(now=datetime(2024, 5, 1, tzinfo=UTC), teardowns=opened.format(9000))
    seen: dict[date, float] = {}

    def look_back(history_at: Any, _: object, origins: list[date], *__: object, **___: object) -> None:
        seen.update({day: history_at(day)[0].teardowns["unit_mileage"].tolist()[0] for day in origins})
        raise NothingToComputeError("enough is seen")

    monkeypatch.setattr(hindsight, "look_back", look_back)
    asked = AsKnown(2025, 6, 1) if known else date(2025, 6, 1)
    with pytest.raises(NothingToComputeError, match="enough is seen"):
        commands.backtest(shop.path, as_of=asked)
    assert set(seen.values()) == ({10000.0, 9000.0} if known else {9000.0})
    assert all(mileage == (10000.0 if known and day < date(2024, 5, 1) else 9000.0) for day, mileage in seen.items())
    assert (min(seen) >= date(2023, 6, 1)) == known
