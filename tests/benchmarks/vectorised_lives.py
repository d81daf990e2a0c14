"""From findings to lives in vectorised pandas: the peer that `bench_lives` measures the SQL of `life_records` against.

The rules are the contract's ("Unit mileage", "From findings to lives"). Written as one who knows pandas well writes it:
names become whole numbers once, words become ranks of one byte, every later step is a merge, a group or a cumulative
operation on sorted rows; no loop goes over rows. It shares no code with the SQL.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

Array = np.ndarray[Any, Any]
Frames = Mapping[str, pd.DataFrame]

#: The tables that lives are made from, as `known_<table>` or as frames.
TABLES = ("vehicles", "odometers", "units", "fitments", "components", "teardowns", "findings")

VERDICTS = ["fail", "ok", "not_checked"]  # the worst first
ACTIONS = ["replace", "machine", "dress", "reuse"]  # the strongest first
ROLES = ["cause", "consequence", "wear"]
FAIL, OK, REPLACE, CAUSE, CONSEQUENCE, NONE = 0, 1, 0, 0, 1, 9
ENDS = np.array([*ROLES, "replaced"])

_FAR = 2**22  # days: later than any date
_SPAN = 2**23  # a group and a day as one number


def lives(known: Frames, as_of: date) -> pd.DataFrame:
    """The lives of all component positions, as `Records.lives` has them, from frames as `History` has them."""
    units, vehicles = _units(known["units"]), _vehicles(known)
    odometers = Odometers(known["odometers"], vehicles.index)
    fitments = _fitments(known["fitments"], units, vehicles.index, odometers)
    teardowns = _teardowns(known["teardowns"], units, vehicles.index, fitments)
    run = _run(teardowns, fitments, odometers)
    _first_sight(units, teardowns, fitments, run)
    today = odometers.on(fitments["vehicle"].to_numpy(), np.full(len(fitments), _day_number(as_of)))
    fitments["until_today"] = np.where(fitments["removed"] == _FAR, today, fitments["end"]) - fitments["start"]
    _mileage_today(units, teardowns, fitments, run)

    places = _places(known["components"])
    findings = _position_findings(known["findings"], teardowns, units, places)
    renewed = _renewals(findings, teardowns, units, places)
    seats = places[["place", "family", "in_service", "always"]].merge(
        units.reset_index(names="unit_id")[["unit_id", "family"]], on="family"
    )
    exams = _examinations(seats, teardowns, findings, renewed, len(places))
    stays = _stays(seats, units, exams)
    _ages(exams, stays)
    _ends(stays, exams, units)
    found = stays[
        stays["begun"] & stays["start"].notna() & (stays["upper"].notna() | (stays["lower"] > stays["entry"]))
    ].reset_index(names="stay_id")
    _good_before(found, exams)
    _where(found, teardowns, fitments, run, units, vehicles)
    return _listed(found, units, places, teardowns)


# ------------------------------------------------------------------------------------------------- names, days, groups


def _codes(values: pd.Series, names: pd.Index) -> Array:
    """The place of each value among `names`, -1 where it is missing or not there."""
    found, distinct = pd.factorize(values)
    return np.append(names.get_indexer(distinct), -1)[found]


def _ranks(values: pd.Series, words: list[str]) -> Array:
    found, distinct = pd.factorize(values)
    ranks = pd.Index(words).get_indexer(distinct)
    return np.append(np.where(ranks < 0, NONE, ranks), NONE)[found].astype(np.int8)


def _day_number(day: date) -> int:
    return int(np.datetime64(day, "D").astype("int64"))


def _days(dates: pd.Series) -> Array:
    """Days as whole numbers, a missing one as `_FAR`."""
    days = dates.to_numpy().astype("datetime64[D]").astype("int64")
    return np.where(dates.isna(), _FAR, days)


def _last_at_or_before(by: Array, day: Array, asked_by: Array, asked_day: Array) -> Array:
    """The row of the last day of the same group at or before the day asked, -1 where there is none. by, day: sorted."""
    row = np.searchsorted(by * _SPAN + day, asked_by * _SPAN + asked_day, side="right") - 1
    return np.where((row >= 0) & (np.append(by, -2)[row] == asked_by), row, -1)


def _pick(values: Array, row: Array) -> Array:
    """values[row] as floats, NaN where the row is -1."""
    return np.append(np.asarray(values, dtype=float), np.nan)[row]


def _before(values: pd.Series, by: Array, least: Any) -> Array:
    """The largest value of the same group in the rows before, `least` in its first row."""
    so_far = values.groupby(by, sort=False).cummax().to_numpy()
    earlier = np.concatenate([[least], so_far[:-1]])[: len(so_far)]
    return np.where(np.diff(by, prepend=-1) != 0, least, earlier)


def _units(known: pd.DataFrame) -> pd.DataFrame:
    units = known.sort_values("unit", ignore_index=True)
    units["family"] = units["family"].astype("category")
    units["origin"] = units["origin"].fillna("used")
    return units


def _vehicles(known: Frames) -> pd.DataFrame:
    names = [known[table]["vehicle"].unique() for table in ("vehicles", "odometers", "fitments")]
    listed = known["vehicles"].set_index("vehicle")[["site", "duty"]].astype("category")
    return listed.reindex(pd.Index(pd.concat([pd.Series(part) for part in names]).unique(), name="vehicle"))


# ------------------------------------------------------------------------------------------------------------ distances


class Odometers:
    """The lines of all vehicles: their meters joined end to end."""

    def __init__(self, known: pd.DataFrame, names: pd.Index) -> None:
        readings = pd.DataFrame(
            {
                "vehicle": _codes(known["vehicle"], names),
                "meter": known["meter"].to_numpy(dtype="int64"),
                "day": _days(known["read_on"]),
                "odometer": known["odometer"].to_numpy(),
            }
        )
        spans = readings.groupby(["vehicle", "meter"], as_index=False).agg(
            first_on=("day", "min"), low=("odometer", "min"), high=("odometer", "max")
        )
        vehicle = spans["vehicle"]
        run = (spans["high"] - spans["low"]).groupby(vehicle).cumsum().groupby(vehicle).shift(fill_value=0.0)
        spans["added"] = spans.groupby("vehicle")["low"].transform("first") + run - spans["low"]
        readings = readings.merge(spans[["vehicle", "meter", "added"]], on=["vehicle", "meter"])
        readings["distance"] = readings["odometer"] + readings["added"]
        line = readings.groupby(["vehicle", "day"], as_index=False)["distance"].max()
        meters = spans.sort_values(["vehicle", "first_on", "meter"])
        self.meters = {name: meters[name].to_numpy() for name in ("vehicle", "first_on", "added")}
        self.vehicle, self.day, self.distance = (line[c].to_numpy() for c in ("vehicle", "day", "distance"))

    def added(self, vehicle: Array, day: Array) -> Array:
        """What to add to a reading of the meter in force that day."""
        row = _last_at_or_before(self.meters["vehicle"], self.meters["first_on"], vehicle, day)
        return np.nan_to_num(_pick(self.meters["added"], row))

    def on(self, vehicle: Array, day: Array) -> Array:
        """The distance a vehicle had run by a day, NaN without any reading."""
        first = np.searchsorted(self.vehicle, vehicle, side="left")
        last = np.searchsorted(self.vehicle, vehicle, side="right") - 1
        first, last = np.where(last < first, -1, first), np.where(last < first, -1, last)
        before = _last_at_or_before(self.vehicle, self.day, vehicle, day)
        after = np.minimum(before + 1, last)
        first_on, last_on, before_on, after_on = (_pick(self.day, row) for row in (first, last, before, after))
        start, end, low, high = (_pick(self.distance, row) for row in (first, last, before, after))
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.where(last_on > first_on, (end - start) / (last_on - first_on), 0.0)
            between = low + (day - before_on) * (high - low) / (after_on - before_on)
        return np.select([day >= last_on, day <= first_on], [end, start - (first_on - day) * rate], between)


def _fitments(known: pd.DataFrame, units: pd.DataFrame, vehicles: pd.Index, odometers: Odometers) -> pd.DataFrame:
    """Stays of units in vehicles by unit and day, with the vehicle's distance at their begin and end."""
    found = pd.DataFrame(
        {
            "unit_id": _codes(known["unit"], pd.Index(units["unit"])),
            "vehicle": _codes(known["vehicle"], vehicles),
            "fitted": _days(known["fitted_on"]),
            "removed": _days(known["removed_on"]),
            "fitted_odometer": known["fitted_odometer"].to_numpy(),
            "removed_odometer": known["removed_odometer"].to_numpy(),
        }
    )
    found = found[found["unit_id"] >= 0].sort_values(["unit_id", "fitted", "vehicle"], ignore_index=True)
    vehicle, fitted, removed = (found[c].to_numpy() for c in ("vehicle", "fitted", "removed"))
    start = found["fitted_odometer"] + odometers.added(vehicle, fitted)
    found["start"] = start.fillna(pd.Series(odometers.on(vehicle, fitted)))
    found["written_end"] = found["removed_odometer"] + odometers.added(vehicle, removed)
    at_end = np.where(removed == _FAR, np.nan, odometers.on(vehicle, removed))
    found["end"] = found["written_end"].fillna(pd.Series(at_end))
    return found.rename_axis("fitment").reset_index()


