"""Lives worked out by hand: 'Unit mileage' and 'From findings to lives' of the contract in plain dicts and loops.

A second opinion, slow and readable, written from the contract's text alone; the SQL of `rebuildstats.life_records` is
compared with it row for row on random fleets. It shares no code and no query with it, on purpose.

`lives_by_hand(tables, as_of=None)` takes {table name: list of dict rows with typed values, None where empty} and
returns `Lives`: lists of dict rows `component_lives`, `unit_lives` (the contract's columns of `lives`; None: empty),
`positions` (the state of every position today), `unit_states`, `job_mileages`, and `left_out`, how many lives say
nothing.

Choices where the text leaves one (first the choice made, then what else could be read):
 1. Several findings of one position in one job: worst verdict = fail, then ok, then not_checked, then none;
    strongest action = replace, machine, dress, reuse. (Else: not_checked worse than ok.)
 2. Roles: cause, then consequence, then wear. The role counts only where the merged verdict is `fail`; a `cause`
    without a verdict says nothing by itself. (Else: a cause is a failure whatever the verdict.)
 3. An empty origin is `used`. A `new` unit's ages are its mileages even where it was first seen late; entry stays
    0.
 4. A `new` unit without first_seen_mileage and without any given unit_mileage has 0 at first sight; with a given
    one it is calculated back as for the others. (Else: always 0 for new.)
 5. Distance of a unit without fitments: unknown at a teardown; 0 for calculating first sight back, and 0 since its
    last known mileage. With fitments whose odometers can't be had, the distance is unknown and so is first sight.
 6. Meter in force on a day: the latest meter whose first reading is on or before that day, else the first meter.
 7. A vehicle read once has no rate: days before that reading take it as it is.
 8. A teardown's own odometer stands for the fitment the unit was in at the start of that day (fitted before it, not
    removed before it) if that fitment's vehicle is the teardown's or the teardown names none; a removal's own
    odometer goes before it.
 9. "Fitments so far" are those fitted on or before the day. A distance that came out negative (a fitting
    written after the vehicle's last reading) is 0; what is known good never goes back.
10. An empty mileage is first sight + all distance so far, not the last given mileage + distance since (only 'today'
    is that); but it is never less than the unit had at an earlier teardown. (Else: as it comes, even if it falls.)
11. Two teardowns of a unit on one day: in the order of their job names.
12. An `always` component found reused at a rebuild is still renewed ("recorded or not").
13. Assemblies: a replace finding renews upwards through supplied_in as far as it goes, then everything below what was
    reached (position k with position k where both have as many positions, else all); a renewal because of `always`
    goes downwards only. What went down doesn't go up again: one of four assemblies takes no other one with it.
14. Failed at a teardown of unknown mileage: the life ends, right-censored where last known good, like a renewal
    there.
15. A consequence that isn't replaced ends the life (right-censored) and no new one starts until it is replaced.
16. number: counts the lives started, also those left out later and those begun at an unknown mileage; a stay of
    unknown age at first sight isn't counted.
17. "Nothing known" is no upper and lower not beyond entry; it holds for closed lives as well as for running ones.
18. An interval of no width (failed where last known good) comes out as lower = upper.
19. site and duty: each the one with most distance over the vehicles of the fitments during the life, vehicles
    without one not counted, equal ones by name; where no distance is known or it is 0: of the vehicle of the
    closing job (today's where none closed it), else of the opening one; a job that names none means the last fitment
    before it.
20. Units: used ones are taken as never rebuilt (age = mileage, entered at first sight); rebuilt ones start at 0 at
    first sight; used ones of unknown mileage have no unit life before their first rebuild. A rebuild at unknown
    mileage ends the life right-censored at the last known mileage of a repair (else its entry).
21. A unit first seen after the as-of date is a row dated after it, and ignored.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

Row = dict[str, Any]
Place = tuple[str, int]  # component, position

VERDICTS = ("fail", "ok", "not_checked")  # the worst first
ACTIONS = ("replace", "machine", "dress", "reuse")  # the strongest first
ROLES = ("cause", "consequence", "wear")

DATED = {
    "odometers": "read_on",
    "fitments": "fitted_on",
    "teardowns": "opened_on",
    "issued_parts": "issued_on",
    "stock": "counted_on",
    "orders": "ordered_on",
    "units": "first_seen_on",
}
TODAY = (
    ("odometers", "read_on"),
    ("fitments", "fitted_on"),
    ("fitments", "removed_on"),
    ("teardowns", "opened_on"),
    ("issued_parts", "issued_on"),
    ("stock", "counted_on"),
)


@dataclass
class Lives:
    """What came out; every list is a list of dict rows."""

    as_of: dt.date
    component_lives: list[Row] = field(default_factory=list)
    unit_lives: list[Row] = field(default_factory=list)
    positions: list[Row] = field(default_factory=list)
    unit_states: list[Row] = field(default_factory=list)
    job_mileages: dict[str, float | None] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    left_out: int = 0
    unit_left_out: int = 0


def lives_by_hand(tables: dict[str, list[Row]], as_of: dt.date | None = None) -> Lives:
    """All lives of a history as of a day (default: its last date)."""
    known = _known(tables, as_of)
    today = as_of or _last_day(tables)
    result = Lives(today)
    vehicles = {row["vehicle"]: row for row in known["vehicles"]}
    odometers: dict[str, list[Row]] = {vehicle: [] for vehicle in _vehicle_names(known)}
    for row in known["odometers"]:
        odometers[row["vehicle"]].append(row)
    lines = {vehicle: Line(rows) for vehicle, rows in odometers.items()}
    findings_of: dict[str, list[Row]] = {}
    for row in known["findings"]:
        findings_of.setdefault(row["job"], []).append(row)
    for unit in sorted(known["units"], key=lambda row: row["unit"]):
        history = _UnitHistory(unit, known, lines, today)
        for job in history.jobs:
            result.job_mileages[job["job"]] = history.mileage[job["job"]]
            result.reasons[job["job"]] = _reason(job, findings_of.get(job["job"], []))
        _component_lives(unit, history, known, findings_of, vehicles, result)
        _unit_lives(unit, history, vehicles, result)
        result.unit_states.append({"unit": unit["unit"], "mileage": history.mileage_today()})
    return result


# -------------------------------------------------------------------------------------------- what is known on the day


def _known(tables: dict[str, list[Row]], as_of: dt.date | None) -> dict[str, list[Row]]:
    names = ("vehicles", "odometers", "units", "fitments", "components", "teardowns", "findings")
    known = {name: [_plain(row) for row in tables.get(name, [])] for name in names}
    if as_of is not None:
        for name in names:
            column = DATED.get(name)
            if column is not None:
                known[name] = [row for row in known[name] if row.get(column) is None or row[column] <= as_of]
        for row in known["fitments"]:
            if row.get("removed_on") is not None and row["removed_on"] > as_of:
                row["removed_on"] = None
                row["removed_odometer"] = None
    jobs = {row["job"] for row in known["teardowns"]}
    known["findings"] = [row for row in known["findings"] if row["job"] in jobs]
    return known


def _plain(row: Row) -> Row:
    plain = dict(row)
    for name, value in row.items():
        if value == "":
            plain[name] = None
    for name in ("origin", "renewal", "shows", "verdict", "action", "role", "reason", "scope"):
        if plain.get(name) is not None:
            plain[name] = plain[name].lower()
    return plain


def _last_day(tables: dict[str, list[Row]]) -> dt.date:
    days = [row[column] for table, column in TODAY for row in tables.get(table, []) if row.get(column) is not None]
    return max(days)


def _vehicle_names(known: dict[str, list[Row]]) -> set[str]:
    names = {row["vehicle"] for row in known["vehicles"]}
    names |= {row["vehicle"] for row in known["odometers"]}
    return names | {row["vehicle"] for row in known["fitments"]}


# ----------------------------------------------------------------------------------------------------------- distances


class Line:
    """One vehicle's odometer: its meters joined end to end."""

    def __init__(self, odometers: list[Row]) -> None:
        readings: dict[int, list[tuple[dt.date, float]]] = {}
        for row in odometers:
            meter = 1 if row.get("meter") is None else int(row["meter"])
            readings.setdefault(meter, []).append((row["read_on"], float(row["odometer"])))
        self.points: list[tuple[dt.date, float]] = []
        self.meters: list[tuple[dt.date, float]] = []  # first day of each meter, what to add to its readings
        add = 0.0
        for meter in sorted(readings):
            own = sorted(readings[meter])
            if self.points:
                add = self.points[-1][1] - own[0][1]
            self.meters.append((own[0][0], add))
            for day, odometer in own:
                self.points.append((day, odometer + add))

    def on(self, day: dt.date) -> float | None:
        """The joined odometer on a day, from readings only; None without any reading."""
        if not self.points:
            return None
        first_day, first = self.points[0]
        last_day, last = self.points[-1]
        if day >= last_day:
            return last
        if day < first_day:
            days = (last_day - first_day).days
            if days == 0:
                return first
            return first - (first_day - day).days * (last - first) / days
        before = [point for point in self.points if point[0] <= day][-1]
        after = next(point for point in self.points if point[0] > day)
        share = (day - before[0]).days / (after[0] - before[0]).days
        return before[1] + share * (after[1] - before[1])

    def joined(self, odometer: float, day: dt.date) -> float:
        """A written odometer of that day, put on the joined line."""
        add = self.meters[0][1] if self.meters else 0.0
        for first_day, meter_add in self.meters:
            if first_day <= day:
                add = meter_add
        return float(odometer) + add


