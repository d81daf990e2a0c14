"""Turns a run of the engine into the tables of the contract, cut at any day, and keeps the truth beside them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from data_demo.fleet_engine import Design, Engine
from data_demo.fleet_specs import FleetPlan, Point, mixed_quantile
from rebuildstats.history.contract import TABLE_BY_NAME

Row = dict[str, Any]
Frames = dict[str, pd.DataFrame]
VERDICTS = np.array(["not_checked", "ok", "fail", None], dtype=object)
ACTIONS = np.array(["reuse", "dress", "machine", "replace", None], dtype=object)
ROLES = np.array(["wear", "consequence", "cause", None], dtype=object)


@dataclass(frozen=True)
class Fleet:
    """A simulated fleet: `tables(as_of)` is what a shop would know on a day, the rest is the truth."""

    plan: FleetPlan
    seed: int
    engine: Engine

    def date(self, day: float) -> dt.date:
        return self.plan.start + dt.timedelta(days=int(day))

    def day(self, date: dt.date) -> int:
        return (date - self.plan.start).days

    @property
    def end(self) -> dt.date:
        """The last simulated day."""
        return self.date(self.plan.days - 1)

    @cached_property
    def everything(self) -> Frames:
        """The dated tables over all simulated days, with days as numbers in place of dates."""
        rows = self.engine.rows
        frames = {name: pd.DataFrame(rows[name]) for name in rows}
        frames["findings"] = _findings(self.engine)
        return frames

    def tables(self, as_of: dt.date) -> Frames:
        """Every table of the contract as a shop knows it on that day: nothing later, nothing only the engine knows."""
        cut = self.day(as_of)
        all_days = self.everything
        known: Frames = {}
        known["vehicles"] = _to(all_days["vehicles"], "in_service_on", cut)
        retired = known["vehicles"]["out_of_service_on"]  # a retirement is planned half a year ahead
        known["vehicles"]["out_of_service_on"] = retired.where(retired <= cut + 180)
        known["odometers"] = _to(all_days["odometers"], "read_on", cut)
        known["units"] = _to(all_days["units"], "first_seen_on", cut)
        fitments = _to(all_days["fitments"], "fitted_on", cut)
        gone = pd.to_numeric(fitments["removed_on"]) <= cut
        known["fitments"] = fitments.assign(
            removed_on=fitments["removed_on"].where(gone), removed_odometer=fitments["removed_odometer"].where(gone)
        )
        teardowns = _to(all_days["teardowns"], "opened_on", cut)
        for column in ("closed_on", "waiting_from", "waiting_until"):
            teardowns[column] = teardowns[column].where(pd.to_numeric(teardowns[column]) <= cut)
        still = teardowns["closed_on"].isna()
        teardowns.loc[still, ["labour_hours", "outside_cost"]] = np.nan
        teardowns["waiting_for"] = teardowns["waiting_for"].where(teardowns["waiting_from"].notna())
        known["teardowns"] = teardowns
        findings = all_days["findings"]
        known["findings"] = findings[findings["job"].isin(set(teardowns["job"]))]
        known["issued_parts"] = _to(all_days["issued_parts"], "issued_on", cut)
        known |= _catalogue(self.plan)
        known |= self._shelf(cut)
        known["planned"] = self._planned(cut)
        return {name: self._dated(name, frame) for name, frame in known.items()}

    def write(self, folder: Path, as_of: dt.date) -> None:
        """The tables of a day as a folder of CSV files."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in self.tables(as_of).items():
            if len(frame):
                frame.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n")

    # ------------------------------------------------------------------------------------------------------------ truth

    def issued_after(self, as_of: dt.date, until: dt.date) -> pd.DataFrame:
        """Pieces issued after a day up to another, credits negative, under the last successor.

        Columns: part, issued_on, quantity.
        """
        issued = self.everything["issued_parts"]
        first, last = self.day(as_of), self.day(until)
        future = issued[(issued["issued_on"] > first) & (issued["issued_on"] <= last)]
        sign = np.where(future["kind"].to_numpy(dtype=object) == "credit", -1.0, 1.0)
        part = [self.last_number(str(part)) for part in future["part"]]
        days = [self.date(day) for day in future["issued_on"]]
        frame = {"part": part, "issued_on": pd.to_datetime(days), "quantity": future["quantity"].to_numpy() * sign}
        return pd.DataFrame(frame)

    def last_number(self, part: str) -> str:
        """The last successor of a part."""
        while self.engine.bench.successor.get(part) is not None:
            part = str(self.engine.bench.successor[part])
        return part

    def teardowns_after(self, as_of: dt.date, until: dt.date) -> pd.DataFrame:
        """Teardowns really opened after a day up to another: job, unit, opened_on, scope, reason."""
        jobs = self.everything["teardowns"]
        first, last = self.day(as_of), self.day(until)
        future = jobs[(jobs["opened_on"] > first) & (jobs["opened_on"] <= last)]
        frame = future[["job", "unit", "scope", "reason"]].reset_index(drop=True)
        return frame.assign(opened_on=pd.to_datetime([self.date(day) for day in future["opened_on"]]))

    def true_lives(self) -> pd.DataFrame:
        """One row per family and component: the true distribution, and B10 and median over the fleet's mix of duties.

        Without the planted causes. `b10` and `median` weigh the duties by distance run, `b10_by_lives` and
        `median_by_lives` by the lives begun in them (harsh duty begins more lives than it runs distance),
        `b10_by_vehicles` and `median_by_vehicles` by vehicles; `b10_<duty>`, `median_<duty>`: that duty alone.
        """
        factor = {duty: f for duty, f, _ in self.plan.duties}
        rows = []
        for design in self.engine.designs:
            family = design.family.family
            weights = self._duty_weights(family)
            duties = [duty for duty in factor if weights["distance"].get(duty, 0.0) > 0]
            for c in design.components:
                chosen = [use for use in c.uses if use.choice is not None]
                shares = np.array([use.share or 1.0 for use in chosen] or [1.0])
                slower = 1 / np.array([use.factor for use in chosen] or [1.0])
                row: Row = {"family": family, "component": c.component, "group": c.group}
                row |= {"distribution": c.distribution, "scale": c.scale, "shape": c.shape}
                by_duty = np.array([factor[duty] ** c.duty_power for duty in duties])
                both = np.outer(by_duty, slower).ravel()
                for kind, ending in (("distance", ""), ("lives", "_by_lives"), ("vehicles", "_by_vehicles")):
                    mix = np.outer([weights[kind].get(duty, 0.0) for duty in duties], shares).ravel()
                    row[f"b10{ending}"] = mixed_quantile(0.1, c, both, mix, self.plan.frailty)
                    row[f"median{ending}"] = mixed_quantile(0.5, c, both, mix, self.plan.frailty)
                for duty, one in zip(duties, by_duty, strict=True):
                    row[f"b10_{duty}"] = mixed_quantile(0.1, c, one * slower, shares, self.plan.frailty)
                    row[f"median_{duty}"] = mixed_quantile(0.5, c, one * slower, shares, self.plan.frailty)
                rows.append(row)
        return pd.DataFrame(rows)

    def _duty_weights(self, family: str) -> dict[str, dict[str, float]]:
        """A family's duties by distance run, by rebuilds begun in them (and first stays), and by vehicles."""
        units = {unit.name for unit in self.engine.units if unit.design.family.family == family}
        vehicles = {vehicle.name: vehicle for vehicle in self.engine.vehicles}
        carried = {row["vehicle"] for row in self.engine.rows["fitments"] if row["unit"] in units}
        weights: dict[str, dict[str, float]] = {"distance": {}, "lives": {}, "vehicles": {}}
        for name in sorted(carried):
            vehicle = vehicles[name]
            distance = float(vehicle.odometer[-1] - vehicle.odometer[vehicle.in_service])
            for kind, weight in (("distance", distance), ("vehicles", 1.0)):
                weights[kind][vehicle.duty] = weights[kind].get(vehicle.duty, 0.0) + weight
        for row in self.engine.rows["fitments"]:
            if row["unit"] in units:
                duty = vehicles[row["vehicle"]].duty
                weights["lives"][duty] = weights["lives"].get(duty, 0.0) + 1.0
        return weights

    # ----------------------------------------------------------------------------------------------- shelf and bookings

    def _shelf(self, cut: int) -> Frames:
        """Stock counted and orders placed, as a shop that orders from experience would have them."""
        rng = np.random.default_rng([self.seed, cut, 1])
        issued = self.everything["issued_parts"]
        issued = issued[(issued["issued_on"] > cut - 365) & (issued["issued_on"] <= cut)]
        yearly: dict[str, float] = {}
        for part, quantity in zip(issued["part"], issued["quantity"], strict=True):
            last = self.last_number(str(part))
            yearly[last] = yearly.get(last, 0.0) + float(quantity)
        shops = [site for site, served_by, _ in self.plan.sites if served_by is None]
        stock, orders, number = [], [], 0
        for row in self.plan.parts:
            part = str(row["part"])
            lead = float(row.get("lead_time_days") or 21)
            spread = float(row.get("lead_time_sd_days") or 5)
            pack = max(float(row.get("pack_size") or 1), 1.0)
            rate = yearly.get(part, 0.0) / 365
            for site in shops:
                mine = rate / len(shops)
                on_hand = float(rng.poisson(mine * (lead + 20))) if mine > 0 else float(rng.integers(0, 4))
                counted = cut - int(rng.integers(0, 12))
                stock.append({"part": part, "site": site, "counted_on": counted, "on_hand": on_hand, "on_order": None})
                if row.get("replaced_by") is not None or mine <= 0:
                    continue
                every = max(30.0, pack / mine)
                day = cut - 700 + float(rng.uniform(0, every))
                while day < cut:
                    number += 1
                    due = day + lead
                    came = day + max(1.0, rng.normal(1.1 * lead, spread))  # suppliers are late more often than early
                    quantity = float(np.ceil(max(mine * every, 1) / pack) * pack)
                    here = came <= cut
                    orders.append(
                        {
                            "order": f"PO-{number:05d}",
                            "part": part,
                            "site": site,
                            "ordered_on": int(day),
                            "quantity": quantity,
                            "due_on": int(due),
                            "received_on": int(came) if here else None,
                            "received_quantity": quantity if here else None,
                        }
                    )
                    day += every * float(rng.uniform(0.8, 1.2))
        return {"stock": pd.DataFrame(stock), "orders": pd.DataFrame(orders)}

    def _planned(self, cut: int) -> pd.DataFrame:
        """Rebuilds booked for the next weeks: most of those that were not failures."""
        rng = np.random.default_rng([self.seed, cut, 2])
        rows = []
        for job in self.engine.rows["teardowns"]:
            ahead = job["opened_on"] - cut
            calm = job["reason"] in ("scheduled", "campaign")
            if 0 < ahead <= 60 and calm and rng.random() < 0.7:
                due = cut + max(1, ahead + int(rng.integers(-4, 5)))
                plan = f"B{len(rows) + 1:04d}"
                rows.append({"plan": plan, "due_on": due, "unit": job["unit"], "count": 1, "reason": job["reason"]})
        return pd.DataFrame(rows)

    def _dated(self, name: str, frame: pd.DataFrame) -> pd.DataFrame:
        """One table with the contract's columns in its order and real dates."""
        columns = {}
        for column in TABLE_BY_NAME[name].columns:
            values = frame[column.name] if column.name in frame else pd.Series([None] * len(frame), dtype=object)
            if column.kind == "date":
                days = pd.to_timedelta(pd.to_numeric(values).to_numpy(dtype=float), unit="D")
                columns[column.name] = pd.Series(pd.Timestamp(self.plan.start) + days).astype("datetime64[us]")
            elif column.kind == "number":
                columns[column.name] = pd.Series(pd.to_numeric(values).to_numpy(dtype=float))
            elif column.kind == "whole":
                columns[column.name] = pd.Series(pd.to_numeric(values).array, dtype="Int64")
            elif column.kind == "flag":
                columns[column.name] = pd.Series(values.array, dtype="boolean")
            else:
                columns[column.name] = pd.Series(values.array, dtype="str")
        return pd.DataFrame({k: v.reset_index(drop=True) for k, v in columns.items()})