def _teardowns(known: pd.DataFrame, units: pd.DataFrame, vehicles: pd.Index, fitments: pd.DataFrame) -> pd.DataFrame:
    """Teardowns in the order of units and days; the row number is the job's number."""
    found = pd.DataFrame(
        {
            "job": known["job"],
            "unit_id": _codes(known["unit"], pd.Index(units["unit"])),
            "opened": _days(known["opened_on"]),
            "opened_on": known["opened_on"],
            "unit_mileage": known["unit_mileage"],
            "odometer": known["odometer"],
            "named": _codes(known["vehicle"], vehicles),
            "rebuild": known["scope"] == "rebuild",
            "bench": known["bench"],
        }
    )
    found = found[found["unit_id"] >= 0].sort_values(["unit_id", "opened", "job"], ignore_index=True)
    row = _last_at_or_before(
        fitments["unit_id"].to_numpy(),
        fitments["fitted"].to_numpy(),
        found["unit_id"].to_numpy(),
        found["opened"].to_numpy() - 1,
    )
    last_fitted = np.append(fitments["vehicle"].to_numpy(), -1)[row]
    found["vehicle"] = np.where(found["named"] >= 0, found["named"], last_fitted)
    return found.rename_axis("job_id").reset_index()


def _run(teardowns: pd.DataFrame, fitments: pd.DataFrame, odometers: Odometers) -> pd.DataFrame:
    """What each fitment had added to its unit's distance by each teardown, NaN where it can't be had."""
    pairs = teardowns[["job_id", "unit_id", "opened", "odometer", "named"]].merge(
        fitments[["unit_id", "fitment", "vehicle", "fitted", "removed", "start", "written_end", "end"]], on="unit_id"
    )
    pairs = pairs[pairs["fitted"] < pairs["opened"]].reset_index(drop=True)
    vehicle, opened = pairs["vehicle"].to_numpy(), pairs["opened"].to_numpy()
    of_it = (pairs["named"] < 0) | (pairs["named"] == pairs["vehicle"])
    own = (pairs["odometer"] + odometers.added(vehicle, opened)).where(of_it)
    distance = np.select(
        [pairs["removed"] < opened, pairs["removed"] == opened],
        [pairs["end"], pairs["written_end"].fillna(own).fillna(pairs["end"])],
        own.fillna(pd.Series(odometers.on(vehicle, opened))),
    )
    pairs["distance"] = np.maximum(distance - pairs["start"], 0.0)
    return pairs[["job_id", "fitment", "distance"]]