class _UnitHistory:
    """One unit's fitments, teardowns in order and mileages."""

    def __init__(self, unit: Row, known: dict[str, list[Row]], lines: dict[str, Line], today: dt.date) -> None:
        self.unit = unit
        self.lines = lines
        self.today = today
        mine = [row for row in known["fitments"] if row["unit"] == unit["unit"]]
        self.fitments = sorted(mine, key=lambda row: (row["fitted_on"], row["vehicle"]))
        jobs = [row for row in known["teardowns"] if row["unit"] == unit["unit"]]
        self.jobs = sorted(jobs, key=lambda row: (row["opened_on"], row["job"]))
        self.at_first_sight = self._first_sight()
        self.mileage: dict[str, float | None] = {}
        for job in self.jobs:
            self.mileage[job["job"]] = self._mileage(job)

    def one_distance(self, fitment: Row, day: dt.date, job: Row | None) -> float | None:
        """Distance run in one fitment up to a day (to a teardown of that day, where one is given)."""
        if fitment["fitted_on"] > day:
            return 0.0
        line = self.lines[fitment["vehicle"]]
        if fitment.get("fitted_odometer") is not None:
            start: float | None = line.joined(fitment["fitted_odometer"], fitment["fitted_on"])
        else:
            start = line.on(fitment["fitted_on"])
        removed_on = fitment.get("removed_on")
        removed = removed_on is not None and removed_on <= day
        own = None  # the teardown's own odometer, where it speaks of this fitment
        if job is not None and job.get("odometer") is not None:
            in_it = fitment["fitted_on"] < day and (removed_on is None or removed_on >= day)
            if in_it and job.get("vehicle") in (None, fitment["vehicle"]):
                own = line.joined(job["odometer"], day)
        if removed and fitment.get("removed_odometer") is not None:
            end: float | None = line.joined(fitment["removed_odometer"], removed_on)
        elif own is not None:
            end = own
        elif removed:
            end = line.on(removed_on)
        else:
            end = line.on(day)
        if start is None or end is None:
            return None
        return max(end - start, 0.0)

    def distance(self, day: dt.date, job: Row | None = None) -> float | None:
        """Distance run since the first fitment; None where it can't be had (no fitments at all, or no odometer)."""
        so_far = [fitment for fitment in self.fitments if fitment["fitted_on"] <= day]
        if not self.fitments:
            return None
        total = 0.0
        for fitment in so_far:
            distance = self.one_distance(fitment, day, job)
            if distance is None:
                return None
            total += distance
        return total

    def _first_sight(self) -> float | None:
        if self.unit.get("first_seen_mileage") is not None:
            return float(self.unit["first_seen_mileage"])
        for job in self.jobs:
            if job.get("unit_mileage") is not None:
                distance = self.distance(job["opened_on"], job) if self.fitments else 0.0
                if distance is not None:  # else a later one may tell, once the fitment's end is known
                    return float(job["unit_mileage"]) - distance
        if any(job.get("unit_mileage") is not None for job in self.jobs):
            return None
        if self.unit.get("origin") == "new":
            return 0.0
        return None

    def _mileage(self, job: Row) -> float | None:
        if job.get("unit_mileage") is not None:
            return float(job["unit_mileage"])
        distance = self.distance(job["opened_on"], job)
        if distance is None:
            return None
        mileage = (self.at_first_sight or 0.0) + distance  # counted from first sight where that is unknown
        earlier = [known for known in self.mileage.values() if known is not None]
        return max([mileage, *earlier])

    def start_of_first_sight(self) -> float | None:
        """The mileage that stands for first sight in this unit's counting; None where no counting begins there."""
        if self.at_first_sight is not None:
            return self.at_first_sight
        if any(job.get("unit_mileage") is not None for job in self.jobs):
            return None  # mileages are given, but how far they are from first sight can't be had
        return 0.0

    def mileage_today(self) -> float | None:
        known = [job for job in self.jobs if self.mileage[job["job"]] is not None]
        now = self.distance(self.today)
        if not known:
            if now is None:
                return self.at_first_sight
            return (self.at_first_sight or 0.0) + now
        last = known[-1]
        mileage = self.mileage[last["job"]]
        assert mileage is not None
        since = 0.0
        for fitment in self.fitments:
            if fitment.get("removed_on") is not None and fitment["removed_on"] <= last["opened_on"]:
                continue
            now = self.one_distance(fitment, self.today, None)
            then = self.one_distance(fitment, last["opened_on"], last)
            if now is None or then is None:
                return mileage
            since += max(now - then, 0.0)
        return mileage + since


