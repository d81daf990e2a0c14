"""One family's part of a computation over the whole fleet, and how far it has come in this process.

A part is a generator of `fits.exchange`: it works until it needs something of the other families and says so. It lives
in the process that began it. Where that process is gone, any other begins it anew and is told all that the first one
was told: the same answers lead to the same place.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from rebuildstats.demand.forecast import DRAWS, forecast_of_piece
from rebuildstats.demand.piece import Piece
from rebuildstats.fits import kept
from rebuildstats.fits.exchange import Ask, Steps
from rebuildstats.fits.life import fit_piece, fit_units_of_piece
from rebuildstats.fits.results import LifeFits
from rebuildstats.history.families import Divided, known_family
from rebuildstats.history.known import History, history_frames
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records

_MOST_KEPT = 4  # computations whose parts a process keeps; what an earlier one left behind goes


@dataclass(frozen=True, slots=True)
class Ahead:
    """A forecast of parts: months, seed, and which rows of it (`Forecast.frame`)."""

    months: int
    seed: int
    total: bool
    all_methods: bool


@dataclass(frozen=True, slots=True)
class Job:
    """A computation over a divided history, `name` tells it from every other: fits, and with `ahead` a forecast."""

    name: str
    of: Divided
    ahead: Ahead | None = None


@dataclass(frozen=True, slots=True)
class FittedPiece:
    """One family's fitted lives, the sums of the lives they were fitted to, and, where asked for, the forecast of those
    parts that the family answers for."""

    life: LifeFits
    units: LifeFits
    of_components: kept.LivesSum
    of_units: kept.LivesSum
    ahead: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """The end of a part."""

    result: Any


@dataclass(frozen=True, slots=True)
class Lost:
    """This process does not have the part: it must be told all answers from the first."""


@dataclass(slots=True)
class _Part:
    """steps: the part; told: how many answers it has had; last: what it said then; turn: one at a time works on it."""

    steps: Steps[Any]
    told: int = 0
    last: Ask | Done | None = None
    turn: threading.Lock = field(default_factory=threading.Lock)


_PARTS: dict[str, dict[int, _Part]] = {}
_PARTS_LOCK = threading.Lock()


def advance(job: Job, place: int, answers: Sequence[Any], skipped: int) -> Ask | Done | Lost:
    """Take one family's part of a job on to its next question, or to its end.

    answers: those it was given so far, without the first `skipped`, which a process that has the part knows already.
    Told the same twice, it says the same.
    """
    with _PARTS_LOCK:
        parts = _PARTS.setdefault(job.name, {})
        for old in list(_PARTS)[:-_MOST_KEPT]:
            del _PARTS[old]
        part = parts.get(place)
        if part is None and skipped == 0:
            part = parts[place] = _Part(_steps(job, place))
    if part is None:
        return Lost()
    with part.turn:
        if part.told > skipped + len(answers) or part.told < skipped:
            return Lost()
        if part.last is None:
            part.last = _next(part.steps, None)
        for answer in answers[part.told - skipped :]:
            part.told += 1
            part.last = _next(part.steps, answer)
        return part.last


def forget(job: Job) -> None:
    """Drop all parts of a job in this process."""
    with _PARTS_LOCK:
        _PARTS.pop(job.name, None)


def _next(steps: Steps[Any], answer: Any) -> Ask | Done:
    try:
        return steps.send(answer)
    except StopIteration as end:
        return Done(end.value)


def records_of(of: Divided, place: int) -> tuple[History, Records, Piece]:
    """One family's history, in which what all families share is whole, its life records, and which piece that is."""
    with known_family(of, place) as con:
        vehicles = frozenset(con.table("vehicle_owned").df()["vehicle"])
        history = history_frames(con, of.as_of, of.distance)
        return history, build(con, of.as_of, of.distance), Piece({of.families[place]: place}, vehicles)


def _steps(job: Job, place: int) -> Steps[FittedPiece]:
    history, records, piece = records_of(job.of, place)
    fitted = yield from _fitted(job.of, place, history, records)
    if job.ahead is None:
        return fitted
    months, seed = job.ahead.months, job.ahead.seed
    forecast = yield from forecast_of_piece(
        records, history, fitted.life, fitted.units, piece, months=months, draws=DRAWS, seed=seed
    )
    return replace(fitted, ahead=forecast.frame(job.ahead.total, job.ahead.all_methods))


def _fitted(of: Divided, place: int, history: History, records: Records) -> Steps[FittedPiece]:
    components = history.components[history.components["family"] == of.families[place]]
    life = yield from fit_piece(records.lives, components)
    units = yield from fit_units_of_piece(records.unit_lives)
    if of.latest:
        life, units = kept.as_kept(life), kept.as_kept(units)
    return FittedPiece(life, units, kept.lives_sum(records.lives), kept.lives_sum(records.unit_lives))
