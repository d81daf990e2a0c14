"""What a history lacks, what each gap costs, and what to do about it. Each gap is one SQL file in `sql/gaps`, a row
per instance.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import duckdb
import pandas as pd

from rebuildstats.history import tables
from rebuildstats.history.known import know
from rebuildstats.history.relations import execute
from rebuildstats.history.statements import statement
from rebuildstats.history.store import settings

_FOLDER = "history/sql/gaps"
_EXAMPLES = 3
# Further than any vehicle runs in a day, in each unit of distance; an hour meter cannot run faster than the clock.
_MOST_A_DAY = {"mi": 1_500.0, "km": 2_400.0, "h": 24.0}

COLUMNS = ("gap", "count", "examples", "weakens", "what_to_do")


@dataclass(frozen=True, slots=True)
class Gap:
    """One kind of gap. file: its SQL; says: what is missing; weakens: the answers that suffer; what_to_do: the cure."""

    file: str
    says: str
    weakens: str
    what_to_do: str


GAPS: tuple[Gap, ...] = (
    Gap(
        "rejected_rows",
        "rows that did not go in and were not corrected",
        "everything that these rows would tell",
        "correct them in the list of rejects and load them again; rows that wait follow by themselves",
    ),
    Gap(
        "table_empty",
        "tables without a row",
        "parts, part_uses and stock: the forecast in parts and the order; odometers and fitments: "
        "the forecast in time; points: the wear of what is gauged",
        "load the table; the smallest useful history is units, components, teardowns and findings",
    ),
    Gap(
        "look_alikes",
        "serials, parts or vehicles that look alike",
        "lives (one unit's history in two halves) and demand (one part counted as two)",
        "compare each pair; join those that are one (a join can be undone), leave the others",
    ),
    Gap(
        "words_drift",
        "words written in several ways",
        "anything split by them: complaint to cause, site, bench, duty",
        "agree on one writing and give the others as words of the mapping",
    ),
    Gap(
        "odometers_run_back",
        "odometers lower than they were before",
        "unit mileage and every age that follows from it",
        "correct the odometer, or load the reading of the new instrument with the next meter number",
    ),
    Gap(
        "odometer_leaps",
        "odometers that leap further than a vehicle runs",
        "unit mileage, ages and the forecast in time",
        "look the reading up; a digit too many is the usual cause",
    ),
    Gap(
        "mileage_leaps",
        "unit mileages that leap further than a unit runs",
        "the ages of everything in these units",
        "look the mileage up; a digit too many or kilometres for miles are the usual causes",
    ),
    Gap(
        "dates_run_back",
        "second dates before the first",
        "waiting times, fitments and lead times",
        "look both dates up; day and month may be swapped",
    ),
    Gap(
        "dates_far_off",
        "dates fifty years and more before the others",
        "everything reckoned by time: mileage on a day, rates, the forecast",
        "look the year up; two figures for four, or a slip of the finger, are the usual causes",
    ),
    Gap(
        "teardown_twice",
        "one teardown under two jobs",
        "lives, comebacks and demand: the same work counts twice",
        "withdraw the one that should not be there",
    ),
    Gap(
        "name_not_listed",
        "names used that stand in no list of their own",
        "demand by part and distance by vehicle: what goes by this name is left out",
        "load the part, vehicle or family, or correct the name; two writings of one name can be joined",
    ),
    Gap(
        "fitments_overlap",
        "units in two vehicles at once",
        "unit mileage and the forecast in time",
        "enter the removal from the first vehicle",
    ),
    Gap(
        "mileage_below_first",
        "unit mileages below the one at first sight",
        "the ages of everything in these units",
        "look both mileages up",
    ),
    Gap(
        "teardown_without_mileage",
        "teardowns whose mileage cannot be had",
        "component lives: these count for proportions, not for ages",
        "enter the unit's mileage, or load its fitments and the vehicle's odometers",
    ),
    Gap(
        "unit_without_first_mileage",
        "used units whose mileage at first sight is unknown",
        "the ages of what was in them at first sight",
        "enter first_seen_mileage, or the unit's mileage at its first teardown",
    ),
    Gap(
        "unit_without_vehicle",
        "units never seen in a vehicle",
        "their mileage today and the forecast in time",
        "load their fitments",
    ),
    Gap(
        "vehicle_without_odometer",
        "vehicles with a unit in them and no reading for half a year",
        "unit mileage today and the forecast in time",
        "read the odometer; once a month is plenty",
    ),
    Gap(
        "family_without_components",
        "families without components",
        "everything about these units but their own lives",
        "list the components of the family",
    ),
    Gap(
        "family_without_points",
        "families without inspection points",
        "wear by mileage and the inspection sheet",
        "list the points with their limits",
    ),
    Gap(
        "teardown_without_findings",
        "teardowns of which nothing was written down",
        "component lives, proportions and demand",
        "enter the findings; what was replaced is the least",
    ),
    Gap(
        "finding_says_nothing",
        "findings without verdict, reading, condition and action",
        "proportions and lives of these components",
        "enter at least the verdict",
    ),
    Gap(
        "always_not_recorded",
        "components renewed at every rebuild that stand in no finding",
        "comebacks: what was not renewed comes back, and nobody can tell",
        "enter them, or change the component's renewal",
    ),
    Gap(
        "fail_without_replacement",
        "components found failed with nothing done",
        "lives: none is counted for this place until the next replacement",
        "enter what was done: replace, machine or dress",
    ),
    Gap(
        "failure_without_cause",
        "failures without a cause",
        "complaint to cause, and the exact ages of what fails in service",
        "mark the finding that brought the unit in with role cause",
    ),
    Gap(
        "verdict_against_limits",
        "verdicts that say the opposite of reading and limits",
        "wear and proportions at these points",
        "check the limits first, then the verdicts",
    ),
    Gap(
        "reading_far_off",
        "readings that no instrument gives",
        "wear by mileage at these points",
        "look the reading up; another unit or a lost decimal point are the usual causes",
    ),
    Gap(
        "gauge_without_limit",
        "gauge points without a limit",
        "the chance to be over the limit, and the box on the inspection sheet",
        "enter low_limit or high_limit from the maker's instructions",
    ),
    Gap(
        "point_of_another_component",
        "points recorded at another component than their own",
        "wear and lives of both components",
        "correct the component of the finding or of the point",
    ),
    Gap(
        "component_without_part",
        "components for which no part is listed",
        "the forecast in parts",
        "list the part in part_uses, or the assembly in supplied_in",
    ),
    Gap("shares_not_one", "choices whose shares do not add up to one", "the forecast in parts", "correct the shares"),
    Gap(
        "issued_without_finding",
        "parts issued to a job that replaces nothing which takes them",
        "lives (a renewal is missing) and the reasons behind the demand",
        "enter the finding, or correct the part or the job of the issue",
    ),
    Gap(
        "replaced_without_issue",
        "parts replaced in a job to which they were never issued",
        "demand: it is counted in pieces issued",
        "enter the issue, or correct the part of the finding",
    ),
    Gap(
        "part_without_lead_time",
        "parts in use without a lead time",
        "the order: how much must last until the next delivery",
        "enter lead_time_days, or load past orders with their receipts",
    ),
    Gap(
        "part_without_cost",
        "parts in use without a price",
        "the order by budget and the money tied up",
        "enter unit_cost",
    ),
    Gap("part_without_stock", "parts in use never counted", "the order: nothing is taken to be on hand", "count them"),
    Gap(
        "job_without_labour",
        "teardowns without labour hours",
        "what a held or repeated job costs: counts are shown instead of hours",
        "enter labour_hours",
    ),
    Gap(
        "job_without_cost",
        "teardowns without outside cost",
        "what a repeated job costs: counts are shown instead of money",
        "enter outside_cost, 0 where there was none",
    ),
    Gap(
        "waiting_not_dated",
        "jobs that waited for a part without both dates",
        "how long jobs are held",
        "enter waiting_from and waiting_until",
    ),
)


def find_gaps(con: duckdb.DuckDBPyConnection, as_of: date | None = None) -> pd.DataFrame:
    """What the history lacks: columns gap, count, examples, weakens, what_to_do; one row per gap there is.

    con: a connection on a store. as_of: the day up to which the history is looked at, by default its last one.
    examples holds up to three instances, the worst first.
    """
    day = know(con, as_of)
    most = _MOST_A_DAY[settings(con).distance]
    execute(con, "history/sql/days", "settled_jobs", as_of=day).fetchall()
    con.execute(statement("joins/shape", shape=tables.shape("name"))).fetchall()
    rows = []
    for gap in GAPS:
        found = [row[0] for row in execute(con, _FOLDER, gap.file, as_of=day, most_a_day=most).fetchall()]
        if found:
            rows.append((gap.says, len(found), "; ".join(found[:_EXAMPLES]), gap.weakens, gap.what_to_do))
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return frame.astype({name: "int64" if name == "count" else "str" for name in COLUMNS})