# ------------------------------------------------------------------------------------------------------------ renewals


def _merged(findings: list[Row]) -> dict[Place, Row]:
    """One finding per component and position of one job."""
    merged: dict[Place, Row] = {}
    for row in sorted(findings, key=lambda row: row.get("point") or ""):
        place = (row["component"], 1 if row.get("position") is None else int(row["position"]))
        one = merged.setdefault(place, {"verdict": None, "action": None, "role": None, "part": None})
        one["verdict"] = _first_of(VERDICTS, one["verdict"], row.get("verdict"))
        one["action"] = _first_of(ACTIONS, one["action"], row.get("action"))
        one["role"] = _first_of(ROLES, one["role"], row.get("role"))
        if row.get("action") == "replace" and one["part"] is None:
            one["part"] = row.get("part")
    return merged


def _first_of(order: tuple[str, ...], one: str | None, other: str | None) -> str | None:
    for word in order:
        if word in (one, other):
            return word
    return None


def _places(component: Row) -> list[Place]:
    count = 1 if component.get("positions") is None else int(component["positions"])
    return [(component["component"], k) for k in range(1, count + 1)]


def _renewed(job: Row, merged: dict[Place, Row], components: list[Row]) -> set[Place]:
    """The positions renewed in one job: replaced, hanging together with a replaced one, or renewed at every rebuild."""
    by_name = {row["component"]: row for row in components}
    up: dict[Place, set[Place]] = {}
    down: dict[Place, set[Place]] = {}
    for child in components:
        parent = by_name.get(child.get("supplied_in") or "")
        if parent is None:
            continue
        same_count = len(_places(child)) == len(_places(parent))
        for low in _places(child):
            for high in _places(parent):
                if not same_count or low[1] == high[1]:
                    up.setdefault(low, set()).add(high)
                    down.setdefault(high, set()).add(low)
    replaced = {place for place, finding in merged.items() if finding["action"] == "replace"}
    renewed = _reach(_reach(replaced, [up]), [down])
    if (job.get("scope") or "rebuild") == "rebuild":
        always = {place for row in components if row.get("renewal") == "always" for place in _places(row)}
        renewed |= _reach(always, [down])
    return renewed


