"""What the pages read: answers kept beside the store, held in memory by the store's path and its history.

Nothing is computed here but what takes a blink (the wear of one unit at one distance out of fits that are kept). An
answer that has not been worked out raises NotReadyError; `layout.guarded` then shows how far the work is. Keys are the
store's path, its history's version and plain values; never frames. What is held is shared between sessions as it is:
nobody changes it.
"""

# ruff: noqa: ARG001 -- `version` is part of the key, not of the question
from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from rebuildstats import commands, desks
from rebuildstats.answers import find_unit
from rebuildstats.figures.life import counted_steps
from rebuildstats.history import store as stores
from rebuildstats.history.version import history_version
from rebuildstats.kept_answers.rows import of_family, of_unit, take_known
from rebuildstats.kept_answers.shelf import NotReadyError, shelf
from rebuildstats.reports import behind

A_BLINK = 4_000  # lives that are counted while the page is made
KEPT = 24  # answers of one kind held at a time: a shop's desks ask the same few questions


def version(path: str) -> str:
    """The version of the store's history now: part of every key below. Raises StoreError, StoreBusyError."""
    return _version(path, stores.data_version(path))


@st.cache_data(max_entries=8, show_spinner=False)
def _version(path: str, of_file: str) -> str:
    return history_version(path)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _answer(path: str, version: str, question: str, **arguments: Any) -> dict[str, Any]:
    kept: dict[str, Any] = shelf(path, version).take(question, arguments)
    return kept


def history(path: str, version: str) -> dict[str, Any]:
    """as_of, settings, catalog, teardowns, units."""
    return _answer(path, version, "history")


def catalog(path: str, version: str) -> behind.Catalog:
    """What can be asked about: families, units, components, points, parts, complaints."""
    names: behind.Catalog = history(path, version)["catalog"]
    return names


def order(path: str, version: str, **goal: float) -> dict[str, Any]:
    """rows, notes, workbook, and what stands beside them: see `kept_answers.questions.order`."""
    return _answer(path, version, "order", **goal)


def supposed(path: str, version: str, what_if: str, **goal: float) -> dict[str, Any]:
    """rows and notes of an order under suppositions."""
    return _answer(path, version, "supposed", what_if=what_if, **goal)


def forecast(path: str, version: str) -> pd.DataFrame:
    """The year ahead, with the totals and every method beside the chosen one."""
    rows: pd.DataFrame = _answer(path, version, "forecast", months=desks.YEAR_MONTHS)["rows"]
    return rows


@st.cache_data(max_entries=KEPT, show_spinner=False)
def reasons(path: str, version: str, part: str) -> pd.DataFrame:
    """Where a part's expected pieces come from, unit by unit."""
    return shelf(path, version).rows(f"reasons_{desks.YEAR_MONTHS}", where={"of_part": part}).drop(columns="of_part")


def fits(path: str, version: str) -> Any:
    """All that is fitted (`answers.Fits`)."""
    return _answer(path, version, "fits")["fits"]


def life(path: str, version: str) -> pd.DataFrame:
    rows: pd.DataFrame = _answer(path, version, "fits")["life"]
    return rows


def life_fit(path: str, version: str, family: str, component: str) -> Any:
    """One component's fitted life (`fits.results`), or None."""
    return fits(path, version).life.get(family, component)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def fitted(path: str, version: str, family: str, component: str) -> pd.DataFrame:
    """The lives of a component: where, of which make and when each began."""
    columns = ["bench", "part", "opened_by", "opened_on"]
    return shelf(path, version).rows("records.lives", columns, {"family": family, "component": component})


def point_fit(path: str, version: str, family: str, point: str) -> Any:
    """One point's fit (`fits.points`), or None."""
    return fits(path, version).points.get(family, point)


@st.cache_data(max_entries=KEPT, show_spinner="Reading the lives …")
def steps(path: str, version: str, family: str, component: str) -> pd.DataFrame:
    """The plain estimate of a component's life, without a formula (`figures.life.counted_steps`).

    Of some thousand lives it takes a blink, of more it is an answer of its own. Raises NotReadyError.
    """
    columns = ["entry_age", "lower_age", "upper_age"]
    lives = shelf(path, version).rows("records.lives", columns, {"family": family, "component": component})
    if len(lives) <= A_BLINK:
        return counted_steps(lives)
    rows: pd.DataFrame = _answer(path, version, "steps", family=family, component=component)["rows"]
    return rows


@st.cache_data(max_entries=KEPT, show_spinner=False)
def readings(path: str, version: str, family: str, point: str) -> pd.DataFrame:
    return behind.readings(_family(path, version, family).records, family, point)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def wear(
    path: str, version: str, family: str, *, mileage: float, unit: str | None = None, complaint: str | None = None
) -> pd.DataFrame:
    now = _family(path, version, family)
    return desks.wear_of(now, fits(path, version), family, mileage, unit, complaint).frame()