def _first_sight(units: pd.DataFrame, teardowns: pd.DataFrame, fitments: pd.DataFrame, run: pd.DataFrame) -> None:
    """Adds the units' mileage at first sight and the teardowns' mileage."""
    by_job = run.groupby("job_id")["distance"].agg(["sum", "count", "size"])
    total = by_job["sum"].where(by_job["count"] == by_job["size"]).reindex(teardowns.index)
    total[~teardowns["job_id"].isin(by_job.index)] = 0.0
    unit_id = teardowns["unit_id"].to_numpy()
    written = teardowns["unit_mileage"]
    given = (written - total).groupby(unit_id).first().reindex(units.index)
    has_given = units.index.isin(unit_id[written.notna()])
    first_seen = units["first_seen_mileage"].fillna(given)
    units["known"] = first_seen.where(first_seen.notna() | (units["origin"] != "new"), 0.0)
    units["mileage"] = first_seen.where(first_seen.notna() | has_given, 0.0)
    units["original"] = units["origin"].isin(["new", "used"]) & units["known"].notna()

    fitted = np.isin(unit_id, fitments["unit_id"])
    derived = pd.Series(units["mileage"].to_numpy()[unit_id] + total).where(fitted)
    most = pd.Series(_before(written.fillna(derived).fillna(-np.inf), unit_id, -np.inf))
    teardowns["mileage"] = written.fillna(np.maximum(derived, most))