def _reach(start: set[Place], edges: list[dict[Place, set[Place]]]) -> set[Place]:
    reached = set(start)
    to_do = list(start)
    while to_do:
        place = to_do.pop()
        for edge in edges:
            for other in edge.get(place, ()):
                if other not in reached:
                    reached.add(other)
                    to_do.append(other)
    return reached


def _reason(job: Row, findings: list[Row]) -> str:
    if job.get("reason") is not None:
        return str(job["reason"])
    return "failure" if any(row.get("role") == "cause" for row in findings) else "scheduled"


# --------------------------------------------------------------------------------------------------------------- lives


def _component_lives(
    unit: Row,
    history: _UnitHistory,
    known: dict[str, list[Row]],
    findings_of: dict[str, list[Row]],
    vehicles: dict[str, Row],
    result: Lives,
) -> None:
    components = [row for row in known["components"] if row["family"] == unit["family"]]
    merged_of = {job["job"]: _merged(findings_of.get(job["job"], [])) for job in history.jobs}
    renewed_of = {job["job"]: _renewed(job, merged_of[job["job"]], components) for job in history.jobs}
    for component in sorted(components, key=lambda row: row["component"]):
        for place in _places(component):
            walk = _Walk(unit, component, place[1], history, vehicles, result)
            for job in history.jobs:
                finding = merged_of[job["job"]].get(place)
                walk.teardown(job, finding, place in renewed_of[job["job"]])
            walk.today()


