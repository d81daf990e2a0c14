"""Every cache of the dashboard. Keys: the store's path, its data version, and plain values; never frames.

The data version changes with every commit to the store, so a page asks again exactly when something changed. Large
results (the history, its life records, the fits) are shared between sessions as they are: nobody changes them, and
copying 80 MB on each rerun would take longer than the page may.
"""

# ruff: noqa: ARG001 -- `version` is part of the key, not of the question
from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from rebuildstats import commands
from rebuildstats.commands import Answer, Known
from rebuildstats.figures.life import counted_steps
from rebuildstats.history import store as stores
from rebuildstats.reports import behind

KEPT = 24  # answers of one kind kept at a time: a shop's desks ask the same few questions
ASK = "Reading the history …"


def version(path: str) -> str:
    """The store's data version now: part of every key below."""
    return stores.data_version(path)


def check(path: str) -> None:
    """Raise what is wrong with the store, if anything: missing, not a store, in use."""
    with stores.reading(path) as con:
        stores.settings(con)


@st.cache_resource(max_entries=2, show_spinner=ASK)
def known(path: str, version: str) -> Known:
    """The history with its life records, as of its last day."""
    return commands.known(path)


@st.cache_data(max_entries=4, show_spinner=ASK)
def catalog(path: str, version: str) -> behind.Catalog:
    """What can be asked about: families, units, components, points, parts, complaints."""
    now = known(path, version)
    return behind.catalog(now.history, now.records)


@st.cache_resource(max_entries=KEPT, show_spinner="Working out the order …")
def order(
    path: str,
    version: str,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
) -> Answer:
    return commands.order(path, job_fill=job_fill, part_fill=part_fill, budget=budget)


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside an order: the exchange curve with its marks, the lists of the counter, the workbook."""

    curve: pd.DataFrame
    marks: pd.DataFrame
    short: pd.DataFrame
    kits: pd.DataFrame
    kit_lines: pd.DataFrame
    dead: pd.DataFrame
    suppliers: pd.DataFrame
    overdue: pd.DataFrame


@st.cache_resource(max_entries=KEPT, show_spinner="Weighing money against held jobs …")
def beside_order(
    path: str,
    version: str,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
) -> Beside:
    goal = {"job_fill": job_fill, "part_fill": part_fill, "budget": budget}
    # a call that names fewer arguments is another key: only the goal given is named, as the page does
    plan = order(path, version, **{name: value for name, value in goal.items() if value is not None}).result
    curve, kits = plan.exchange_curve(), plan.kits()
    return Beside(
        curve=curve,
        marks=plan.marks(curve),
        short=plan.short_before_arrival(),
        kits=kits.kits,
        kit_lines=kits.lines,
        dead=plan.dead_stock(),
        suppliers=plan.by_supplier(),
        overdue=plan.overdue(),
    )


@st.cache_resource(max_entries=4, show_spinner="Forecasting …")
def forecast(path: str, version: str, *, months: int = 12) -> Answer:
    """With the totals and every method beside the chosen one."""
    return commands.forecast(path, months=months, total=True, all_methods=True)


@contextmanager
def _progress(doing: str) -> Iterator[commands.Progress]:
    """A bar that says how far a long command has come, gone when it is done."""
    place = st.empty()
    try:
        yield lambda done, of, what: _bar(place, min(done / of, 1.0) if of else 0.0, f"{doing}: {what} …")
    finally:
        place.empty()


def _bar(place: DeltaGenerator, share: float, words: str) -> None:
    place.progress(share, text=words)


@st.cache_resource(max_entries=2, show_spinner=False)
def fits(path: str, version: str) -> Answer:
    """All that is fitted. What was not fitted before is then kept in the store, which gives it a new version."""
    with _progress("Fitting") as tell:
        return commands.fit(path, progress=tell)


def life_fit(path: str, version: str, family: str, component: str) -> Any:
    """One component's fitted life (`fits.results`), or None."""
    return fits(path, version).result.life.get(family, component)