def _mileage_today(units: pd.DataFrame, teardowns: pd.DataFrame, fitments: pd.DataFrame, run: pd.DataFrame) -> None:
    """Adds the units' mileage and vehicle today."""
    last = teardowns.loc[teardowns["mileage"].notna(), ["unit_id", "job_id", "opened", "mileage"]]
    last = last.drop_duplicates("unit_id", keep="last")
    since = fitments.merge(last, on="unit_id", how="left").merge(run, on=["job_id", "fitment"], how="left")
    since = since[(since["removed"] == _FAR) | since["opened"].isna() | (since["removed"] > since["opened"])]
    ran = np.where(since["opened"] > since["fitted"], since["distance"], 0.0)
    since = since.assign(distance=np.maximum(since["until_today"] - ran, 0.0))
    by_unit = since.groupby("unit_id")["distance"].agg(["sum", "count", "size"])
    more = by_unit["sum"].where(by_unit["count"] == by_unit["size"]).reindex(units.index)
    at_last = last.set_index("unit_id")["mileage"].reindex(units.index).fillna(units["known"])
    units["today"] = at_last.fillna(units["mileage"].where(more.notna())) + more.fillna(0.0)
    sitting = fitments[fitments["removed"] == _FAR].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    units["vehicle"] = sitting["vehicle"].reindex(units.index, fill_value=-1)


# ------------------------------------------------------------------------------------------- places, findings, renewals


def _places(known: pd.DataFrame) -> pd.DataFrame:
    """A row is one position of one component of a family."""
    listed = known.loc[known.index.repeat(known["positions"].to_numpy(dtype="int64"))].reset_index(drop=True)
    listed["position"] = listed.groupby(["family", "component"]).cumcount() + 1
    listed["in_service"] = listed["shows"] == "in_service"
    listed["always"] = listed["renewal"] == "always"
    found = listed.sort_values(["family", "component", "position"], ignore_index=True)
    return found.rename_axis("place").reset_index()


def _within(places: pd.DataFrame) -> pd.DataFrame:
    """Pairs of a place and one that holds it: itself, or an assembly it is supplied in, at any depth."""
    inner = places.loc[places["supplied_in"].notna(), ["place", "family", "supplied_in", "positions", "position"]]
    outer = places[["place", "family", "component", "positions", "position"]].rename(columns={"place": "holder"})
    held = inner.merge(
        outer, left_on=["family", "supplied_in"], right_on=["family", "component"], suffixes=("", "_of_holder")
    )
    held = held[(held["positions"] != held["positions_of_holder"]) | (held["position"] == held["position_of_holder"])]
    step = held[["place", "holder"]].rename(columns={"place": "holder", "holder": "next"})
    chain = depth = pd.DataFrame({"place": places["place"], "holder": places["place"]})
    while len(depth):
        depth = depth.merge(step, on="holder")[["place", "next"]].rename(columns={"next": "holder"})
        chain = pd.concat([chain, depth]).drop_duplicates()
    return chain


