"""Random fleets with planted causes, straight as life records: how many strong causes `repeats` finds, how many flags
are false.

    python -m tests.benchmarks.sim_repeats [fleets] [first seed]

A fleet is stepped through time, ten days a step; every component position carries an exponential threshold of hazard,
so that a planted cause is a factor on hazard (or a share of early failures) over exactly the exposure it is true for.
Strong: at least 8 failures in service in the bad group and at least 3 times what the sound hazard gives there. Beside
the marks stand those of somebody who knows the true sound hazard and the bad group: what no method can do better than
by much. dated_sure counts starts whose 90 % limits lie within 120 days of each other, covered those whose limits hold
the true one, cusum those that the CUSUM's last zero puts within 60 days.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

STEP = 10  # days
START = np.datetime64("2020-01-01")
ON_FITTING = ("part", "bench", "component")
KINDS = ("part", "bench", "vehicle", "site", "component", "family")


@dataclass
class Plant:
    kind: str
    name: str
    family: str = ""
    component: str = ""
    start: int = 0  # step
    end: int = 10_000
    factor: float = 1.0
    early: float = 0.0
    first_seen: int = -1
    observed: int = 0
    expected: float = 0.0
    seen_by: np.ndarray = field(default_factory=lambda: np.zeros(0))
    sound_by: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def strong(self) -> bool:
        return self.observed >= 8 and self.observed >= 3 * self.expected


@dataclass
class Fleet:
    lives: pd.DataFrame
    teardowns: pd.DataFrame
    fitments: pd.DataFrame
    components: pd.DataFrame
    as_of: pd.Timestamp
    vehicles: pd.DataFrame
    usage: pd.DataFrame
    plants: list[Plant] = field(default_factory=list)


def random_plants(
    rng: np.random.Generator, comps: pd.DataFrame, steps: int, sizes: dict[str, int], count: int
) -> list[Plant]:
    shown = comps.loc[comps["shows"] == "in_service"].reset_index(drop=True)
    plants: list[Plant] = []
    for kind in rng.choice(KINDS, size=count, replace=False, p=[0.3, 0.25, 0.15, 0.15, 0.1, 0.05]):
        c = shown.iloc[rng.integers(len(shown))]
        start = int(rng.integers(0, steps * 0.65)) if rng.random() < 0.75 else 0
        factor = float(rng.uniform(3.5, 7))
        plant = Plant(str(kind), "", start=start, factor=factor)
        if kind == "part":
            plant.family, plant.component = c["family"], c["component"]
            plant.name = f"{c['family']}-{c['component']}-B"
        elif kind == "bench":
            plant.name = f"bench{rng.integers(sizes['bench'])}"
            if rng.random() < 0.6:
                plant.family, plant.component = c["family"], c["component"]
            plant.end = start + int(rng.integers(18, 60)) if rng.random() < 0.6 else 10_000
            if rng.random() < 0.5:
                plant.factor, plant.early = 1.0, float(rng.uniform(0.15, 0.4))
        elif kind == "vehicle":
            plant.name = f"v{rng.integers(sizes['vehicle'])}"
        elif kind == "site":
            plant.name = f"site{rng.integers(sizes['site'])}"
            if rng.random() < 0.5:
                plant.family, plant.component = c["family"], c["component"]
        elif kind == "component":
            plant.family, plant.component = c["family"], c["component"]
            plant.name, plant.start = c["component"], max(start, 60)
        else:
            plant.family = plant.name = c["family"]
            plant.start = max(start, 60)
        plants.append(plant)
    return plants


def simulate(
    seed: int,
    planted: int | list[Plant] | None = None,
    *,
    years: float = 6.5,
    units: int = 150,
    vehicles: int = 130,
    frailty: float = 0.0,
    early: float = 0.0,
) -> Fleet:
    rng = np.random.default_rng(seed)
    steps = int(years * 365.25 / STEP)
    families = ["F", "G"]
    rows = []
    for family in families:
        for k in range(12):
            always = k < 2
            shows = "in_service" if k < 7 else "at_teardown"
            rows.append(
                (
                    family,
                    f"c{k}",
                    rng.choice(["bearing", "seal", "gear"]),
                    "always" if always else "on_condition",
                    shows,
                    np.exp(rng.uniform(np.log(1.2e5), np.log(4e5))),
                    rng.uniform(1.3, 3.2),
                )
            )
    comps = pd.DataFrame(rows, columns=["family", "component", "group", "renewal", "shows", "scale", "shape"]).assign(
        positions=1
    )
    n_family = np.array([families.index(f) for f in comps["family"]])
    C = 12
    site_of = rng.integers(0, 4, vehicles)
    duty_of = np.where(rng.random(vehicles) < 0.5, 0, 1)
    per_step = np.exp(rng.normal(np.log(110), 0.35, vehicles)) * STEP
    duty_factor = np.array([1.0, rng.uniform(1.0, 1.4)])
    fam = rng.integers(0, 2, units)
    scale = np.stack([comps.loc[n_family == f, "scale"].to_numpy() for f in (0, 1)])[fam]
    shape = np.stack([comps.loc[n_family == f, "shape"].to_numpy() for f in (0, 1)])[fam]
    weak = rng.gamma(1 / frailty, frailty, units) if frailty else np.ones(units)
    in_service = np.array([k < 7 for k in range(C)])
    always = np.array([k < 2 for k in range(C)])
    sizes = {"bench": 8, "vehicle": vehicles, "site": 4}
    count = planted if isinstance(planted, int) else int(rng.integers(1, 4))
    plants = planted if isinstance(planted, list) else random_plants(rng, comps, steps, sizes, count)
    for p in plants:
        p.seen_by, p.sound_by = np.zeros(steps), np.zeros(steps)
    # state
    vehicle = rng.permutation(vehicles)[np.arange(units) % vehicles]
    vehicle[vehicles:] = -1  # spare units wait on the shelf
    shelf = [int(u) for u in np.flatnonzero(vehicle < 0)]
    fitted_on = np.zeros(units, int)
    fitments: list[tuple[int, int, int, int]] = []
    mileage = np.zeros(units)
    age = np.zeros((units, C))
    good = np.zeros((units, C))
    hazard = np.zeros((units, C))
    limit = rng.exponential(size=(units, C))
    opened = np.zeros((units, C), int)
    opened_job = np.full((units, C), -1)
    opened_bench = np.full((units, C), -1)
    make = np.full((units, C), -1)
    early_at = np.full((units, C), np.inf)
    number = np.ones((units, C), int)
    rank = np.array([[f"{families[f]}-c{k}" for k in range(C)] for f in (0, 1)])
    by_vehicle = np.zeros((vehicles, 2))
    lives: list[tuple[object, ...]] = []
    jobs: list[tuple[object, ...]] = []

    def multiplier(step: int) -> tuple[np.ndarray, list[np.ndarray], list[np.ndarray]]:
        factor = np.ones((units, C))
        masks, groups = [], []
        for p in plants:
            on = step >= p.start and step < p.end
            comp = np.ones((units, C), bool)
            if p.component:
                comp &= (np.array(families)[fam] == p.family)[:, None] & (np.arange(C)[None, :] == int(p.component[1:]))
            elif p.family:
                comp &= (np.array(families)[fam] == p.family)[:, None]
            if p.kind == "part":
                group = comp & (make == 1)
            elif p.kind == "bench":
                group = comp & (opened_bench == int(p.name[5:]))
            elif p.kind == "component":
                group = comp & (opened_job >= 0)
            elif p.kind == "vehicle":
                group = comp & (vehicle == int(p.name[1:]))[:, None]
            elif p.kind == "site":
                group = comp & ((vehicle >= 0) & (site_of[np.maximum(vehicle, 0)] == int(p.name[4:])))[:, None]
            else:
                group = comp
            group = group & (vehicle >= 0)[:, None]
            where = group & ((opened >= p.start) & (opened < p.end) if p.kind in ON_FITTING else on)
            groups.append(group)
            factor = np.where(where, factor * p.factor, factor)
            masks.append(where)
        return factor, masks, groups

    def close(u: int, k: int, step: int, end: str, lower: float, upper: float, job: int) -> None:
        lives.append(
            (
                families[fam[u]],
                f"c{k}",
                f"u{u}",
                number[u, k],
                0.0,
                lower,
                upper,
                opened_job[u, k],
                job,
                make[u, k],
                opened_bench[u, k],
                opened[u, k],
                step,
                opened_job[u, k] < 0,
                end,
                vehicle_days(u, opened[u, k], step),
            )
        )

    def vehicle_days(u: int, a: int, b: int) -> int:
        best, most = vehicle[u], (b - max(fitted_on[u], a)) if vehicle[u] >= 0 else -1
        for fu, v, s, e in fitments:
            if fu == u and min(e, b) - max(s, a) > most:
                best, most = v, min(e, b) - max(s, a)
        return int(best)

    for step in range(steps):
        running = vehicle >= 0
        run = np.where(running, per_step[np.maximum(vehicle, 0)], 0.0)
        aged = run * duty_factor[duty_of[np.maximum(vehicle, 0)]]
        before = ((age * duty_factor[duty_of[np.maximum(vehicle, 0)]][:, None]) / scale) ** shape
        factor, masks, groups = multiplier(step)
        after = ((age * duty_factor[duty_of[np.maximum(vehicle, 0)]][:, None] + aged[:, None]) / scale) ** shape
        rise = (after - before) * weak[:, None]
        hazard += rise * factor
        age += run[:, None]
        mileage += run
        failed = ((hazard >= limit) | (age >= early_at)) & running[:, None]
        inside = np.flatnonzero(running)
        np.add.at(by_vehicle, (vehicle[inside], 0), (rise * in_service)[inside].sum(axis=1))
        np.add.at(by_vehicle, (vehicle[inside], 1), (failed & in_service)[inside].sum(axis=1))
        for p, g in zip(plants, groups, strict=True):
            clock = np.where(g, opened if p.kind in ON_FITTING else step, 0)
            np.add.at(p.sound_by, clock[g & in_service], rise[g & in_service])
            np.add.at(p.seen_by, clock[g & in_service & failed], 1)
        for p, m in zip(plants, masks, strict=True):
            p.expected += float((rise * m * in_service).sum())
            if p.first_seen < 0 and (m & in_service).any():
                p.first_seen = step
            p.observed += int((failed & m & in_service).sum())
        scheduled = running & (rng.random(units) < 0.12 * STEP / 365)
        for u in np.flatnonzero((failed & in_service).any(axis=1) | scheduled):
            job = len(jobs)
            v = vehicle[u]
            bench = int(site_of[v] * 2 + rng.integers(2))
            cause = failed[u] & in_service
            jobs.append(
                (
                    job,
                    f"u{u}",
                    families[fam[u]],
                    step,
                    mileage[u],
                    "failure" if cause.any() else "scheduled",
                    f"v{v}",
                    bench,
                )
            )
            for k in range(C):
                a = age[u, k]
                if cause[k]:
                    end, lower, upper = "cause", a, a
                elif failed[u, k]:
                    end, lower, upper = "wear", good[u, k], a
                    if rng.random() < 0.02:
                        good[u, k] = a  # a missed fail
                        continue
                elif always[k] or rng.random() < 0.1:
                    end, lower, upper = "replaced", a, np.nan
                else:
                    good[u, k] = a
                    continue
                close(int(u), k, step, end, lower, upper, job)
                age[u, k] = hazard[u, k] = good[u, k] = 0.0
                limit[u, k] = rng.exponential()
                opened[u, k], opened_job[u, k], opened_bench[u, k] = step, job, bench
                make[u, k] = int(rng.random() < 0.4)
                number[u, k] += 1
                early_at[u, k] = np.inf
                share = early
                for p in plants:
                    if (
                        p.early
                        and p.start <= step < p.end
                        and p.name == f"bench{bench}"
                        and (not p.component or (p.component == f"c{k}" and p.family == families[fam[u]]))
                    ):
                        share = max(share, p.early)
                if in_service[k] and rng.random() < share:
                    early_at[u, k] = rng.uniform(500, 9000)
            if shelf and rng.random() < 0.6:  # the vehicle takes a unit from the shelf
                other = next((x for x in shelf if fam[x] == fam[u]), None)
                if other is not None:
                    shelf.remove(other)
                    fitments.append((int(u), int(v), int(fitted_on[u]), step))
                    vehicle[other], vehicle[u] = v, -1
                    fitted_on[other] = step
                    shelf.append(int(u))
    for u in range(units):
        for k in range(C):
            lower = age[u, k] if in_service[k] else good[u, k]
            if lower > 0:
                close(u, k, steps, "", lower, np.nan, -1)
        if vehicle[u] >= 0:
            fitments.append((u, int(vehicle[u]), int(fitted_on[u]), -1))
    day = lambda s: START + np.asarray(s) * STEP  # noqa: E731
    table = pd.DataFrame(
        lives,
        columns=[
            "family",
            "component",
            "unit",
            "number",
            "entry_age",
            "lower_age",
            "upper_age",
            "opened_by",
            "closed_by",
            "make",
            "bench",
            "opened",
            "closed",
            "first_life",
            "end",
            "v",
        ],
    )
    table["position"] = 1
    table["shows"] = np.where(table["component"].str[1:].astype(int) < 7, "in_service", "at_teardown")
    table["part"] = np.where(
        table["make"] < 0,
        None,
        table["family"] + "-" + table["component"] + "-" + np.where(table["make"] == 1, "B", "A"),
    )
    table["part"] = table["part"].astype("str")
    table["bench"] = np.where(table["bench"] < 0, None, "bench" + table["bench"].astype(str))
    table["site"] = [f"site{site_of[v]}" if v >= 0 else None for v in table["v"]]
    table["duty"] = [f"duty{duty_of[v]}" if v >= 0 else None for v in table["v"]]
    table["opened_on"] = pd.to_datetime(day(table["opened"]))
    table["closed_on"] = pd.to_datetime(np.where(table["closed"] >= steps, np.datetime64("NaT"), day(table["closed"])))
    for name in ("opened_by", "closed_by"):
        table[name] = [f"j{j}" if j >= 0 else None for j in table[name]]
    table["group"] = "g"
    teardowns = pd.DataFrame(jobs, columns=["job", "unit", "family", "opened", "mileage", "reason", "vehicle", "bench"])
    teardowns["opened_on"] = pd.to_datetime(day(teardowns["opened"]))
    teardowns["job"] = [f"j{j}" for j in teardowns["job"]]
    teardowns["scope"] = "rebuild"
    fit = pd.DataFrame(fitments, columns=["u", "v", "s", "e"])
    frame = pd.DataFrame(
        {
            "unit": "u" + fit["u"].astype(str),
            "vehicle": "v" + fit["v"].astype(str),
            "fitted_on": pd.to_datetime(day(fit["s"])),
            "removed_on": pd.to_datetime(np.where(fit["e"] < 0, np.datetime64("NaT"), day(fit["e"]))),
        }
    )
    assert rank.shape == (2, C)
    comps["safety"] = False
    cars = pd.DataFrame(
        {
            "vehicle": [f"v{v}" for v in range(vehicles)],
            "site": [f"site{s}" for s in site_of],
            "duty": [f"duty{d}" for d in duty_of],
            "sound": by_vehicle[:, 0],
            "failed": by_vehicle[:, 1],
        }
    )
    usage = pd.DataFrame(
        {
            "vehicle": np.repeat(cars["vehicle"], 2),
            "read_on": pd.to_datetime(day(np.tile([0, steps], vehicles))),
            "distance": np.column_stack([np.zeros(vehicles), per_step * steps]).ravel(),
        }
    )
    return Fleet(table, teardowns, frame, comps, pd.Timestamp(day(steps)), cars, usage, plants)


def days_off(plant: Plant, since: pd.Timestamp) -> int:
    """How far a date is from when a cause began; between that day and its first exposure nobody can tell."""
    begins, seen = (pd.Timestamp(START + s * STEP) for s in (plant.start, max(plant.start, plant.first_seen)))
    return 0 if begins <= since <= seen else min(abs((since - begins).days), abs((since - seen).days))


def knowing(plant: Plant) -> pd.Timestamp:
    """The start as dated by whoever knows the sound hazard, the group and the end."""
    from rebuildstats.fits.cusum import ALL_ALONG, date_onset

    last = min(plant.end, len(plant.seen_by)) - 1
    all_along = 0.0 if plant.kind in ("component", "family") else ALL_ALONG
    onset = date_onset(plant.seen_by, plant.sound_by, last, reach=60 // STEP, all_along=all_along)
    return pd.Timestamp(START + onset.first * STEP)


def score(fleet: Fleet, table: pd.DataFrame) -> dict[str, float]:
    """Strong causes, how many of them flagged, flags, how many of them no planted cause, how starts were dated."""
    flags = table.loc[table["flagged"]]
    names = ("strong", "found", "false", "dated", "dated_well", "dated_sure", "covered", "cusum", "knowing_dated_well")
    out = {"flags": len(flags)} | dict.fromkeys(names, 0)

    def same(row: pd.Series, plant: Plant) -> bool:
        if row["kind"] != plant.kind or row["name"] != plant.name:
            return False
        return plant.kind != "component" or row["family"] == plant.family

    for plant in fleet.plants:
        out["strong"] += plant.strong
        hits = [row for _, row in flags.iterrows() if same(row, plant)]
        if plant.strong and hits:
            out["found"] += 1
            row = hits[0]
            out["dated"] += 1
            out["dated_well"] += days_off(plant, row["since"]) <= 60
            out["cusum"] += days_off(plant, row["since_cusum"]) <= 60
            out["dated_sure"] += (row["since_upper"] - row["since_lower"]).days <= 120
            begins, seen = (pd.Timestamp(START + s * STEP) for s in (plant.start, max(plant.start, plant.first_seen)))
            slack = pd.Timedelta(days=15)  # a bin
            out["covered"] += row["since_lower"] <= seen + slack and row["since_upper"] + slack >= begins
            out["knowing_dated_well"] += days_off(plant, knowing(plant)) <= 60
    out["false"] = sum(not any(same(row, p) for p in fleet.plants) for _, row in flags.iterrows())
    return out


class QuickLives:
    """Weibull fits by maximum likelihood, bad groups and all: a second's stand-in for the fitted lives."""

    def __init__(self, lives: pd.DataFrame) -> None:
        from scipy import optimize

        self.fits: dict[tuple[str, str], tuple[float, float]] = {}
        for key, rows in lives.groupby(["family", "component"]):
            low, high = rows["lower_age"].to_numpy() / 1e5, rows["upper_age"].to_numpy() / 1e5
            exact, interval = low == high, np.isfinite(high) & (high > low)

            def minus(theta: np.ndarray, low=low, high=high, exact=exact, interval=interval) -> float:
                scale, shape = np.exp(theta)
                h_low, h_high = (low / scale) ** shape, (high / scale) ** shape
                value = -h_low[~exact & ~interval].sum()
                value += (np.log(shape / scale) + (shape - 1) * np.log(low[exact] / scale) - h_low[exact]).sum()
                value += (-h_low[interval] + np.log(-np.expm1(-(h_high - h_low)[interval]))).sum()
                return -float(value)

            best = optimize.minimize(minus, [0.5, 0.5], method="Nelder-Mead", options={"maxiter": 200, "xatol": 1e-3})
            self.fits[key] = float(np.exp(best.x[0]) * 1e5), float(np.exp(best.x[1]))

    def get(self, family: str, component: str):
        scale, shape = self.fits[family, component]

        class Fit:
            def chance(self, age, covariates=None):
                return -np.expm1(-((np.asarray(age) / scale) ** shape))

        return Fit()


