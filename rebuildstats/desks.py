"""Each desk's answer from what is known: pure calls put together, no store opened, nothing printed.

`commands` reads the store and calls these; `demo_job` calls them one after the other on the same history.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from rebuildstats.answers import Answer, Fits, Known
from rebuildstats.demand.forecast import Forecast, forecast_parts
from rebuildstats.demand.openings import openings_of, openings_without_parts
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.fits.complaints import complaint_causes
from rebuildstats.fits.inspections import inspections_table
from rebuildstats.fits.points import PointFits
from rebuildstats.fits.repeats import find_repeats
from rebuildstats.fits.results import LifeFits
from rebuildstats.fits.wear import wear_table
from rebuildstats.reports import sentences
from rebuildstats.reports import sheet as sheets
from rebuildstats.reports.counter_sentences import what_if_notes
from rebuildstats.reports.job_money import held_words
from rebuildstats.reports.lasting_sentences import disagreement_words
from rebuildstats.reports.repeat_sentences import repeat_sentence
from rebuildstats.stock.goals import Budget, Goal, JobFill, PartFill
from rebuildstats.stock.outlook import Outlook, look_ahead
from rebuildstats.stock.plan import plan_for
from rebuildstats.stock.suppose import WhatIf, what_if_of

SEED = 0
YEAR_DAYS, YEAR_MONTHS = 365, 12
# Whole futures that an order looks at: job fill rates of half of them differ by about 1 % from run to run, and the
# goal is checked on the other half.
_FUTURES = 400
_CLOSING = (f"Always: {sentences.CLOSING}.",)


def goal_of(job_fill: float | None, part_fill: float | None, budget: float | None) -> Goal:
    """The one goal given, a job fill rate of 0.9 when none is; UsageError for two or one that can't be."""
    given = [value for value in (job_fill, part_fill, budget) if value is not None]
    if len(given) > 1:
        raise UsageError("An order has one goal: a job fill rate, a part fill rate or a budget.")
    if part_fill is not None:
        return PartFill(part_fill)
    if budget is not None:
        return Budget(budget)
    return JobFill(0.9 if job_fill is None else job_fill)


def forecast_of(now: Known, life: LifeFits, units: LifeFits, months: int = YEAR_MONTHS) -> Forecast:
    """Parts demand over the coming months."""
    return forecast_parts(now.records, now.history, life, units, months=months, seed=SEED)


def outlook_of(now: Known, ahead: Forecast, what_if: WhatIf | None = None) -> Outlook:
    """What lies ahead of the shelves of today."""
    futures = ahead.futures(_FUTURES, YEAR_DAYS, SEED)
    return look_ahead(futures, now.history, draws=_FUTURES, days=YEAR_DAYS, what_if=what_if)


def order_of(now: Known, ahead: Forecast, goal: Goal, what_if: Sequence[str] = ()) -> Answer:
    """What to stock and what to order today; what_if: suppositions in words, told beside what is."""
    supposed = what_if_of(what_if)
    plan = plan_for(goal, outlook_of(now, ahead, supposed))
    fill = plan.job_fill
    reached = fill.rate, fill.lower, fill.upper, fill.jobs
    notes = sentences.order_notes(plan.goal.words(), reached, plan.money, plan.not_reached)
    if supposed is not None:
        today = plan_for(goal, outlook_of(now, ahead))
        notes += what_if_notes(tuple(what_if), today.in_short(), plan.in_short())
    notes = [*notes, held_words(now.history.teardowns, now.as_of)]
    return Answer(plan.frame(), notes=tuple(notes), result=plan)


def repeats_of(now: Known, life: LifeFits) -> Answer:
    """What comes back more than it should."""
    found = find_repeats(
        now.records.lives,
        life,
        now.as_of,
        fitments=now.history.fitments,
        vehicles=now.history.vehicles,
        usage=now.records.usage,
        outcomes=now.records.outcomes,
        window_distance=now.settings.comeback_distance,
        window_days=now.settings.comeback_days,
        benches_shown=now.settings.benches_shown,
    )
    flagged = found.flagged().to_dict("records")
    return Answer(found.frame(), notes=tuple(repeat_sentence(row) for row in flagged), result=found)


def openings_ahead(now: Known, units: LifeFits, ahead: Forecast | None) -> pd.DataFrame:
    """Teardowns to expect of every unit in the coming year: by the forecast in parts, else by units' lives alone."""
    if ahead is not None:
        return openings_of(ahead, YEAR_DAYS)
    return openings_without_parts(now.history, now.records, units, YEAR_DAYS)


def inspections_of(
    now: Known, points: PointFits, openings: pd.DataFrame, family: str | None = None, mileage: float | None = None
) -> Answer:
    """Which inspections most often fail, and how many looks and fails the coming year's `openings` bring.

    Raises NothingToComputeError where nothing was ever inspected.
    """
    history, records = now.history, now.records
    if records.inspections.empty:
        raise NothingToComputeError("No finding is known yet. Load `findings` with a verdict or a reading.")
    rows = inspections_table(
        records.inspections,
        history.points,
        history.components,
        records.teardowns,
        point_fits=points,
        ahead=openings,
        positions=records.positions,
        family=family,
        mileage=mileage,
    )
    return Answer(rows)


def wear_of(now: Known, fitted: Fits, family: str, mileage: float, unit: str | None, complaint: str | None) -> Answer:
    """What usually wears in a family by a mileage, or in one unit; cautions first, the maker's limit last."""
    first = tuple(sentences.cautions(now.history.points, family))
    notes = sentences.complaint_notes(complaint, now.records.teardowns, family)
    rows = _wear(now, fitted, family, mileage, unit, complaint)
    notes = [*notes, *disagreement_words(rows)]
    return Answer(rows, first=first, last=_CLOSING, notes=tuple(notes))


def sheet_of(now: Known, fitted: Fits, *, family: str, mileage: float, unit: dict[Any, Any] | None) -> Answer:
    """The inspection sheet of a unit (a row of `Records.units`) or of a family; mileage NaN: unknown."""
    name = None if unit is None else str(unit["unit"])
    rows = _wear(now, fitted, family, mileage if mileage >= 0 else 0.0, name, None)
    content = sheets.build_sheet(
        family=family,
        unit=name,
        mileage=mileage,
        distance=now.history.distance,
        components=now.history.components,
        points=now.history.points,
        parts=now.history.parts,
        wear=rows if mileage >= 0 else rows.iloc[:0],
        inspections=now.records.inspections,
        facts=() if unit is None else sentences.unit_facts(unit, now.history.distance),
    )
    return Answer(content.frame(), first=content.cautions, last=_CLOSING, result=content)


def _wear(
    now: Known, fitted: Fits, family: str, mileage: float, unit: str | None, complaint: str | None
) -> pd.DataFrame:
    history, records = now.history, now.records
    positions = unit_age = None
    if unit is not None:
        positions = records.positions[records.positions["unit"] == unit]
        unit_age = float(records.units.loc[records.units["unit"] == unit, "age"].iloc[0])
    return wear_table(
        family,
        mileage,
        fitted.points,
        fitted.life,
        history.components,
        history.points,
        history.part_uses,
        history.parts,
        positions=positions,
        complaint=complaint,
        complaints=None if complaint is None else complaint_causes(records.outcomes, records.teardowns),
        unit_age=unit_age,
    )