def run_fleet(plan: FleetPlan, seed: int) -> Fleet:
    """Simulates a plan; the same plan and seed give the same fleet."""
    return Fleet(plan, seed, Engine(plan, seed).run())


def _to(frame: pd.DataFrame, column: str, cut: int) -> pd.DataFrame:
    return frame[frame[column] <= cut].copy()


def _catalogue(plan: FleetPlan) -> Frames:
    """The tables that don't change with time."""
    components, points, uses = [], [], []
    for family in plan.families:
        for c in family.components:
            components.append(
                {
                    "family": family.family,
                    "component": c.component,
                    "name": c.name,
                    "group": c.group,
                    "positions": c.positions,
                    "renewal": "always" if c.always else "on_condition",
                    "supplied_in": c.supplied_in,
                    "shows": "in_service" if c.in_service else "at_teardown",
                    "safety": c.safety,
                }
            )
            points.extend({"family": family.family, "component": c.component} | _point_row(p) for p in c.points)
            for use in c.uses:
                row = {"family": family.family, "component": c.component, "part": use.part, "quantity": use.quantity}
                uses.append(row | {"choice": use.choice, "share": use.share})
    sites = [{"site": site, "served_by": by} for site, by, _ in plan.sites]
    return {
        "components": pd.DataFrame(components),
        "points": pd.DataFrame(points),
        "parts": pd.DataFrame(list(plan.parts)),
        "part_uses": pd.DataFrame(uses),
        "sites": pd.DataFrame(sites),
    }


