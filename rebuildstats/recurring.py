"""The public functions that ask what recurs, ruins, drifts and fails by mileage; `commands` gives them out too."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd

from rebuildstats.answers import Answer, Known, check_family, check_lives, fits, known
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.fits import drift as gauges
from rebuildstats.fits.inspections import fail_share_by_band
from rebuildstats.fits.knock_on import knock_on
from rebuildstats.fits.points import PointFits
from rebuildstats.fits.recurrence_table import BY, job_costs, recurrence_table
from rebuildstats.fits.rows import numbers, texts
from rebuildstats.reports import recurring_sentences as words

NO_FINDING = "No finding is known yet. Load `findings` with a verdict or a reading."


def recurrence(
    store: str | Path,
    family: str | None = None,
    *,
    component: str | None = None,
    by: str | None = None,
    mileage: float | None = None,
    as_of: date | None = None,
) -> Answer:
    """Failures per unit as its mileage adds up, what they cost, and whether it gets worse.

    A row per family as a whole and per component; with `by` (site, duty or origin) also per group, set against the rest
    of its family. The mean cumulative function is read at `mileage` (a unit's own, not since a rebuild; by default the
    middle of the fleet). The whole curves stand in the result.
    Raises UsageError for names that don't exist and for sites where the settings leave them out,
    NothingToComputeError where no unit's mileage is known.
    """
    if by is not None and by not in BY:
        raise UsageError(f"--by is one of {', '.join(BY)}, not '{by}'.")
    if mileage is not None and not 0 < mileage < float("inf"):
        raise UsageError(f"A mileage to read the curve at is above 0, not {mileage:g}.")
    now = known(store, as_of=as_of)
    check_family(now, family)
    return recurrence_of(now, family, component=component, by=by, mileage=mileage)


def recurrence_of(
    now: Known,
    family: str | None = None,
    *,
    component: str | None = None,
    by: str | None = None,
    mileage: float | None = None,
) -> Answer:
    """`recurrence` from what is known."""
    if by == "site" and not now.settings.benches_shown:
        raise UsageError("The settings leave sites out: `rebuildstats settings --benches` brings them back.")
    named = set(texts(now.history.components["component"]))
    if component is not None and component not in named:
        raise UsageError(f"There is no component `{component}`.")
    records = now.records
    if records.teardowns.empty or records.units["mileage"].isna().all():
        raise NothingToComputeError(
            "No unit's mileage is known yet: load `units` and `teardowns` with `unit_mileage`, or `fitments` and "
            "`odometers`."
        )
    units = now.history.units
    found = recurrence_table(
        records.teardowns,
        records.units,
        records.outcomes,
        first_seen=pd.Series(numbers(units["first_seen_mileage"]), index=texts(units["unit"])),
        costs=job_costs(records.teardowns, now.history.issued_parts, now.history.parts),
        family=family,
        component=component,
        by=by,
        mileage=mileage,
    )
    lines = words.recurrence_words(found.frame(), now.history.distance)
    return Answer(found.frame(), notes=tuple(lines), result=found)


def damage(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Which failure ruins which neighbours, how often, and what it cost that catching it earlier would have saved.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no finding is known.
    """
    now = known(store, as_of=as_of)
    check_family(now, family)
    return damage_of(now, family)


def damage_of(now: Known, family: str | None = None) -> Answer:
    """`damage` from what is known."""
    if now.records.inspections.empty:
        raise NothingToComputeError(NO_FINDING)
    outcomes = now.records.outcomes
    if family is not None:
        outcomes = outcomes[outcomes["family"] == family]
    rows = knock_on(outcomes, now.history.part_uses, now.history.parts)
    return Answer(rows, notes=tuple(words.damage_words(rows)))


def drift(store: str | Path, *, as_of: date | None = None) -> Answer:
    """Readings that shift for all points at once at one site: the gauge or its use, told apart from wear.

    Sites are put together where the settings leave them out. Raises NothingToComputeError where nothing was gauged.
    """
    now = known(store, as_of=as_of)
    return drift_of(now, lambda: fits(store, now).points)


def drift_of(now: Known, points: Callable[[], PointFits]) -> Answer:
    """`drift` from what is known; `points` gives the fitted points, where there is something to compare."""
    inspections = now.records.inspections
    if inspections.empty or inspections["reading"].isna().all():
        raise NothingToComputeError("No reading is known yet. Load `findings` with a `reading` of a gauged point.")
    check_lives(now.records.lives)
    if not now.settings.benches_shown:
        inspections = inspections.assign(site=pd.Series("", index=inspections.index, dtype="str"))
    left = gauges.residuals(inspections, now.history.points, points())
    rows = gauges.gauge_drift(left)
    return Answer(rows, notes=tuple(words.drift_words(rows, len(left))), result=left)


def shares(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """The share of fails per inspection point by band of the component's own distance, with counts and intervals.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no finding is known.
    """
    now = known(store, as_of=as_of)
    check_family(now, family)
    return shares_of(now, family)


def shares_of(now: Known, family: str | None = None) -> Answer:
    """`shares` from what is known."""
    if now.records.inspections.empty:
        raise NothingToComputeError(NO_FINDING)
    rows = fail_share_by_band(now.records.inspections, now.history.points)
    if family is not None:
        rows = rows[rows["family"] == family].reset_index(drop=True)
    return Answer(rows)
