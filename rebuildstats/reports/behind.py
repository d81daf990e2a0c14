"""What stands behind an answer: the teardowns, the pieces issued, the readings, the unit's own past.

Selections of a history and its life records for whoever asks "why": nothing is estimated here. Every function is pure
and returns a frame whose dates are dates and whose distances are in the store's unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from rebuildstats.demand.parts import by_month, final_parts, issued_pieces
from rebuildstats.history.known import History
from rebuildstats.life_records.records import Records

FAILURE_COLUMNS = [
    "opened_on",
    "job",
    "unit",
    "family",
    "component",
    "position",
    "age",
    "part",
    "vehicle",
    "site",
    "bench",
    "reason",
    "complaint",
]


@dataclass(frozen=True, slots=True)
class Catalog:
    """What can be asked about. Frames as in the history, reduced to what a list of choices needs.

    units: unit, family, vehicle, site, mileage, age, last_opened_on, in_service. components: the history's table.
    points, part_uses: the history's tables. parts: part, name, unit_cost. typical_age: family -> distance since the
    rebuild in the middle of its teardowns (of its units where none is known). complaints, benches: words seen before.
    named: (family, component) or ('', part) -> its written name, where it has one.
    """

    as_of: date
    distance: str
    units: pd.DataFrame
    components: pd.DataFrame
    points: pd.DataFrame
    parts: pd.DataFrame
    part_uses: pd.DataFrame
    typical_age: dict[str, float]
    complaints: tuple[str, ...]
    benches: tuple[str, ...]
    sites: tuple[str, ...]
    named: dict[tuple[str, str], str] = field(default_factory=dict)

    @property
    def families(self) -> list[str]:
        """Families by how many units each has, the largest first; those without a unit after them."""
        counted = list(self.units["family"].value_counts().index)
        return counted + sorted(set(self.components["family"]) - set(counted))

    def component_name(self, family: str, component: str) -> str:
        """A component's written name, else its key."""
        return self.named.get((str(family), str(component)), str(component))

    def safety(self, family: str) -> list[str]:
        """The components of a family whose failure can hurt someone."""
        mine = self.components[self.components["family"] == family]
        return list(mine.loc[mine["safety"].fillna(False).astype(bool), "component"])

    def part_name(self, part: str) -> str:
        """`R-110 friction ring`, or the number alone."""
        name = self.named.get(("", str(part)))
        return f"{part} {name}" if name else str(part)


def catalog(history: History, records: Records) -> Catalog:
    """The choices that a history offers."""
    units = records.units[
        ["unit", "family", "vehicle", "site", "mileage", "age", "last_opened_on", "in_service"]
    ].sort_values("unit", ignore_index=True)
    return Catalog(
        as_of=history.as_of,
        distance=history.distance,
        units=units,
        components=history.components,
        points=history.points,
        parts=history.parts[["part", "name", "unit_cost"]],
        part_uses=history.part_uses,
        typical_age=_typical_ages(records),
        complaints=_words(history.teardowns["complaint"]),
        benches=_words(history.teardowns["bench"]),
        sites=_words(pd.concat([history.vehicles["site"], history.teardowns["site"], history.sites["site"]])),
        named=_named(history),
    )


def _named(history: History) -> dict[tuple[str, str], str]:
    components, parts = history.components, history.parts
    keys = [*zip(components["family"], components["component"], strict=True), *(("", part) for part in parts["part"])]
    names = [*components["name"], *parts["name"]]
    return {(str(a), str(b)): name for (a, b), name in zip(keys, names, strict=True) if isinstance(name, str) and name}


def _typical_ages(records: Records) -> dict[str, float]:
    ages = pd.concat([records.units[["family", "age"]], records.teardowns[["family", "age"]]]).dropna()
    at_teardowns = records.teardowns[["family", "age"]].dropna()
    middle = ages.groupby("family")["age"].median()
    middle.update(at_teardowns.groupby("family")["age"].median())
    return {str(family): float(age) for family, age in middle.items()}


def _words(column: pd.Series) -> tuple[str, ...]:
    """The words of a column, the commonest first."""
    return tuple(str(w) for w in column.dropna().value_counts().index)


def failures(records: Records) -> pd.DataFrame:
    """Every failure of a component position, as found: a row with `FAILURE_COLUMNS`, the latest first.

    `part` is the part that failed (fitted at the renewal before), `age` its own age where known. Damage by another
    component is left out, and so is a position found bad again that was left in.
    """
    outcomes = records.outcomes
    failed = outcomes[
        outcomes["verdict"].eq("fail").fillna(False).astype(bool)
        & ~outcomes["role"].eq("consequence").fillna(False).astype(bool)
        & ~outcomes["failed_before"].fillna(False).astype(bool)
    ].drop(columns=["part"], errors="ignore")
    fitted = records.lives.dropna(subset=["closed_by"])[["closed_by", "unit", "component", "position", "part"]]
    fitted = fitted.rename(columns={"closed_by": "job"}).drop_duplicates(["job", "unit", "component", "position"])
    rows = failed.merge(fitted, on=["job", "unit", "component", "position"], how="left")
    vehicles = records.teardowns[["job", "vehicle"]].drop_duplicates("job")
    rows = rows.merge(vehicles, on="job", how="left")
    return rows.sort_values("opened_on", ascending=False)[FAILURE_COLUMNS].reset_index(drop=True)