def _position_findings(
    known: pd.DataFrame, teardowns: pd.DataFrame, units: pd.DataFrame, places: pd.DataFrame
) -> pd.DataFrame:
    """What one teardown found at one place, by `exam` (job number * places + place): its findings taken together."""
    job = _codes(known["job"], pd.Index(teardowns["job"]))
    family = units["family"].cat.codes.to_numpy()[teardowns["unit_id"].to_numpy()]
    components = pd.Index(places["component"].unique())
    sizes = len(units["family"].cat.categories), len(components), int(places["positions"].max()) + 1
    own = units["family"].cat.categories.get_indexer(places["family"])
    table = np.full(sizes, -1, dtype="int64")
    kept = own >= 0
    at = own[kept], components.get_indexer(places["component"])[kept], places["position"].to_numpy()[kept]
    table[at] = places["place"].to_numpy()[kept]
    component = _codes(known["component"], components)
    position = known["position"].to_numpy(dtype="int64")
    lawful = (job >= 0) & (component >= 0) & (position < sizes[2])
    place = table[family[job], component, np.where(lawful, position, 0)]
    written = pd.DataFrame(
        {
            "exam": job * len(places) + place,
            "verdict": _ranks(known["verdict"], VERDICTS),
            "action": _ranks(known["action"], ACTIONS),
            "role": _ranks(known["role"], ROLES),
        }
    )
    lawful &= place >= 0
    fitted = lawful & (written["action"] == REPLACE).to_numpy() & known["part"].notna().to_numpy()
    part = known.loc[fitted, ["point", "part"]].assign(exam=written["exam"][fitted], point=known["point"].fillna(""))
    part = part.sort_values(["exam", "point"]).drop_duplicates("exam")[["exam", "part"]]
    found = written[lawful].groupby("exam", as_index=False).min()
    found["part"] = part.set_index("exam")["part"].astype("category").reindex(found["exam"]).array
    return found