def _family(path: str, version: str, family: str) -> commands.Known:
    """One family's part of the kept history; a table is read when it is used."""
    return take_known(shelf(path, version), history(path, version), of_family(family))


def inspections(path: str, version: str, family: str | None = None, *, mileage: float | None = None) -> pd.DataFrame:
    """Every point at all distances, or in the round band of distance that holds `mileage`."""
    kept = _answer(path, version, "inspections")
    rows = kept["rows"]
    if mileage is not None:
        rows = kept["by_band"]
        rows = rows[(rows["band_from"] <= mileage) & (mileage < rows["band_to"])]
    chosen: pd.DataFrame = rows if family is None else rows[rows["family"] == family]
    return chosen.reset_index(drop=True)


def repeats(path: str, version: str) -> pd.DataFrame:
    rows: pd.DataFrame = _answer(path, version, "repeats")["rows"]
    return rows


def answer(path: str, version: str, question: str, **arguments: Any) -> commands.Answer:
    """An answer as the command of that name gives it: rows, notes and, where a picture needs it, the result."""
    kept = _answer(path, version, question, **arguments)
    return commands.Answer(kept["rows"], notes=kept["notes"], result=kept.get("result"))


@st.cache_resource(max_entries=2, show_spinner=False)
def failures(path: str, version: str) -> pd.DataFrame:
    """Every failure as found, for the teardowns behind a group."""
    return shelf(path, version).rows("failures")


@st.cache_resource(max_entries=2, show_spinner=False)
def comebacks(path: str, version: str) -> pd.DataFrame:
    return shelf(path, version).rows("comebacks")


def gaps(path: str, version: str) -> pd.DataFrame:
    rows: pd.DataFrame = _answer(path, version, "gaps")["rows"]
    return rows


def joins(path: str, version: str) -> pd.DataFrame:
    """Names that look alike and names that are joined."""
    rows: pd.DataFrame = _answer(path, version, "joins")["rows"]
    return rows


@st.cache_data(max_entries=4, show_spinner=False)
def open_rejects(path: str, version: str) -> dict[str, tuple[int, bytes]]:
    """The rows that did not go in and are not corrected yet, a CSV file per table: its name -> rows, bytes."""
    with tempfile.TemporaryDirectory() as folder:
        files = {file.name: file.read_bytes() for file in commands.rejects(path, folder).result}
    return {name: (len(pd.read_csv(io.BytesIO(data), dtype=str)), data) for name, data in files.items()}


def backtest(path: str, version: str) -> pd.DataFrame:
    rows: pd.DataFrame = _answer(path, version, "backtest")["rows"]
    return rows


def past_record(path: str, version: str) -> pd.DataFrame | None:
    """The backtest where somebody has asked for it already; it takes too long to be run on the way."""
    try:
        return backtest(path, version)
    except NotReadyError:
        return None


@st.cache_data(max_entries=KEPT, show_spinner=False)
def issues(path: str, version: str, part: str) -> pd.DataFrame:
    """The issues and credits of a part, the latest first."""
    now = take_known(shelf(path, version), history(path, version))
    return behind.issues_of(now.history, part)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def issued_by_month(path: str, version: str, part: str) -> pd.DataFrame:
    now = take_known(shelf(path, version), history(path, version))
    return behind.issued_by_month(now.history, part)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def part_card(path: str, version: str, part: str) -> dict[str, object]:
    now = take_known(shelf(path, version), history(path, version))
    return behind.part_card(now.history, part)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def unit_teardowns(path: str, version: str, unit: str) -> pd.DataFrame:
    now = take_known(shelf(path, version), history(path, version), of_unit(unit))
    return behind.unit_teardowns(now.records, unit)


@st.cache_data(max_entries=KEPT, show_spinner="Making the sheet …")
def sheet(path: str, version: str, family: str, mileage: float, unit: str | None, ending: str) -> bytes:
    """The inspection sheet as the bytes of a file with that ending (`html`, `pdf`)."""
    now = _family(path, version, family)
    today = None if unit is None else find_unit(now, unit, family)
    age = mileage if today is None else float(today["age"])
    answer = desks.sheet_of(now, fits(path, version), family=family, mileage=age, unit=today)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / f"sheet.{ending}"
        commands.write_sheet(answer.result, out)
        return out.read_bytes()


@st.cache_resource(max_entries=200, show_spinner=False)
def drawn(
    path: str, version: str, what: str, arguments: tuple[Any, ...], look: str, _draw: Callable[[], go.Figure]
) -> go.Figure:
    """A picture of what is kept, drawn once for its arguments and the theme."""
    return _draw()
