"""Folders of CSV files written by hand, and the smallest store that answers: what the command line's tests load."""

from __future__ import annotations

import csv

from tests.terminal import run


def write(folder, **tables):
    """A folder of CSV files from rows written as dictionaries."""
    folder.mkdir(exist_ok=True)
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return folder


def one_teardown(folder):
    return write(
        folder,
        units=[{"unit": "U1", "family": "F1", "origin": "new", "first_seen_on": "2024-01-01", "first_seen_mileage": 0}],
        components=[{"family": "F1", "component": "ring"}],
        teardowns=[{"job": "J1", "unit": "U1", "opened_on": "2025-06-01", "unit_mileage": 80000}],
        findings=[{"job": "J1", "component": "ring", "verdict": "fail", "action": "replace"}],
    )


def store_of_one_teardown(folder):
    """A store with one teardown in it and no parts, in a folder of its own."""
    store = folder / "s"
    assert run("--store", store, "init", "--distance", "mi").code == 0
    assert run("--store", store, "load", one_teardown(folder / "in")).code == 0
    return store