def of_group(
    rows: pd.DataFrame,
    kind: str,
    name: str,
    *,
    family: str | None = None,
    component: str | None = None,
    jobs: str = "",
) -> pd.DataFrame:
    """The rows of `failures` that belong to one group of `repeats`; with `jobs` ("J1, J2") only those jobs."""
    if jobs:
        mine = rows["job"].isin([job.strip() for job in jobs.split(",")])
        if component:
            mine &= rows["component"].eq(component).fillna(False).astype(bool)
        return rows[mine].reset_index(drop=True)
    column = {"component": "component", "part": "part", "family": "family"}.get(kind, kind)
    mine = rows[column].eq(name).fillna(False).astype(bool)
    for other, wanted in (("family", family), ("component", component)):
        if isinstance(wanted, str) and wanted:
            mine &= rows[other].eq(wanted).fillna(False).astype(bool)
    return rows[mine].reset_index(drop=True)


def piled_up(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of `failures` as a count over time: date, observed (so many by that day)."""
    per_day = rows.groupby("opened_on").size().sort_index()
    return pd.DataFrame({"date": per_day.index, "observed": per_day.cumsum().to_numpy()})


def issued_by_month(history: History, part: str, months: int = 36) -> pd.DataFrame:
    """Pieces of a part (and of those it replaces) issued per month, net of credits, zeros included: month, pieces."""
    end = pd.Timestamp(history.as_of).to_period("M")
    span = pd.period_range(end - (months - 1), end, freq="M")
    last = final_parts(history.parts).get(part, part)
    counted = by_month(issued_pieces(history), [last], span).loc[last]
    used = counted.to_numpy().nonzero()[0]
    counted = counted.iloc[used[0] :] if len(used) else counted.iloc[:0]
    return pd.DataFrame({"month": pd.PeriodIndex(counted.index).to_timestamp(), "pieces": counted.to_numpy()})


def part_card(history: History, part: str) -> dict[str, object]:
    """A part's row of the contract, with the parts it replaces (`replaces`) and where it is used (`used_in`)."""
    rows = history.parts[history.parts["part"] == part]
    card: dict[str, object] = {"part": part}
    if len(rows):
        card |= {str(name): value for name, value in rows.iloc[0].items()}
    card["replaces"] = tuple(history.parts.loc[history.parts["replaced_by"].eq(part).fillna(False), "part"])
    uses = history.part_uses[history.part_uses["part"] == part]
    card["used_in"] = tuple(f"{f}: {c}" for f, c in zip(uses["family"], uses["component"], strict=True))
    return card


def issues_of(history: History, part: str) -> pd.DataFrame:
    """The issues and credits of a part, the latest first: issued_on, quantity, kind, job, site."""
    rows = history.issued_parts[history.issued_parts["part"] == part]
    return rows.sort_values("issued_on", ascending=False)[["issued_on", "quantity", "kind", "job", "site"]].reset_index(
        drop=True
    )


def readings(records: Records, family: str, point: str) -> pd.DataFrame:
    """The gauge readings of one point: opened_on, job, unit, component, position, age, reading, verdict."""
    rows = records.inspections
    mine = rows["family"].eq(family) & rows["point"].eq(point).fillna(False) & rows["reading"].notna()
    columns = ["opened_on", "job", "unit", "component", "position", "age", "reading", "verdict"]
    return rows.loc[mine.fillna(False).astype(bool), columns].sort_values("opened_on").reset_index(drop=True)


def thinned(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    """At most so many of the rows, evenly over their order: for a picture, which shows no more."""
    if len(rows) <= most:
        return rows
    return rows.iloc[[i * len(rows) // most for i in range(most)]].reset_index(drop=True)


def unit_teardowns(records: Records, unit: str) -> pd.DataFrame:
    """A unit's teardowns, the latest first."""
    columns = ["opened_on", "job", "mileage", "age", "reason", "scope", "complaint", "vehicle", "site", "bench"]
    rows = records.teardowns[records.teardowns["unit"] == unit]
    return rows.sort_values("opened_on", ascending=False)[columns].reset_index(drop=True)


def job_findings(records: Records, job: str) -> pd.DataFrame:
    """What was written down in one teardown."""
    columns = [
        "component",
        "point",
        "position",
        "reading",
        "condition",
        "verdict",
        "action",
        "role",
        "part",
        "quantity",
    ]
    rows = records.inspections
    return rows.loc[rows["job"] == job, columns].reset_index(drop=True)


def comebacks(records: Records, window_distance: float, window_days: float) -> pd.DataFrame:
    """The teardowns that were comebacks, the latest first, with what each cost in hours and outside money.

    A comeback is a teardown called one, or one for a component that the shop had renewed and that failed in service
    within `window_distance` and `window_days` of that (the shop's comeback window); `component` names which.
    """
    lives = records.lives
    soon = lives[
        lives["opened_by"].notna()
        & lives["closed_by"].notna()
        & lives["upper_age"].eq(lives["lower_age"])
        & lives["upper_age"].le(window_distance)
        & (lives["closed_on"] - lives["opened_on"]).dt.days.le(window_days)
    ]
    by_job = soon.groupby("closed_by")["component"].agg(lambda names: ", ".join(sorted(set(names))))
    rows = records.teardowns.assign(component=records.teardowns["job"].map(by_job).astype("str"))
    called = rows["reason"].eq("comeback").fillna(False).astype(bool)
    rows = rows[called | rows["job"].isin(by_job.index)]
    columns = ["opened_on", "job", "unit", "family", "component", "age", "reason", "complaint", "site", "bench"]
    columns += ["labour_hours", "outside_cost"]
    return rows.sort_values("opened_on", ascending=False)[columns].reset_index(drop=True)
