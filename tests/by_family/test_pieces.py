"""A fleet in pieces gives what it gives as a whole, and a part that is lost midway is made anew from its answers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.answers import known
from rebuildstats.by_family import pieces
from rebuildstats.by_family.pieces import Ahead, Done, Job, Lost
from rebuildstats.errors import StoreError
from rebuildstats.fits import exchange, kept
from rebuildstats.fits.exchange import alone, taken, together
from rebuildstats.fits.life import fit_lives, fit_piece
from rebuildstats.history import families
from tests.by_family.small_network import furthest
from tests.fits.fleets_of_lives import fleet_of_lives


@pytest.mark.parametrize("count", [0, 1, 2, 7, 1000])
def test_the_median_of_all_pieces_is_that_of_the_whole(count):
    """Against numpy's; with numbers that agree in their first digits, and the same number many times."""
    rng = np.random.default_rng(count)
    ages = np.concatenate([rng.uniform(1e-3, 2e5, count), np.full(count // 2, 12_345.678)])
    split = np.split(ages, [count // 3, count // 2])
    found = together([exchange.median(part) for part in split])
    expected = float(np.median(ages)) if count else 1.0
    assert found == [expected] * 3
    assert alone(exchange.median(ages)) == expected


def test_pieces_that_ask_different_things_are_never_answered():
    with pytest.raises(ValueError, match="too many values"):
        together([_asks(sum), _asks(max)])


def _asks(reckon):
    yield exchange.Ask(reckon, 1)


def test_lives_fitted_in_pieces_are_those_of_the_whole_fleet():
    """Priors, the fleet's scale and its duties are shared: a piece fitted without the others comes out otherwise."""
    fleet = fleet_of_lives(3, components=8, duties=True)
    whole = fit_lives(fleet.lives, fleet.components).frame().sort_values(["family", "component"], ignore_index=True)
    names = sorted(fleet.components["family"].unique())
    own = [(fleet.lives[fleet.lives["family"] == f], fleet.components[fleet.components["family"] == f]) for f in names]
    parts = together([fit_piece(*piece) for piece in own])
    frame = pd.concat([part.frame() for part in parts]).sort_values(["family", "component"], ignore_index=True)
    assert furthest(whole, frame) < 1e-11
    by_itself = fit_lives(*own[0]).frame().sort_values(["family", "component"], ignore_index=True)
    assert not np.allclose(whole["b10"][: len(by_itself)], by_itself["b10"], rtol=1e-3)


def test_sums_of_lives_add_up_to_the_hash_of_all():
    fleet = fleet_of_lives(1)
    lives = fleet.lives.sample(frac=1.0, random_state=2)
    total = kept.lives_sum(lives.iloc[:40]) + kept.lives_sum(lives.iloc[:0]) + kept.lives_sum(lives.iloc[40:])
    assert kept.lives_hash(total, fleet.components) == kept.lives_hash(fleet.lives, fleet.components)
    twice = kept.lives_sum(pd.concat([lives, lives.iloc[:1]]))
    assert kept.lives_hash(twice, fleet.components) != kept.lives_hash(total, fleet.components)


def run(job, *, lose=None):
    """All parts of a job in this process to their ends; at exchange `lose` the process forgets them."""
    answers = {place: [] for place in range(len(job.of.families))}
    results, asked, step = {}, {}, 0
    new = dict.fromkeys(answers)
    while new:
        for place in new:
            told = answers[place]
            had = max(len(told) - 1, 0)
            said = pieces.advance(job, place, told[had:], had)
            if isinstance(said, Lost):
                said = pieces.advance(job, place, told, 0)
            (results if isinstance(said, Done) else asked)[place] = said
        step += 1
        if step == lose:
            pieces.forget(job)
        new = taken(asked)
        for place, answer in new.items():
            answers[place].append(answer)
    pieces.forget(job)
    return {place: said.result for place, said in sorted(results.items())}


def test_a_part_begun_anew_midway_ends_at_one_machines_numbers(network, one_machine):
    of = families.divided(network)
    assert of.families[-1] == "Z unopened"
    ended = run(Job("lost", of, Ahead(2, 0, total=True, all_methods=True)), lose=20)
    fits = pd.concat([piece.life.frame() for piece in ended.values()], ignore_index=True)
    whole = one_machine[0].result.life.frame()
    order = ["family", "component"]
    assert furthest(whole.sort_values(order, ignore_index=True), fits.sort_values(order, ignore_index=True)) < 1e-11
    ahead = pd.concat([piece.ahead for piece in ended.values() if len(piece.ahead)])
    assert furthest(one_machine[1].rows, ahead.sort_values("part", kind="stable", ignore_index=True)) < 1e-9
    shared = set(one_machine[1].result.uses.groupby("part").filter(lambda rows: rows["family"].nunique() > 1)["part"])
    assert shared, "a part of two families is among them"


def test_a_part_told_the_same_twice_says_the_same(network):
    job = Job("twice", families.divided(network))
    first = pieces.advance(job, 0, [], 0)
    assert pieces.advance(job, 0, [], 0) is first
    (answer,) = taken({0: first}).values()
    second = pieces.advance(job, 0, [answer], 0)
    assert pieces.advance(job, 0, [answer], 0) is second
    assert pieces.advance(job, 0, [], 1) is second
    assert isinstance(pieces.advance(job, 0, [answer], 5), Lost)
    pieces.forget(job)
    assert isinstance(pieces.advance(job, 0, [], 1), Lost)


def test_every_row_of_the_history_lies_with_its_family_once(network):
    of = families.divided(network)
    whole = known(network)
    parts = [pieces.records_of(of, place) for place in range(len(of.families))]
    for name in ("units", "fitments", "teardowns", "findings", "issued_parts"):
        every = getattr(whole.history, name)
        assert sum(len(getattr(history, name)) for history, _, _ in parts) == len(every)
    for name in ("lives", "unit_lives", "outcomes", "positions"):
        every, columns = getattr(whole.records, name), list(getattr(whole.records, name).columns)
        both = pd.concat([found for _, records, _ in parts if len(found := getattr(records, name))])
        pd.testing.assert_frame_equal(
            every.sort_values(columns, ignore_index=True), both.sort_values(columns, ignore_index=True)
        )
    speak = [vehicle for _, _, piece in parts for vehicle in piece.vehicles]
    assert set(speak) >= set(whole.records.usage["vehicle"])
    assert len(speak) == len(set(speak))


def test_a_folder_serves_until_the_history_changes_and_stands_for_the_store(network, tmp_path):
    others = [tmp_path / "shared" / name for name in ("known-good parts", "true-2024-01-01-0123456789abcdef")]
    for other in others:
        other.mkdir(parents=True)
    first = families.divided(network, folder=tmp_path / "shared")
    assert families.divided(network, folder=tmp_path / "shared") == first
    assert families.divided(first.folder) == first
    earlier = families.divided(network, first.as_of.replace(year=first.as_of.year - 1), folder=tmp_path / "shared")
    assert earlier.folder != first.folder
    assert not earlier.latest
    left = sorted(path.name for path in (tmp_path / "shared").iterdir())
    assert left == sorted([earlier.folder.rsplit("/", 1)[1], *(other.name for other in others)])
    with pytest.raises(StoreError, match="no history divided by family"):
        families.divided(tmp_path)
    with pytest.raises(StoreError, match="--shared"):
        pieces.records_of(first, 0)
    with pytest.raises(StoreError, match="Name a folder that can be written"):
        families.divided(network, folder="/proc/nowhere")
