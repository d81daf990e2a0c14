"""Answers kept beside the store: what is read is what was worked out, and never of another history."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import pytest

from rebuildstats import commands, desks
from rebuildstats.answers import fits
from rebuildstats.errors import NothingToComputeError, StoreError, UsageError
from rebuildstats.fits.results import CannotSay
from rebuildstats.history import corrections
from rebuildstats.history import store as stores
from rebuildstats.history.version import history_version
from rebuildstats.kept_answers import pack, questions, shelf
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.rows import of_family, of_unit, take_known
from rebuildstats.kept_answers.shelf import NotReadyError
from tests.ready_fleet import ready_fleet

PIECES = (("history", {}), ("fits", {}), ("inspections", {}), ("gaps", {}))


@pytest.fixture(scope="module")
def fleet():
    path = ready_fleet()
    return path, shelf.shelf(path)


def test_a_result_comes_back_as_it_was_kept(tmp_path):
    frame = pd.DataFrame(
        {
            "text": pd.Series(["a", None], dtype="str"),
            "day": pd.to_datetime(["2026-01-02", None]).astype("datetime64[us]"),
            "whole": pd.Series([1, None], dtype="Int64"),
            "flag": pd.Series([True, None], dtype="boolean"),
            "number": [0.1, np.inf],
        }
    )
    value = {
        ("a", None): CannotSay("pump", "seal", "nothing known"),
        "frame": frame,
        "array": np.arange(6.0).reshape(2, 3),
        "more": [1, 2.5, float("inf"), None, True, date(2026, 3, 1), b"\x00bytes", ("x",)],
    }
    pack.save(tmp_path / "one.zip", value)
    back = pack.load(tmp_path / "one.zip")
    pd.testing.assert_frame_equal(back["frame"], frame)
    np.testing.assert_array_equal(back["array"], value["array"])
    assert back["more"] == value["more"]
    assert back["a", None] == value["a", None] or back["a", None].reason == "nothing known"
    with pytest.raises(TypeError, match="can be kept"):
        pack.save(tmp_path / "two.zip", {"what": object()})
    assert [file.name for file in tmp_path.iterdir()] == ["one.zip"]


@pytest.mark.parametrize("what", [["os", "system"], ["rebuildstats.commands", "init"], ["rebuildstats.no", "Such"]])
def test_a_file_can_build_nothing_but_results_of_this_program(tmp_path, what):
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as file:
        file.writestr("tree.json", json.dumps({"data": what, "fields": {}}))
    with pytest.raises(ValueError, match=r"not part|no result|can read"):
        pack.load(tmp_path / "bad.zip")


def test_what_is_no_zip_is_no_answer(tmp_path):
    (tmp_path / "x.zip").write_text("no", encoding="utf-8")
    with pytest.raises(ValueError, match="no answer"):
        pack.load(tmp_path / "x.zip")


def test_kept_answers_are_those_of_the_commands(fleet, monkeypatch):
    path, place = fleet
    ahead = cache(lambda: forecast_of(now, fitted.life, fitted.units))
    forecast_of, now = desks.forecast_of, commands.known(path)
    fitted = fits(path, now)
    monkeypatch.setattr(desks, "forecast_of", lambda *_: ahead())  # one and the same for every question
    kept = place.take("inspections", {})
    pd.testing.assert_frame_equal(kept["rows"], commands.inspections(path).frame())
    for mileage, family in ((0.0, "F1"), (40_000.0, None), (10_000_000.0, "F2")):
        rows = kept["by_band"]
        mine = rows[(rows["band_from"] <= mileage) & (mileage < rows["band_to"])]
        mine = mine if family is None else mine[mine["family"] == family]
        answered = commands.inspections(path, family, mileage=mileage).frame()
        pd.testing.assert_frame_equal(mine.reset_index(drop=True), answered)
    pd.testing.assert_frame_equal(place.take("fits", {})["life"], commands.life(path).frame())
    pd.testing.assert_frame_equal(place.take("gaps", {})["rows"], commands.gaps(path).frame())


def test_the_bench_reads_one_family_and_says_the_same(fleet):
    path, place = fleet
    told, fitted = place.take("history", {}), place.take("fits", {})["fits"]
    now = take_known(place, told, of_family("F1"))
    complaint = told["catalog"].complaints[0]
    for unit in (None, "F1-003"):
        for words in (None, complaint):
            mine = desks.wear_of(now, fitted, "F1", 90_000.0, unit, words).frame()
            theirs = commands.wear(path, "F1", mileage=90_000.0, unit=unit, complaint=words).frame()
            pd.testing.assert_frame_equal(mine, theirs)
    assert set(now.records.teardowns["family"]) == {"F1"}
    assert set(take_known(place, told, of_unit("F1-003")).records.teardowns["unit"]) == {"F1-003"}


def test_a_write_of_history_has_answers_of_its_own_and_a_kept_fit_has_not(tmp_path, fleet):
    path = tmp_path / "s.duckdb"
    path.write_bytes(fleet[0].read_bytes())
    seen = {history_version(path)}
    before, of_file = shelf.shelf(path), stores.data_version(path)
    with stores.writing(path) as con:
        con.execute("delete from fits").fetchall()
    assert stores.data_version(path) != of_file
    assert shelf.shelf(path) == before
    job = commands.known(path).records.teardowns["job"].iloc[0]
    for write in (
        lambda: corrections.withdraw_teardown(path, job),
        lambda: corrections.undo_last_load(path),
        lambda: stores.change_settings(path, comeback_days=90),
    ):
        write()
        seen.add(history_version(path))
        assert shelf.shelf(path).folder != before.folder
    assert len(seen) == 4


def test_another_program_finds_nothing(fleet, monkeypatch):
    path, place = fleet
    assert shelf.shelf(path).has("fits", {})
    monkeypatch.setattr(shelf, "code_version", lambda: "another")
    assert shelf.shelf(path).folder != place.folder
    with pytest.raises(NotReadyError):
        shelf.shelf(path).take("fits", {})


def test_nothing_is_kept_of_a_history_that_changed_meanwhile(tmp_path, fleet, monkeypatch):
    path = tmp_path / "s.duckdb"
    path.write_bytes(fleet[0].read_bytes())
    read = questions.known

    def interrupted(store):
        found = read(store)
        stores.change_settings(path, comeback_days=91)
        return found

    monkeypatch.setattr(questions, "known", interrupted)
    place = shelf.shelf(path)
    with pytest.raises(StoreError, match="changed"):
        work_out(path, PIECES)
    assert not place.has("history", {})
    assert not place.has_rows("records.lives")


def test_what_cant_be_answered_is_kept_with_its_reason(tmp_path):
    path = tmp_path / "e.duckdb"
    stores.create(path, "km")
    place = work_out(path, PIECES)
    with pytest.raises(NothingToComputeError, match="no dated row"):
        place.take("history", {})
    with pytest.raises(NotReadyError):
        place.take("order", {"job_fill": 0.9})
    place.put("order", {}, UsageError("two goals"))
    with pytest.raises(UsageError, match="two goals"):
        place.take("order", {})


def test_answers_of_histories_long_gone_are_cleared_away(tmp_path):
    path = tmp_path / "e.duckdb"
    stores.create(path, "km")
    for days in (10, 20, 30, 40):
        stores.change_settings(path, comeback_days=days)
        place = work_out(path, (("gaps", {}),))
    folders = list(place.folder.parent.iterdir())
    assert place.folder in folders
    assert len(folders) == 2
    assert place.folder.parent.stat().st_mode & 0o077 == 0


def test_the_program_tells_how_far_it_is_and_refuses_another_history(tmp_path):
    path = tmp_path / "e.duckdb"
    stores.create(path, "km")
    place = shelf.shelf(path)
    command = [sys.executable, "-m", "rebuildstats.kept_answers.job", str(path)]
    done = subprocess.run([*command, place.name, "gaps", "{}"], capture_output=True, text=True, check=True)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert lines[-1] == {"ended": True}
    assert lines[0]["what"] == "looking for what the history lacks"
    assert place.has("gaps", {})
    other = subprocess.run([*command, "other"], capture_output=True, text=True, check=False)
    assert other.returncode == 2
    assert "changed meanwhile" in json.loads(other.stdout.splitlines()[-1])["ended"]