class _Walk:
    """One component position through the teardowns of its unit."""

    def __init__(
        self, unit: Row, component: Row, position: int, history: _UnitHistory, vehicles: dict[str, Row], result: Lives
    ) -> None:
        self.unit, self.component, self.position = unit, component, position
        self.history, self.vehicles, self.result = history, vehicles, result
        self.in_service = component.get("shows") == "in_service"
        self.number = 0
        self.opened: Row | None = None  # the job that opened the life
        self.part: str | None = None
        self.running = False  # a life of known age is running
        self.failed = False  # it ended by a failure and nothing new has been fitted since
        self.first_life = True
        self.start: float | None = None  # unit mileage at age 0
        self.entry = 0.0
        self.good = 0.0  # age last known good
        origin = unit.get("origin") or "used"
        if origin == "new":
            self.begin(0.0)
        elif origin == "used" and history.at_first_sight is not None:
            self.begin(0.0)
            if self.in_service:
                self.entry = self.good = history.at_first_sight
        elif component.get("renewal") == "always":
            first = history.start_of_first_sight()
            self.begin(first)

    def begin(self, mileage: float | None) -> None:
        self.number += 1
        self.start = mileage
        self.running = mileage is not None
        self.failed = False
        self.entry = 0.0
        self.good = 0.0

    def teardown(self, job: Row, finding: Row | None, renewed: bool) -> None:
        mileage = self.history.mileage[job["job"]]
        verdict = finding["verdict"] if finding else None
        role = finding["role"] if finding else None
        if self.running:
            age = None if mileage is None or self.start is None else mileage - self.start
            if verdict == "fail":
                if age is None:
                    self.end(job, self.good, None)
                elif role == "cause":
                    self.end(job, age, age)
                elif role == "consequence":
                    self.end(job, max(self.good, age) if self.in_service else self.good, None)
                else:
                    self.end(job, self.good, age)
                self.failed = True
            else:
                if age is not None and (verdict == "ok" or self.in_service):
                    self.good = max(self.good, age)
                if renewed:
                    self.end(job, self.good, None)
        elif verdict == "fail":
            self.failed = True
        if renewed:
            self.opened = job
            self.first_life = False
            self.part = finding["part"] if finding else None
            self.begin(mileage)

    def end(self, job: Row | None, lower: float, upper: float | None) -> None:
        self.running = False
        if upper is None and lower <= self.entry:
            self.result.left_out += 1
            return
        site, duty = _where(self.history, self.vehicles, self.opened, job)
        self.result.component_lives.append(
            {
                "family": self.unit["family"],
                "component": self.component["component"],
                "position": self.position,
                "unit": self.unit["unit"],
                "number": self.number,
                "entry_age": self.entry,
                "lower_age": lower,
                "upper_age": upper,
                "opened_by": self.opened["job"] if self.opened else None,
                "closed_by": job["job"] if job else None,
                "part": self.part,
                "site": site,
                "duty": duty,
                "bench": self.opened.get("bench") if self.opened else None,
            }
        )

    def today(self) -> None:
        mileage = self.history.mileage_today()
        age = None if mileage is None or self.start is None else mileage - self.start
        aged = self.start is not None and self.number > 0
        if self.running:
            if self.in_service and age is not None:
                self.good = max(self.good, age)
            self.end(None, self.good, None)
        self.result.positions.append(
            {
                "unit": self.unit["unit"],
                "family": self.unit["family"],
                "component": self.component["component"],
                "position": self.position,
                "number": self.number,
                "age": age if aged else None,
                "good_age": self.good if aged else None,
                "failed": self.failed,
                "part": self.part,
                "first_life": self.first_life,
            }
        )