def point_fit(path: str, version: str, family: str, point: str) -> Any:
    """One point's fit (`fits.points`), or None."""
    return fits(path, version).result.points.get(family, point)


@st.cache_data(max_entries=KEPT, show_spinner=ASK)
def steps(path: str, version: str, family: str, component: str) -> pd.DataFrame:
    """The plain estimate of a component's life, without a formula: age, chance."""
    lives = known(path, version).records.lives
    return counted_steps(lives[(lives["family"] == family) & (lives["component"] == component)])


@st.cache_data(max_entries=KEPT, show_spinner=ASK)
def readings(path: str, version: str, family: str, point: str) -> pd.DataFrame:
    return behind.readings(known(path, version).records, family, point)


@st.cache_data(max_entries=KEPT, show_spinner="Fitting lives …")
def life(path: str, version: str, family: str | None = None) -> pd.DataFrame:
    return commands.life(path, family).frame()


@st.cache_data(max_entries=KEPT, show_spinner=ASK)
def wear(
    path: str, version: str, family: str, *, mileage: float, unit: str | None = None, complaint: str | None = None
) -> pd.DataFrame:
    return commands.wear(path, family, mileage=mileage, unit=unit, complaint=complaint).frame()


@st.cache_data(max_entries=KEPT, show_spinner=ASK)
def inspections(path: str, version: str, family: str | None = None, *, mileage: float | None = None) -> pd.DataFrame:
    return commands.inspections(path, family, mileage=mileage).frame()


@st.cache_data(max_entries=4, show_spinner="Comparing with what was to be expected …")
def repeats(path: str, version: str) -> pd.DataFrame:
    return commands.repeats(path).frame()


@st.cache_data(max_entries=2, show_spinner=ASK)
def failures(path: str, version: str) -> pd.DataFrame:
    """Every failure as found, for the teardowns behind a group."""
    return behind.failures(known(path, version).records)


@st.cache_data(max_entries=2, show_spinner=ASK)
def comebacks(path: str, version: str) -> pd.DataFrame:
    now = known(path, version)
    return behind.comebacks(now.records, now.settings.comeback_distance, now.settings.comeback_days)


@st.cache_data(max_entries=4, show_spinner=ASK)
def gaps(path: str, version: str) -> pd.DataFrame:
    return commands.gaps(path).frame()


@st.cache_data(max_entries=2, show_spinner=False)
def backtest(path: str, version: str) -> pd.DataFrame:
    with _progress("Looking back") as tell:
        frame = commands.backtest(path, progress=tell).frame()
    _looked_back()[path] = (version, frame)
    return frame


@st.cache_resource
def _looked_back() -> dict[str, tuple[str, pd.DataFrame]]:
    return {}


def past_record(path: str, version: str) -> pd.DataFrame | None:
    """The backtest where somebody has asked for it already; it takes too long to be run on the way."""
    kept = _looked_back().get(path)
    return kept[1] if kept and kept[0] == version else None


@st.cache_data(max_entries=KEPT, show_spinner=ASK)
def sheet(path: str, version: str, family: str, mileage: float | None, unit: str | None, ending: str) -> bytes:
    """The inspection sheet as the bytes of a file with that ending (`html`, `pdf`)."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / f"sheet.{ending}"
        commands.sheet(path, family=None if unit else family, mileage=None if unit else mileage, unit=unit, out=out)
        return out.read_bytes()


def today(path: str, version: str) -> date:
    return known(path, version).as_of


def clear() -> None:
    """Forget every answer (after a store was replaced under its name by another with the same time and size)."""
    every: tuple[Callable[..., Any], ...] = (
        known,
        catalog,
        order,
        beside_order,
        forecast,
        fits,
        life,
        wear,
        inspections,
    )
    for one in (*every, repeats, steps, readings, failures, comebacks, gaps, backtest, sheet):
        one.clear()  # type: ignore[attr-defined]