def run(seed: int, full: int = 0, **more: float) -> tuple[Fleet, pd.DataFrame, dict[str, float]]:
    from rebuildstats.fits.life import fit_lives
    from rebuildstats.fits.repeats import find_repeats

    fleet = simulate(seed, **more)
    fits = fit_lives(fleet.lives, fleet.components) if full else QuickLives(fleet.lives)
    table = find_repeats(
        fleet.lives, fits, fleet.as_of, fitments=fleet.fitments, vehicles=fleet.vehicles, usage=fleet.usage
    ).frame()
    return fleet, table, score(fleet, table)


def main() -> None:
    fleets, first = int(sys.argv[1]) if len(sys.argv) > 1 else 10, int(sys.argv[2]) if len(sys.argv) > 2 else 0
    more = {k: float(v) if "." in v else int(v) for k, v in (a.split("=") for a in sys.argv[3:])}
    total: dict[str, float] = {}
    for seed in range(first, first + fleets):
        t0 = time.perf_counter()
        fleet, table, marks = run(seed, **more)
        total = {k: total.get(k, 0) + v for k, v in marks.items()}
        print(seed, f"{time.perf_counter() - t0:.1f}s", marks)
        for p in fleet.plants:
            day = START + max(p.start, p.first_seen) * STEP
            print(
                "   planted",
                p.kind,
                p.name,
                p.component,
                day,
                p.end,
                f"x{p.factor:.1f} early {p.early:.2f}",
                f"O {p.observed} E {p.expected:.1f}",
                "STRONG" if p.strong else "",
            )
        flags = table.loc[table["flagged"]]
        for _, r in flags.iterrows():
            print(
                "   flagged",
                r["kind"],
                r["name"],
                r["component"],
                r["since"].date(),
                f"O {r['observed']} E {r['expected']:.1f}",
                f"C {r['comebacks']} E {r['comebacks_expected']:.2f} q {r['q_value']:.4f}",
                r["by"],
                r["looks_like"],
            )
    print(total)


if __name__ == "__main__":
    main()