def _unit_lives(unit: Row, history: _UnitHistory, vehicles: dict[str, Row], result: Lives) -> None:
    origin = unit.get("origin") or "used"
    number = 0
    start: float | None = None
    entry = good = 0.0
    opened: Row | None = None
    if origin == "new":
        start, number = 0.0, 1
    elif origin == "used" and history.at_first_sight is not None:
        start, number = 0.0, 1
        entry = good = history.at_first_sight
    elif origin == "rebuilt":
        start, number = history.start_of_first_sight(), 1

    def end(job: Row | None, lower: float, upper: float | None) -> None:
        if upper is None and lower <= entry:
            result.unit_left_out += 1
            return
        site, duty = _where(history, vehicles, opened, job)
        result.unit_lives.append(
            {
                "family": unit["family"],
                "component": None,
                "position": None,
                "unit": unit["unit"],
                "number": number,
                "entry_age": entry,
                "lower_age": lower,
                "upper_age": upper,
                "opened_by": opened["job"] if opened else None,
                "closed_by": job["job"] if job else None,
                "part": None,
                "site": site,
                "duty": duty,
                "bench": opened.get("bench") if opened else None,
            }
        )

    for job in history.jobs:
        mileage = history.mileage[job["job"]]
        age = None if mileage is None or start is None else mileage - start
        if (job.get("scope") or "rebuild") == "repair":
            if age is not None:
                good = max(good, age)
            continue
        if start is not None:
            if age is None:
                end(job, good, None)
            elif result.reasons[job["job"]] in ("failure", "comeback"):
                end(job, age, age)
            else:
                end(job, max(good, age), None)
        number += 1
        start, entry, good, opened = mileage, 0.0, 0.0, job
    if start is not None:
        mileage = history.mileage_today()
        if mileage is not None:
            good = max(good, mileage - start)
        end(None, good, None)


def _vehicle_at(history: _UnitHistory, job: Row | None) -> str | None:
    """The vehicle a job names, else the last one the unit was fitted in before it; without a job, today's."""
    if job is None:
        open_ones = [row for row in history.fitments if row.get("removed_on") is None]
        return open_ones[-1]["vehicle"] if open_ones else None
    before = [row for row in history.fitments if row["fitted_on"] < job["opened_on"]]
    return job.get("vehicle") or (before[-1]["vehicle"] if before else None)


def _where(
    history: _UnitHistory, vehicles: dict[str, Row], opened: Row | None, closed: Row | None
) -> tuple[str | None, str | None]:
    """Site and duty of a life: each where most of its distance was run."""
    last_day = closed["opened_on"] if closed else history.today
    by_vehicle: dict[str, float] = {}
    for fitment in history.fitments:
        end = history.one_distance(fitment, last_day, closed)
        start = history.one_distance(fitment, opened["opened_on"], opened) if opened else 0.0
        if start is not None and end is not None:
            by_vehicle[fitment["vehicle"]] = by_vehicle.get(fitment["vehicle"], 0.0) + end - start
    found: list[str | None] = []
    for column in ("site", "duty"):
        run: dict[str, float] = {}
        for vehicle, distance in by_vehicle.items():
            name = vehicles.get(vehicle, {}).get(column)
            if name is not None and distance > 0:
                run[name] = run.get(name, 0.0) + distance
        if run:
            found.append(min(run, key=lambda name: (-run[name], name)))
            continue
        fallback = None
        for vehicle in (_vehicle_at(history, closed), _vehicle_at(history, opened) if opened else None):
            if fallback is None and vehicle is not None:
                fallback = vehicles.get(vehicle, {}).get(column)
        found.append(fallback)
    return found[0], found[1]


# ------------------------------------------------------------------------------------------------ frames to plain rows


def rows_of(frames: dict[str, Any]) -> dict[str, list[Row]]:
    """DataFrames by table name as lists of dict rows: dates as `datetime.date`, everything missing as None."""
    tables: dict[str, list[Row]] = {}
    for name, frame in frames.items():
        rows = []
        for record in frame.to_dict("records"):
            row: Row = {}
            for column, value in record.items():
                if value is None or value != value or str(value) in ("NaT", "<NA>"):
                    row[column] = None
                elif hasattr(value, "to_pydatetime"):
                    row[column] = value.to_pydatetime().date()
                else:
                    row[column] = value
            rows.append(row)
        tables[name] = rows
    return tables
