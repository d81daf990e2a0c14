"""Joining names and looking at changes from the command line; and that every later answer reckons with a join."""

from __future__ import annotations

import csv
import io
import json
import shutil

import pytest

from tests.small_stores import write
from tests.terminal import run


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One gearbox whose second teardown was written down with a letter for a figure, and its part likewise: the sheets
    and a store of them, made once.
    """
    place = tmp_path_factory.mktemp("made")
    folder = write(
        place / "in",
        units=[{"unit": "A-01", "family": "F1", "origin": "new"}, {"unit": "A-O1", "family": "F1", "origin": "used"}],
        components=[{"family": "F1", "component": "ring"}],
        parts=[{"part": "R1"}, {"part": "RI"}],
        part_uses=[{"family": "F1", "component": "ring", "part": "R1"}],
        teardowns=[
            {"job": "J1", "unit": "A-01", "opened_on": "2024-01-10", "unit_mileage": "50000", "reason": "scheduled"},
            {"job": "J2", "unit": "A-O1", "opened_on": "2024-06-10", "unit_mileage": "90000", "reason": "failure"},
        ],
        findings=[
            {"job": "J1", "component": "ring", "verdict": "ok", "action": "replace", "role": "", "part": "R1"},
            {"job": "J2", "component": "ring", "verdict": "fail", "action": "replace", "role": "cause", "part": "RI"},
        ],
        issued_parts=[
            {"issued_on": "2024-01-10", "part": "R1", "quantity": "1", "job": "J1"},
            {"issued_on": "2024-06-10", "part": "RI", "quantity": "2", "job": "J2"},
        ],
    )
    run("--store", place / "s", "init", "--distance", "mi")
    assert run("--store", place / "s", "load", folder).code == 0
    return place


@pytest.fixture
def two_serials(made, tmp_path, monkeypatch):
    """A copy of that store in the folder in which the test runs; gives its sheets."""
    monkeypatch.chdir(tmp_path)
    shutil.copyfile(made / "s", tmp_path / "s")
    shutil.copytree(made / "in", tmp_path / "in")
    return tmp_path / "in"


ASKED = (("lives",), ("lives", "--units"), ("gaps",))
FORECAST = ("forecast", "--months", 3, "--total")  # the order rests on it


def answers(*more: tuple[object, ...]) -> tuple[str, ...]:
    """What the history says, by several commands."""
    return tuple(run("--store", "s", *question, "--format", "csv").out for question in (*ASKED, *more))


def test_every_later_answer_takes_joined_names_as_one_and_again_as_two(two_serials):
    *before, forecast = answers(FORECAST)
    listed = rows(run("--store", "s", "joins", "--format", "csv").out)
    assert [(r["state"], r["kind"], r["one"], r["other"], r["against"]) for r in listed] == [
        ("look alike", "part", "R1", "RI", ""),
        ("look alike", "unit", "A-01", "A-O1", ""),
    ]
    assert {r["unit"] for r in rows(before[0])} == {"A-01", "A-O1"}
    assert {r["part"] for r in rows(forecast)} == {"R1", "RI"}

    done = run("--store", "s", "join", "unit", "A-01", "A-O1", "--why", "same plate, seen by Kim")
    assert done.code == 0, done.err
    assert run("--store", "s", "join", "part", "R1", "RI", "--why", "one bin").code == 0
    *joined, forecast = answers(FORECAST)
    lives = {r["number"]: r for r in rows(joined[0])}
    assert {r["unit"] for r in lives.values()} == {"A-01"}
    assert (lives["2"]["lower_age"], lives["2"]["upper_age"]) == ("40000", "40000")  # from 50,000 to 90,000
    assert {r["part"] for r in rows(forecast)} == {"R1"}
    assert "look alike" not in joined[2]
    states = [r["state"] for r in rows(run("--store", "s", "joins", "--format", "csv").out)]
    assert states == ["joined", "joined"]
    again = run("--store", "s", "load", two_serials, "--format", "csv")
    assert sum(int(r["new"]) + int(r["changed"]) + int(r["rejected"]) for r in rows(again.out)) == 0
    assert [*answers()] == joined

    assert run("--store", "s", "unjoin", "unit", "A-O1", "--why", "two plates after all").code == 0
    assert run("--store", "s", "unjoin", "part", "RI", "--why", "two bins").code == 0
    assert [*answers()] == before
    book = rows(run("--store", "s", "changes", "--format", "csv").out)
    assert [r["what"] for r in book[:2]] == [
        "part RI parted from R1: two bins",
        "unit A-O1 parted from A-01: two plates after all",
    ]
    assert "unit A-O1 joined to A-01: same plate, seen by Kim" in {r["what"] for r in book}
    assert all(r["who"] and r["at"] for r in book)


def test_what_was_before_is_told_for_a_job(two_serials):
    write(
        two_serials.parent / "more", findings=[{"job": "J2", "component": "ring", "verdict": "ok", "action": "replace"}]
    )
    assert run("--store", "s", "load", two_serials.parent / "more").code == 0
    told = json.loads(run("--store", "s", "changes", "J2", "--format", "json").out)
    assert [(t["table"], t["column"], t["before"], t["after"]) for t in told] == [
        ("findings", "verdict", "fail", "ok"),
        ("findings", "role", "cause", None),
        ("findings", "part", "RI", None),
    ]
    assert run("--store", "s", "withdraw", "J2", "--why", "written for another shop").code == 0
    told = json.loads(run("--store", "s", "changes", "J2", "--format", "json").out)
    gone = {t["table"]: t["before"] for t in told if t["column"] == "the whole row"}
    assert gone.keys() == {"findings", "teardowns", "issued_parts"}
    assert "part RI, quantity 2" in gone["issued_parts"]
    assert rows(run("--store", "s", "changes", "--format", "csv").out)[0]["what"] == (
        "teardown J2 withdrawn: written for another shop"
    )
    assert run("--store", "s", "changes", "J9").code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("join", "unit", "A-01", "A-O1"), "--why"),
        (("join", "unit", "A-01", "A-O1", "--why", "  "), "may not be empty"),
        (("join", "bench", "x", "y", "--why", "z"), "bench"),
        (("join", "unit", "A-01", "A-9", "--why", "z"), "no unit A-9"),
        (("unjoin", "unit", "A-O1", "--why", "z"), "not joined"),
    ],
)
def test_a_join_that_cannot_be_is_said(two_serials, arguments, words):
    told = run("--store", "s", *arguments)
    assert told.code == 2
    assert words in told.err


def test_a_day_of_the_past_as_it_was_true_or_as_it_was_known(two_serials):
    day = "2024-03-01"
    true = run("--store", "s", "lives", "--as-of", day, "--format", "csv")
    assert true.code == 0
    assert f"As of {day}, as it was true" in true.err
    assert {r["closed_by"] for r in rows(true.out)} >= {"J1"}
    known = run("--store", "s", "lives", "--as-of", f"known:{day}", "--format", "csv")
    assert known.code == 2
    assert "this store knew nothing yet" in known.err
    today = rows(run("--store", "s", "changes", "--format", "csv").out)[0]["at"][:10]
    told = run("--store", "s", "lives", "--as-of", "known:2999-01-01", "--format", "csv")
    assert "as it was known" in told.err
    assert rows(told.out)
    assert today > day
    assert run("--store", "s", "lives", "--as-of", "true:2024-03-01", "--format", "csv").out == true.out
    for wrong in ("known:", "soon:2024-03-01", "2024-13-01", "known"):
        assert run("--store", "s", "lives", "--as-of", wrong).code == 2


def test_what_stands_against_a_change_and_what_to_load_again_is_told(two_serials):
    write(two_serials.parent / "more", units=[{"unit": "A-01", "family": "F2"}])
    told = run("--store", "s", "load", two_serials.parent / "more")
    assert told.code == 3
    assert "units: stored findings stand against: 1 row, first units.csv line 2, family = 'F2': 1 stored findings" in (
        " ".join(told.err.split())
    )
    assert "J1 ring 1; correct or withdraw those first" in " ".join(told.err.split())
    write(two_serials.parent / "late", teardowns=[{"job": "J3", "unit": "a 01", "opened_on": "2024-07-01"}])
    assert run("--store", "s", "load", two_serials.parent / "late").code == 3
    told = run("--store", "s", "join", "unit", "A-01", "a 01", "--why", "one plate")
    assert told.code == 0, told.err
    assert "load their files again" in " ".join(told.err.split())
    assert run("--store", "s", "load", two_serials.parent / "late").code == 0