def _renewals(findings: pd.DataFrame, teardowns: pd.DataFrame, units: pd.DataFrame, places: pd.DataFrame) -> Array:
    """The exams (job number * places + place) at which a place was renewed."""
    size = len(places)
    within = _within(places)
    whole = within[places["supplied_in"].isna().to_numpy()[within["holder"]]]
    replaced = findings.loc[findings["action"] == REPLACE, "exam"].to_numpy()
    asked = pd.DataFrame({"job_id": replaced // size, "place": replaced % size})
    up = asked.merge(whole, on="place")[["job_id", "holder"]]
    rebuilds = teardowns.loc[teardowns["rebuild"], ["job_id", "unit_id"]]
    rebuilds = rebuilds.assign(family=units["family"].array[rebuilds["unit_id"]])
    always = places.loc[places["always"], ["family", "place"]].rename(columns={"place": "holder"})
    always["family"] = always["family"].astype(units["family"].dtype)
    every = rebuilds.merge(always, on="family")[["job_id", "holder"]]
    down = pd.concat([up, every]).drop_duplicates().merge(within, on="holder")
    return pd.unique(np.concatenate([down["job_id"].to_numpy() * size + down["place"].to_numpy(), replaced]))


# ---------------------------------------------------------------------------------------------------------------- lives


def _examinations(
    seats: pd.DataFrame, teardowns: pd.DataFrame, findings: pd.DataFrame, renewed: Array, places: int
) -> pd.DataFrame:
    """Every teardown seen from every place of its unit, by seat and job; `stay_id` numbers the stays of all seats."""
    rows = seats[["unit_id", "place", "in_service"]].rename_axis("seat").reset_index()
    exams = rows.merge(teardowns[["unit_id", "job_id", "mileage"]], on="unit_id")
    exams["exam"] = exams["job_id"] * places + exams["place"]
    exams = exams.merge(findings[["exam", "verdict", "role", "part"]], on="exam", how="left")
    exams["verdict"] = exams["verdict"].fillna(NONE).astype(np.int8)
    exams["role"] = exams["role"].fillna(NONE).astype(np.int8)
    exams["renewed"] = exams["exam"].isin(renewed)
    renewals = exams["renewed"].cumsum() - exams["renewed"]
    exams["stay_id"] = exams["seat"] + renewals
    return exams.drop(columns=["exam", "place", "unit_id"])


def _stays(seats: pd.DataFrame, units: pd.DataFrame, exams: pd.DataFrame) -> pd.DataFrame:
    """Every stay of every seat, by seat and order; the row number is the stay's."""
    opening = exams.loc[exams["renewed"], ["stay_id", "seat", "job_id", "mileage", "part"]]
    size = len(seats) + len(opening)
    later = opening["stay_id"].to_numpy() + 1
    first = np.ones(size, dtype=bool)
    first[later] = False
    seat = np.cumsum(first) - 1
    unit_id = seats["unit_id"].to_numpy()[seat]
    always, in_service = seats["always"].to_numpy()[seat], seats["in_service"].to_numpy()[seat]
    original, used = units["original"].to_numpy()[unit_id], (units["origin"] == "used").to_numpy()[unit_id]
    known, mileage = units["known"].to_numpy()[unit_id], units["mileage"].to_numpy()[unit_id]
    start = np.where(original, 0.0, np.where(always, mileage, np.nan))
    start[later] = opening["mileage"]
    opened_by = np.full(size, -1)
    opened_by[later] = opening["job_id"]
    part = np.full(size, -1, dtype="int32")
    part[later] = opening["part"].cat.codes
    begun_first = original | always
    nth = np.arange(size) - np.flatnonzero(first)[seat]
    return pd.DataFrame(
        {
            "unit_id": unit_id,
            "place": seats["place"].to_numpy()[seat],
            "in_service": in_service,
            "start": start,
            "entry": np.where(first & original & used & in_service, known, 0.0),
            "begun": ~first | begun_first,
            "number": nth + begun_first,
            "opened_by": opened_by,
            "part": pd.Categorical.from_codes(part, dtype=opening["part"].dtype),
        }
    )


def _ages(exams: pd.DataFrame, stays: pd.DataFrame) -> None:
    """Adds each exam's age, whether it was found good, the age last known good before and whether it had failed."""
    stay = exams["stay_id"].to_numpy()
    entry = stays["entry"].to_numpy()[stay]
    exams["age"] = np.maximum(exams["mileage"].to_numpy() - stays["start"].to_numpy()[stay], 0.0)
    good = (exams["verdict"] == OK) | (exams["in_service"] & (exams["verdict"] != FAIL))
    exams["good"] = exams["age"].where(good).fillna(-np.inf)
    exams["good_age"] = np.maximum(_before(exams["good"], stay, -np.inf), entry)
    exams["failed_before"] = _before((exams["verdict"] == FAIL).astype(np.int8), stay, 0) > 0


def _ends(stays: pd.DataFrame, exams: pd.DataFrame, units: pd.DataFrame) -> None:
    """Adds each stay's end: by the first teardown that found it failed, else by the one that renewed it, else today."""
    last = exams[~exams["failed_before"] & ((exams["verdict"] == FAIL) | exams["renewed"])].set_index("stay_id")
    age, good, role, in_service = last["age"], last["good_age"], last["role"], last["in_service"]
    fail = last["verdict"] == FAIL
    lower = np.select(
        [
            age.isna(),
            fail & (role == CAUSE),
            fail & (role == CONSEQUENCE),
            fail,
            (last["verdict"] == OK) | in_service,
        ],
        [good, age, age.where(in_service, good), np.minimum(good, age), age],
        good,
    )
    ended_as = np.where(fail, role.where(role <= CONSEQUENCE, ROLES.index("wear")), len(ROLES))
    stay = last.index.to_numpy()

    unit_id, entry = stays["unit_id"].to_numpy(), stays["entry"].to_numpy()
    seen = exams.groupby("stay_id")["good"].max().reindex(stays.index, fill_value=-np.inf)
    today = units["today"].to_numpy()[unit_id] - stays["start"].to_numpy()
    today = np.where(stays["in_service"] & ~np.isnan(today), today, entry)
    stays["lower"] = np.maximum(np.maximum(seen, today), entry)
    stays["upper"], stays["closed_by"], stays["ended_as"] = np.nan, -1, -1
    lower_age, upper_age = stays["lower"].to_numpy(copy=True), stays["upper"].to_numpy(copy=True)
    closed_by, end = stays["closed_by"].to_numpy(copy=True), stays["ended_as"].to_numpy(copy=True)
    lower_age[stay], closed_by[stay], end[stay] = lower, last["job_id"], ended_as
    upper_age[stay] = age.where(fail & (role != CONSEQUENCE))
    stays["lower"], stays["upper"], stays["closed_by"], stays["ended_as"] = lower_age, upper_age, closed_by, end


def _good_before(found: pd.DataFrame, exams: pd.DataFrame) -> None:
    """Adds the age at the last look but one that found it good before its lower age, its entry where there was none."""
    looks = exams.loc[exams["verdict"] == OK, ["stay_id", "age"]]
    looks = looks.merge(found[["stay_id", "lower"]], on="stay_id")
    last = looks[looks["age"] < looks["lower"]].groupby("stay_id")["age"].max()
    found["good_before"] = last.reindex(found["stay_id"]).fillna(found.set_index("stay_id")["entry"]).to_numpy()


def _where(
    found: pd.DataFrame,
    teardowns: pd.DataFrame,
    fitments: pd.DataFrame,
    run: pd.DataFrame,
    units: pd.DataFrame,
    vehicles: pd.DataFrame,
) -> None:
    """Adds the site and the duty on which most of each life's distance was run, and that duty's share of it."""
    key = ["unit_id", "opened_by", "closed_by"]
    stretches = found[key].drop_duplicates(ignore_index=True).rename_axis("stretch").reset_index()
    shares = stretches.merge(fitments[["unit_id", "fitment", "vehicle", "until_today"]], on="unit_id")
    for end in ("opened_by", "closed_by"):
        at = run.rename(columns={"job_id": end, "distance": f"{end}_run"})
        shares = shares.merge(at, on=[end, "fitment"], how="left")
    until = shares["closed_by_run"].where(shares["closed_by"] >= 0, shares["until_today"]).fillna(0.0)
    shares["distance"] = until - shares["opened_by_run"].fillna(0.0)
    shares = shares[shares["distance"] > 0]
    job_vehicle = np.append(teardowns["vehicle"].to_numpy(), -1)
    opening = job_vehicle[stretches["opened_by"].to_numpy()]
    closing = np.where(
        stretches["closed_by"] >= 0,
        job_vehicle[stretches["closed_by"].to_numpy()],
        units["vehicle"].to_numpy()[stretches["unit_id"].to_numpy()],
    )
    for name in ("site", "duty"):
        code = np.append(vehicles[name].cat.codes.to_numpy(), -1)
        run_on = shares[["stretch", "distance"]].assign(code=code[shares["vehicle"].to_numpy()])
        by_code = run_on[run_on["code"] >= 0].groupby(["stretch", "code"], as_index=False)["distance"].sum()
        whole = by_code.groupby("stretch")["distance"].sum()
        most = by_code.sort_values(["stretch", "distance", "code"], ascending=[True, False, True])
        most = most.drop_duplicates("stretch").set_index("stretch")
        fallback = np.where(code[closing] >= 0, code[closing], code[opening])
        chosen = most["code"].reindex(stretches.index).to_numpy()
        stretches[name] = np.where(np.isnan(chosen), fallback, chosen).astype("int32")
        stretches["duty_share"] = (most["distance"] / whole).reindex(stretches.index).fillna(1.0)
    for name, values in found[key].merge(stretches, on=key, how="left")[["site", "duty", "duty_share"]].items():
        found[name] = values.to_numpy()
    for name in ("site", "duty"):
        found[name] = pd.Categorical.from_codes(found[name], dtype=vehicles[name].dtype)


def _listed(found: pd.DataFrame, units: pd.DataFrame, places: pd.DataFrame, teardowns: pd.DataFrame) -> pd.DataFrame:
    """The columns of `Records.lives` with their dtypes; the rows stand in order already."""
    place = found["place"].to_numpy()
    opened, closed = found["opened_by"].to_numpy(), found["closed_by"].to_numpy()

    def of(frame: pd.DataFrame, column: str, row: Array) -> Any:
        return frame[column].array.take(row, allow_fill=True)

    return pd.DataFrame(
        {
            "family": of(places, "family", place),
            "component": of(places, "component", place),
            "position": places["position"].to_numpy()[place],
            "unit": of(units, "unit", found["unit_id"].to_numpy()),
            "number": found["number"],
            "entry_age": found["entry"],
            "lower_age": found["lower"],
            "upper_age": found["upper"],
            "opened_by": of(teardowns, "job", opened),
            "closed_by": of(teardowns, "job", closed),
            "part": found["part"].astype("str"),
            "site": found["site"].astype("str"),
            "duty": found["duty"].astype("str"),
            "bench": of(teardowns, "bench", opened),
            "opened_on": of(teardowns, "opened_on", opened),
            "closed_on": of(teardowns, "opened_on", closed),
            "first_life": opened < 0,
            "end": pd.Series(ENDS, dtype="str").array.take(found["ended_as"].to_numpy(), allow_fill=True),
            "group": of(places, "group", place),
            "shows": of(places, "shows", place),
            "opened_mileage": found["start"],
            "good_before": found["good_before"],
            "duty_share": found["duty_share"],
        }
    )