def _point_row(point: Point) -> Row:
    names = ("point", "method", "reading_unit", "as_new", "low_limit", "high_limit", "caution")
    return {name: getattr(point, name) for name in names}


# ------------------------------------------------------------------------------------------------------- findings


def _findings(engine: Engine) -> pd.DataFrame:
    frames = []
    for design in engine.designs:
        sheets = [sheet for sheet in engine.bench.sheets if sheet["design"] is design]
        if sheets:
            frames.append(_findings_of(design, sheets))
    columns = [c.name for c in TABLE_BY_NAME["findings"].columns]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


def _findings_of(design: Design, sheets: list[Row]) -> pd.DataFrame:
    lines = np.concatenate([sheet["lines"] for sheet in sheets])
    verdict = np.concatenate([sheet["verdict"] for sheet in sheets])
    action = np.concatenate([sheet["action"] for sheet in sheets])
    role = np.concatenate([sheet["role"] for sheet in sheets])
    share = np.concatenate([sheet["share"] for sheet in sheets])
    noise = np.concatenate([sheet["noise"] for sheet in sheets])
    word = np.concatenate([sheet["word"] for sheet in sheets])
    counts = [len(sheet["lines"]) for sheet in sheets]
    places = design.line_place[lines]
    part = np.full(len(lines), None, dtype=object)
    quantity = np.full(len(lines), np.nan)
    n = 0
    for sheet in sheets:
        for k, place in enumerate(design.line_place[sheet["lines"]]):
            used = sheet["used"].get(int(place))
            act = sheet["action"][k]
            if used is not None and (act == 2 or (act == 3 and sheet["word"][k] < 0.85)):
                part[n + k], quantity[n + k] = used
        n += len(sheet["lines"])
    condition = np.full(len(lines), None, dtype=object)
    reading = np.full(len(lines), np.nan)
    for line, point in enumerate(design.line_point):
        if point is None:
            continue
        here = np.flatnonzero((lines == line) & (verdict != 0))
        fails = verdict[here] == 2
        reading[here] = _readings(point, fails, share[here], noise[here])
        condition[here] = [
            _words(point, v, a, w) for v, a, w in zip(verdict[here], action[here], word[here], strict=True)
        ]
    names = np.array([None if point is None else point.point for point in design.line_point], dtype=object)
    component = np.array([c.component for c in design.component], dtype=object)
    return pd.DataFrame(
        {
            "job": np.repeat(np.array([sheet["job"] for sheet in sheets], dtype=object), counts),
            "component": component[places],
            "point": names[lines],
            "position": design.position[places],
            "reading": reading,
            "condition": condition,
            "verdict": VERDICTS[verdict],
            "action": ACTIONS[action],
            "role": ROLES[role],
            "part": part,
            "quantity": quantity,
        }
    )


def _readings(point: Point, fails: Any, share: Any, noise: Any) -> Any:
    limit = point.high_limit if point.high_limit is not None else point.low_limit
    if point.method not in ("gauge", "count") or limit is None:
        return np.full(len(fails), np.nan)
    if point.method == "count":
        return np.where(fails, limit - 1 - np.floor(np.minimum(np.abs(noise), 2)), limit)
    as_new = point.as_new if point.as_new is not None else 0.0
    way = np.clip(share, 0, 1.5) ** point.power + point.noise * noise
    way = np.where(fails, np.maximum(way, 1.03 + 0.05 * np.abs(noise)), np.clip(way, 0, 0.97))
    return np.maximum(np.round(as_new + (limit - as_new) * way, point.decimals), 0.0)


def _words(point: Point, verdict: int, action: int, word: float) -> str | None:
    words = point.bad if verdict == 2 else point.burr if action == 1 else point.sound
    return words[int(word * len(words))] if words else None
