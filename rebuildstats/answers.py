"""What every command works on and gives back: the history as known on a day, its fits, an answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats.errors import NothingToComputeError, StoreError, UsageError
from rebuildstats.fits import kept
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.points import PointFits, fit_points
from rebuildstats.fits.results import LifeFits
from rebuildstats.history import store as stores
from rebuildstats.history.days import AsKnown
from rebuildstats.history.known import History, history_frames, know, last_day
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records
from rebuildstats.reports import sentences

# (done, of, what): how far a long command has come.
Progress = Callable[[float, float, str], None]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command answers.

    rows: the frame with the contract's columns first. first, last: words that stand before and after it (cautions
    first, the maker's limit last). notes: what the person should know besides. rows_left: some rows were rejected or
    held. result: the object the frame came from.
    """

    rows: pd.DataFrame
    first: tuple[str, ...] = ()
    last: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    rows_left: bool = False
    result: Any = None

    def frame(self) -> pd.DataFrame:
        return self.rows


@dataclass(frozen=True, slots=True)
class Known:
    """The history and its life records as known on one day, with the settings: what answers are made from.

    latest: whether that day is the history's last one; only then are fits worth keeping.
    """

    history: History
    records: Records
    settings: stores.Settings
    latest: bool = True

    @property
    def as_of(self) -> date:
        return self.history.as_of


def known(store: str | Path, *, as_of: date | None = None) -> Known:
    """Read the history on `as_of` and make its life records: a plain date as it was true, `AsKnown` as it was known.

    Raises StoreError, StoreBusyError; NothingToComputeError where the history is empty.
    """
    with stores.reading(store) as con:
        settings = stores.settings(con)
        latest = as_of is None or (as_of == last_day(con) and not isinstance(as_of, AsKnown))
        day = know(con, as_of)
        history = history_frames(con, day, settings.distance)
        records = build(con, day, settings.distance)
    return Known(history, records, settings, latest)


@dataclass(frozen=True, slots=True)
class FittedLives:
    """Fitted lives of components and of units.

    renewed: what had to be fitted now ("components", "units"), because nothing was kept for these very lives.
    """

    life: LifeFits
    units: LifeFits
    renewed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fits:
    """All that was fitted: lives of components, lives of units, inspection points; `renewed` as in FittedLives."""

    life: LifeFits
    units: LifeFits
    points: PointFits
    renewed: tuple[str, ...] = ()


def fitted_lives(store: str | Path, now: Known, *, progress: Progress | None = None) -> FittedLives:
    """The fitted lives, kept in the store by the hash of the lives; only what changed is fitted again."""
    tell = progress or (lambda *_: None)
    records, components = now.records, now.history.components
    tell(0, 3, "lives of components")
    of_components = kept.lives_hash(records.lives, components)
    life = _stored(store, "life", of_components)
    renewed = [] if life else ["components"]
    if life is None:
        life = fit_lives(records.lives, components)
    tell(1, 3, "lives of units")
    of_units = kept.lives_hash(records.unit_lives)
    units = _stored(store, "unit", of_units)
    if units is None:
        units = fit_unit_lives(records.unit_lives)
        renewed.append("units")
    if now.latest and "components" in renewed:
        life = keep_fits(store, "life", of_components, life)
    if now.latest and "units" in renewed:
        units = keep_fits(store, "unit", of_units, units)
    return FittedLives(life, units, tuple(renewed))


def fits(store: str | Path, now: Known, *, progress: Progress | None = None) -> Fits:
    """All the fits of a history."""
    tell = progress or (lambda *_: None)
    lives = fitted_lives(store, now, progress=progress)
    tell(2, 3, "wear")
    points = fit_points(now.records.inspections, now.history.points, now.history.components)
    tell(3, 3, "done")
    return Fits(lives.life, lives.units, points, lives.renewed)


def _stored(store: str | Path, kind: kept.Kind, lives_hash: str) -> LifeFits | None:
    with stores.reading(store) as con:
        return kept.stored(con, kind, lives_hash)


def keep_fits(store: str | Path, kind: kept.Kind, lives_hash: str, fitted: LifeFits) -> LifeFits:
    """Keep these fits and give back what was kept, so that every later answer rests on the same digits.

    A store that can't be written to (a copy on a read-only disk, or one in use) still answers.
    """
    try:
        with stores.writing(store) as con:
            kept.keep(con, kind, lives_hash, fitted)
    except StoreError:
        return fitted
    return _stored(store, kind, lives_hash) or fitted


def check_family(now: Known, family: str | None) -> None:
    """Raise UsageError, with the nearest known names, for a family that doesn't exist."""
    if family is None:
        return
    families = sorted({*now.history.components["family"], *now.history.units["family"]})
    if family not in families:
        raise UsageError(f"There is no family `{family}`: {sentences.nearest(family, families)}")


def find_unit(now: Known, unit: str, family: str | None) -> dict[Any, Any]:
    """The row of `Records.units` of a unit; UsageError where it doesn't exist or isn't of `family`."""
    units = now.records.units
    found = units[units["unit"] == unit].to_dict("records")
    if not found:
        families = set(now.history.components["family"])
        if unit in families:
            raise UsageError(f"`{unit}` is a family: its sheet needs --mileage N, the distance since the last rebuild.")
        raise UsageError(f"There is no unit `{unit}`: {sentences.nearest(unit, sorted(units['unit']))}")
    if family is not None and found[0]["family"] != family:
        raise UsageError(f"Unit `{unit}` is of the family `{found[0]['family']}`, not of `{family}`.")
    return found[0]


def check_lives(*frames: pd.DataFrame) -> None:
    """Raise NothingToComputeError where every one of these frames of lives is empty."""
    if all(frame.empty for frame in frames):
        raise NothingToComputeError(
            "No life is known yet: a fit needs units, components, and teardowns with findings whose mileage is known "
            "or follows from fitments and odometers. `rebuildstats gaps` says what is missing."
        )
