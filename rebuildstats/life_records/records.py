"""What the history says of lives, teardowns and the fleet today: the frames that every later step works on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import pandas as pd


@dataclass(frozen=True, slots=True)
class Records:
    """The life records of a history as known on `as_of`. Ages and mileages in the store's unit of distance.

    lives: a row is the life of one component position. family, component, position, unit, number, entry_age, lower_age,
        upper_age (missing: right-censored; equal to lower_age: exact), opened_by, closed_by, part, site, duty, bench
        (of the job that opened it), opened_on, closed_on, first_life (there at first sight), end (cause, wear,
        consequence, replaced; missing: still running), group, shows, opened_mileage (unit mileage at age 0),
        good_before (age at the last look but one that found it good before lower_age; its entry where there was none),
        duty_share (the part of its distance run on that duty).
    unit_lives: the same for the units between rebuilds; component, position and part are empty; `end` is the reason
        of the rebuild that ended it; origin of the unit.
    teardowns: job, unit, family, opened_on, mileage, age (distance since the rebuild before), reason, scope, complaint,
        vehicle, site, duty, bench, closed_on, rebuild_number, labour_hours, outside_cost, waiting_from, waiting_until,
        waiting_for.
    outcomes: a row is one teardown seen from one component position of its unit, recorded or not. job, unit, family,
        component, position, opened_on, age, good_age (last known good before), verdict, action, role, recorded,
        renewed, part, scope, reason, mileage, unit_age, complaint, site, duty, bench, failed_before.
    inspections: a row is a finding as written. job, unit, family, component, point, position, opened_on, age, unit_age,
        reading, condition, verdict, action, role, part, quantity, site, bench, scope, reason.
    units: a row is a unit today. unit, family, origin, vehicle (missing: on the shelf), site, duty, mileage, age,
        last_opened_on, fitted_on, out_of_service_on, rebuilds, in_service.
    positions: a row is a component position of a unit today. unit, family, component, position, number, age, good_age,
        failed (and left in), part, opened_on, first_life.
    usage: a row is a point of a vehicle's line, its meters joined. vehicle, read_on, distance.
    counts: step, what, count: what became of every finding, teardown, stay and life.
    """

    as_of: date
    distance: str
    lives: pd.DataFrame
    unit_lives: pd.DataFrame
    teardowns: pd.DataFrame
    outcomes: pd.DataFrame
    inspections: pd.DataFrame
    units: pd.DataFrame
    positions: pd.DataFrame
    usage: pd.DataFrame
    counts: pd.DataFrame

    def with_ages(self, outcomes: pd.DataFrame, positions: pd.DataFrame) -> Records:
        """The same with other ages in these two tables."""
        return replace(self, outcomes=outcomes, positions=positions)
