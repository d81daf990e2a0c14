"""Messy fleets with a list of every planted fault: all found with the right reason, no good row lost, every row
accounted for.
"""

from __future__ import annotations

import random

import pytest

from rebuildstats.history import store
from rebuildstats.history.gaps import find_gaps
from tests.history.conftest import Shop
from tests.history.messy import SPOILS, Messy, messy_fleet, outcome, sound_fleet, write


@pytest.mark.parametrize("seed", [101, 102])
def test_every_planted_fault_is_found_and_nothing_else(empty_shop: Shop, seed: int) -> None:
    messy = messy_fleet(seed)
    write(messy, empty_shop.folder, seed)
    report = empty_shop.load_paths([empty_shop.folder])  # asserts that every row is accounted for
    done = outcome(messy, report.rejects, int(report.frame()["read"].sum()))
    assert done.planted > 300
    assert sum(map(len, messy.lines.values())) - done.read in (0, 1, 2)  # a blank last row of a workbook is none
    assert done.wrong == []
    assert done.good_rejected == []
    assert done.held_wrong == []
    same = sum(reason.startswith("same") for reason in messy.reasons.values())
    blank = sum(reason == "blank" for reason in messy.reasons.values())
    assert blank - report.frame()["blank"].sum() in (0, 1, 2)
    assert report.frame()["same"].sum() <= same


def test_the_plants_are_of_many_kinds() -> None:
    assert len(SPOILS) > 50
    assert len({reason for *_, reason, _ in SPOILS}) > 12


def test_a_sound_fleet_goes_in_whole_and_has_no_gap(empty_shop: Shop) -> None:
    write(Messy(dict(sound_fleet(random.Random(7)))), empty_shop.folder, 7)
    assert empty_shop.load_paths([empty_shop.folder]).complete
    with store.reading(empty_shop.path) as con:
        found = find_gaps(con)
    assert found[["gap", "count", "examples"]].to_numpy().tolist() == []
